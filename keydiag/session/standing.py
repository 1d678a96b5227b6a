"""How every key of the half stands, from the present course and what was known before it."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from keydiag.circuit import Circuit, Reading
from keydiag.observe.answers import expect
from keydiag.observe.sweep import Status, Sweep
from keydiag.session.views import KeyStatus

__all__ = ["hidden_at_rest", "statuses"]

_VIEW: dict[Status, KeyStatus] = {
    "waiting": "waiting", "seen": "good", "passed": "silent", "odd": "odd", "unsure": "unsure",
}  # fmt: skip


def statuses(
    circuit: Circuit, sweep: Sweep, before: Mapping[str, KeyStatus], hidden: Collection[str]
) -> dict[str, KeyStatus]:
    """Every key -> how it stands, in board order; none is "next". before: for the keys that this
    sweep is not about."""
    found: dict[str, KeyStatus] = {}
    for key in circuit.keys:
        if key in hidden:
            found[key] = "hidden"
        elif key in sweep.order or sweep.signs(key):
            found[key] = _VIEW[sweep.status_of(key)]
        else:
            found[key] = before.get(key, "waiting")
    return found


def hidden_at_rest(circuit: Circuit, rest: Reading | None) -> set[str]:
    """The keys of which nothing can be seen because of what conducts at rest."""
    if rest is None or rest == circuit.healthy_rest:
        return set()
    expected = {key: expect(pair, rest) for key, pair in circuit.forward.items()}
    return {key for key, answer in expected.items() if not (answer.must or answer.may)}
