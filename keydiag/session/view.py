"""Drawing up the view of a session: Snapshot and KeyView from what the fold knows.

Not here: what the fields mean (views.py), and any decision.
"""

from __future__ import annotations

from keydiag.session import say, signoff
from keydiag.session.fold import Session
from keydiag.session.views import KeyStatus, KeyView, Snapshot

__all__ = ["snapshot_of"]

NOTES_SHOWN = 8


def snapshot_of(session: Session) -> Snapshot:
    """The session at this moment."""
    todo, chord, statuses = session.todo, session.chord, session.statuses()
    order = set(session.course.sweep.order)
    asked = {todo[0]} if todo and session.test is None else set()
    done = sum(how != "waiting" for key, how in statuses.items() if key in order - asked)
    total = len(order)
    if session.step == "chords" or session.withheld:
        done, total = session.chords_done
    return Snapshot(
        step=session.step,
        say=_say(session),
        board=session.board,
        circuit=session.circuit,
        keys=_key_views(session, statuses),
        next_key=todo[0] if todo else None,
        asked=todo if session.course.asks_again else (),
        done=done,
        total=total,
        diagnosis=session.diagnosis,
        link=session.link,
        alert=_alert(session),
        notes=tuple(session.notes[-NOTES_SHOWN:]),
        paused=session.paused,
        repairs=tuple(session.repairs),
        chord=chord,
        missing=signoff.missing(session),
        proven=signoff.proven(session),
        not_proven=signoff.not_proven(session),
    )


def _key_views(session: Session, statuses: dict[str, KeyStatus]) -> tuple[KeyView, ...]:
    departed, due = session.departed, session.todo[:1] or session.chord
    views = []
    for key, status in statuses.items():
        drive, sense = session.circuit.forward[key]
        held = (drive, sense) in departed or (sense, drive) in departed
        views.append(KeyView(key, "next" if key in due else status, held))
    return tuple(views)


def _say(session: Session) -> str:
    step, todo = session.step, session.todo
    if step == "connect":
        return say.CONNECT
    if session.paused:
        return say.PAUSED
    if step == "rework":
        return say.rework(session.rework)
    if session.link.state == "down" and step != "signed-off":
        return say.RECONNECT
    if session.test is not None and session.test.keys[0] in (*todo, *session.chord):
        return say.test(session.test.keys, session.tests.about)
    if todo:
        legend = session.board.key[todo[0]].legend
        return say.press(todo[0], legend, session.course.asks_again, step == "retest")
    if session.chord:
        if step == "findings":
            return say.hold_still(session.chord, *session.chords_done)
        return say.hold(session.chord, step == "retest")
    if step in ("findings", "signed-off") and session.diagnosis is not None:
        return say.findings(session.diagnosis, session.withheld)
    return say.LET_GO if step in ("sweep", "retest") else say.REST


def _alert(session: Session) -> str | None:
    if session.link.state == "down":
        return f"The probe is gone: {session.gone}."
    reading = session.reading
    return say.rail_alert(session.circuit, reading) if reading is not None else None
