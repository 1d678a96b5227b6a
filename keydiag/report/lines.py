"""The session for other programs: one JSON object a line, as things happen.

Here: the models of these lines, whose JSON schema is published (`schema`), and `Lines`, which
writes them while a bench is at work. Not here: the findings themselves (diagnosis/model.py), and
the same for people (plain.py).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Annotated, Any, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from keydiag import __version__
from keydiag.diagnosis import Diagnosis, Finding
from keydiag.session import KeyStatus, Session, Step, missing, not_proven, proven
from keydiag.session.repairs import Outcome, faults_of

__all__ = ["FORMAT", "Lines", "schema"]

FORMAT: Final = "keydiag lines 1"


class _Line(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    t: int = Field(ge=0, description="the journal's time: microseconds on the probe's clock")


class Begin(_Line):
    """The first line."""

    event: Literal["begin"] = "begin"
    format: Literal["keydiag lines 1"] = FORMAT
    written_by: str
    half: str = Field(description="name in the board file")
    keys: tuple[str, ...] = Field(description="all keys, in board order")
    journal: str | None = Field(description="file name of the journal, null if none is kept")


class Link(_Line):
    """The probe was found, went away, or came back."""

    event: Literal["link"] = "link"
    up: bool
    port: str
    chip: str
    reason: str = Field(description="why it is down, empty while it is up")


class StepChange(_Line):
    """Another step of the job. In a sweep and in a retest what the keys it is about have shown
    before no longer counts."""

    event: Literal["step"] = "step"
    step: Step
    keys: tuple[str, ...] = Field(description="the keys that this step is about, () if none")


class Ask(_Line):
    """What is to be done next."""

    event: Literal["ask"] = "ask"
    say: str = Field(description="one sentence for people")
    press: str | None = Field(description="the key to press")
    hold: tuple[str, ...] = Field(description="the keys to hold together")


class Key(_Line):
    """A key has shown something, or something else than before."""

    event: Literal["key"] = "key"
    key: str
    result: KeyStatus


class ChordHeld(_Line):
    """Keys that were asked for were held together."""

    event: Literal["chord"] = "chord"
    keys: tuple[str, ...]
    as_wired: bool


class FindingLine(_Line):
    """A finding was opened, says something else than before, or is closed: mended, or no longer
    what the readings say."""

    event: Literal["finding"] = "finding"
    change: Literal["opened", "changed", "closed"]
    number: int = Field(ge=1, description="of this finding, as long as these lines last")
    finding: Finding = Field(description="as it now is; of a closed one: as it was")


class RepairLine(_Line):
    """What a retest says of a finding that was reworked."""

    event: Literal["repair"] = "repair"
    title: str
    outcome: Outcome


class Alert(_Line):
    """Something that needs the eyes, or the hands on the cable, now; empty when it is over."""

    event: Literal["alert"] = "alert"
    say: str


class VerdictLine(_Line):
    """The last line, when the work has come to its end; without it, it was broken off."""

    event: Literal["verdict"] = "verdict"
    diagnosis: Diagnosis = Field(description="what `keydiag diagnose --json` says of the journal")
    signed_off: bool
    missing: tuple[str, ...] = Field(description="what the sign-off lacks, one sentence each")
    proven: tuple[str, ...] = Field(description="what a sign-off rests on, one sentence each")
    not_proven: tuple[str, ...] = Field(description="what a sign-off does not say")


AnyLine = (
    Begin | Link | StepChange | Ask | Key | ChordHeld | FindingLine | RepairLine | Alert
    | VerdictLine
)  # fmt: skip


def schema() -> dict[str, Any]:
    """The JSON schema that every line fits."""
    kinds: TypeAdapter[AnyLine] = TypeAdapter(Annotated[AnyLine, Field(discriminator="event")])
    return {"title": FORMAT, **kinds.json_schema(mode="serialization")}


class Lines:
    """Writes with `write`, one JSON object a call. Give `watch` to a Bench."""

    def __init__(self, write: Callable[[str], None]) -> None:
        self._write = write
        self._link: tuple[str, str] = ("none", "")
        self._step: Step | None = None
        self._course: object = None  # the course that was last told
        self._ask: tuple[str, str | None, tuple[str, ...]] | None = None
        self._alert = ""
        self._keys: dict[str, KeyStatus] = {}
        self._chords: set[tuple[tuple[str, ...], int]] = set()
        self._repairs = 0
        self._shown: Diagnosis | None = None  # the findings that were last told
        self._open: dict[int, Finding] = {}
        self._numbers = 0

    def begin(self, session: Session, journal: str | None) -> None:
        """The first line. What a resumed session already knows is told with the first look."""
        self._repairs = len(session.repairs)
        self._say(
            Begin(
                t=session.now_us,
                written_by=f"keydiag {__version__}",
                half=session.board.name,
                keys=session.circuit.keys,
                journal=journal,
            )
        )

    def watch(self, session: Session) -> None:
        """Write what is new."""
        t_us = session.now_us
        self._tell_link(session, t_us)
        self._tell_step(session, t_us)
        for key, status in session.statuses().items():
            if self._keys.get(key, "waiting") != status:
                self._keys[key] = status
                if status != "waiting":
                    self._say(Key(t=t_us, key=key, result=status))
        self._tell_chords(session, t_us)
        self._tell_repairs(session, t_us)
        shown = session.diagnosis if session.rail_stop else session.verdict
        if shown is not None and shown is not self._shown:
            self._tell_findings(shown, t_us)
        self._tell_ask(session, t_us)

    def end(self, session: Session) -> None:
        """The last line."""
        diagnosis = session.diagnose_now()
        self._tell_findings(diagnosis, session.now_us)
        self._say(
            VerdictLine(
                t=session.now_us,
                diagnosis=diagnosis,
                signed_off=session.signed_off,
                missing=missing(session, diagnosis),
                proven=proven(session),
                not_proven=not_proven(session),
            )
        )

    # --- one kind each ---

    def _tell_link(self, session: Session, t_us: int) -> None:
        link = session.link
        if link.state != "none" and self._link != (link.state, link.port):
            self._link = (link.state, link.port)
            up = link.state == "up"
            reason = "" if up else session.gone
            self._say(Link(t=t_us, up=up, port=link.port, chip=link.chip, reason=reason))

    def _tell_step(self, session: Session, t_us: int) -> None:
        step = session.step
        keys: tuple[str, ...] = ()
        if step in ("sweep", "retest"):
            keys = session.course.sweep.order
            # Two courses may follow each other within one step: the sweep once more.
            if self._course is not session.course:
                self._course, self._step = session.course, None
                self._keys.update(dict.fromkeys(keys, "waiting"))
        if step != self._step:
            self._step = step
            self._say(StepChange(t=t_us, step=step, keys=keys))

    def _tell_chords(self, session: Session, t_us: int) -> None:
        check = session.chord_check
        seen = (*(check.observations() if check else ()), *session.tests.observations())
        for each in seen:
            if (each.held, each.t_us) not in self._chords:
                self._chords.add((each.held, each.t_us))
                sound = session.book.as_wired(each.held, each.reading)
                self._say(ChordHeld(t=t_us, keys=each.held, as_wired=sound))

    def _tell_repairs(self, session: Session, t_us: int) -> None:
        new, self._repairs = session.repairs[self._repairs :], len(session.repairs)
        for repair in new:
            self._say(RepairLine(t=t_us, title=repair.title, outcome=repair.outcome))
            if repair.outcome == "confirmed":
                mended = [n for n, each in self._open.items() if each.title == repair.title]
                self._close(mended, t_us)

    def _tell_findings(self, shown: Diagnosis, t_us: int) -> None:
        self._shown = shown
        left = dict(self._open)
        for finding in shown.findings:
            number = _same(finding, left)
            if number is None:
                self._numbers += 1
                number = self._numbers
                change: Literal["opened", "changed"] = "opened"
            elif left.pop(number) == finding:
                continue
            else:
                change = "changed"
            self._open[number] = finding
            self._say(FindingLine(t=t_us, change=change, number=number, finding=finding))
        self._close(list(left), t_us)

    def _close(self, numbers: Sequence[int], t_us: int) -> None:
        for number in numbers:
            finding = self._open.pop(number)
            self._say(FindingLine(t=t_us, change="closed", number=number, finding=finding))

    def _tell_ask(self, session: Session, t_us: int) -> None:
        view = session.snapshot()
        alert = view.alert if view.alert is not None and view.link.state == "up" else ""
        if alert != self._alert:
            self._alert = alert
            self._say(Alert(t=t_us, say=alert))
        ask = (view.say, view.next_key, view.chord)
        if ask != self._ask:
            self._ask = ask
            self._say(Ask(t=t_us, say=view.say, press=view.next_key, hold=view.chord))

    def _say(self, line: AnyLine) -> None:
        # What it is and when come first, so that the lines can be read by eye.
        said = line.model_dump_json(exclude={"event", "t"})
        rest = f",{said[1:]}" if said != "{}" else "}"
        self._write(f'{{"event":"{line.event}","t":{line.t}{rest}')


def _same(finding: Finding, known: dict[int, Finding]) -> int | None:
    """The number of the finding that this one goes on with: of the same title, or else about one
    of the same faults; None if it is new."""
    for number, other in known.items():
        if other.title == finding.title:
            return number
    faults = faults_of(finding)
    return next((n for n, other in known.items() if faults & faults_of(other)), None)
