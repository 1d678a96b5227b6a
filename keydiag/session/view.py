"""Drawing up the view of a session: Snapshot and KeyView from what the fold knows.

Not here: what the fields mean (views.py), and any decision.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from keydiag.answers import expect
from keydiag.session import say
from keydiag.session.views import KeyStatus, KeyView, Snapshot
from keydiag.sweep import Status

if TYPE_CHECKING:
    from keydiag.session.fold import Session

__all__ = ["key_views", "snapshot_of"]

NOTES_SHOWN = 8

_VIEW: dict[Status, KeyStatus] = {
    "waiting": "waiting", "seen": "good", "passed": "silent", "odd": "odd", "unsure": "unsure",
}  # fmt: skip


def snapshot_of(session: Session) -> Snapshot:
    """The session at this moment."""
    todo, keys = session.todo, key_views(session)
    order = set(session.course.sweep.order)
    return Snapshot(
        step=session.step,
        say=_say(session),
        board=session.board,
        circuit=session.circuit,
        keys=keys,
        next_key=todo[0] if todo else None,
        asked=todo if session.course.asks_again else (),
        done=sum(k.name in order and k.status not in ("waiting", "next") for k in keys),
        total=len(order),
        diagnosis=session.diagnosis,
        link=session.link,
        alert=_alert(session),
        notes=tuple(session.notes[-NOTES_SHOWN:]),
        paused=session.paused,
        repairs=tuple(session.repairs),
    )


def key_views(session: Session) -> tuple[KeyView, ...]:
    """Every key of the half, in board order."""
    departed, todo, hidden = session.departed, session.todo, _hidden_keys(session)
    sweep = session.course.sweep
    order = set(sweep.order)
    views = []
    for key in session.circuit.keys:
        if key in order or sweep.signs(key):
            status = _VIEW[sweep.status_of(key)]
        else:
            status = session.base.get(key, "waiting")
        if key in hidden:
            status = "hidden"
        if key in todo[:1]:
            status = "next"
        drive, sense = session.circuit.forward[key]
        held = (drive, sense) in departed or (sense, drive) in departed
        views.append(KeyView(key, status, held))
    return tuple(views)


def _hidden_keys(session: Session) -> set[str]:
    """Keys that cannot be judged yet: by the diagnosis, or because rest hides them."""
    if session.phase == "findings":
        diagnosis = session.diagnosis
        return {masked.key for masked in diagnosis.cannot_judge} if diagnosis else set()
    rest = session.rest
    if rest is None or rest == session.circuit.healthy_rest:
        return set()
    expected = {key: expect(pair, rest) for key, pair in session.circuit.forward.items()}
    return {key for key, answer in expected.items() if not (answer.must or answer.may)}


def _say(session: Session) -> str:
    step, todo = session.step, session.todo
    if step == "connect":
        return say.CONNECT
    if session.paused:
        return say.PAUSED
    if step == "rework":
        return say.rework(session.rework)
    if session.link.state == "down" and step in ("sweep", "retest"):
        return say.RECONNECT
    if todo:
        legend = session.board.key[todo[0]].legend
        return say.press(todo[0], legend, session.course.asks_again, step == "retest")
    if step in ("findings", "signed-off") and session.diagnosis is not None:
        return say.findings(session.diagnosis)
    return say.LET_GO if step in ("sweep", "retest") else say.REST


def _alert(session: Session) -> str | None:
    if session.link.state == "down":
        return f"The probe is gone: {session.gone}."
    reading = session.reading
    return say.rail_alert(session.circuit, reading) if reading is not None else None
