"""From the members of a finding to what is shown of them: lines, keys, spots in mm.

Here: which wires to draw, which keys to bracket, where each suspected joint, piece of wire or
meeting of two nets lies. Not here: drawing (overlay on the half: layout_view.py; enlarged:
zoom.py).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from keydiag.circuit import Circuit
from keydiag.diagnosis.model import Finding, Member, NextTest
from keydiag.drawing.geometry import (
    Kind,
    Point,
    Run,
    along,
    box,
    face,
    face_point,
    place,
    wire_joint,
)
from keydiag.drawing.places import Layout, owner
from keydiag.errors import UsageError
from keydiag.faults import meeting_places, near_keys

STEP_MM = 0.5  # how finely runs of wire are searched for the place where two nets come close
TOUCHING_MM = 3.0  # nets this close, or crossing, get one mark instead of one each
REACH_MM = 16.0  # about one key: how far from a key its own meeting of two nets may lie


@dataclass(frozen=True, slots=True)
class Suspect:
    """One member of a finding, on the half.

    spots: points to mark, in mm seen from the top. runs: pieces of wire to highlight. gap: the
    shortest way from one net to the other, for a bridge. keys: keys it is about. lines: the wires
    to show along their whole path. pins: ports of the controller it is about.
    """

    member: Member
    spots: tuple[Point, ...] = ()
    runs: tuple[Run, ...] = ()
    keys: tuple[str, ...] = ()
    lines: tuple[str, ...] = ()
    pins: tuple[str, ...] = ()
    gap: Run | None = None

    @property
    def reach(self) -> tuple[float, float, float, float] | None:
        """The box around everything marked, in mm, or None where nothing is."""
        points = [*self.spots, *(point for run in self.runs for point in run)]
        return box(points) if points else None


def suspects(layout: Layout, circuit: Circuit, finding: Finding) -> tuple[Suspect, ...]:
    """The members of a finding, in its order."""
    return tuple(_suspect(layout, circuit, member) for member in finding.members)


def _suspect(layout: Layout, circuit: Circuit, member: Member) -> Suspect:
    lines: dict[str, None] = {}
    keys: dict[str, None] = {}
    pins: dict[str, None] = {}
    spots: list[Point] = []
    runs: list[Run] = []
    gap: Run | None = None
    meets = member.kind == "bridge" and len(member.at) == 2
    for address in member.at:
        its = owner(address)
        if its in circuit.parts:
            keys[its] = None
            lines |= dict.fromkeys((circuit.row_of[its], circuit.column_of[its]))
        elif its in circuit.line_file:
            lines[its] = None
            pins[circuit.line_file[its].pin] = None
            keys |= dict.fromkeys(_keys_in(address, its, circuit))
        elif its.startswith("pin "):
            pins[its.removeprefix("pin ")] = None
            lines |= dict.fromkeys(n for n, each in circuit.line_file.items() if each.pin in pins)
        if not meets and address not in circuit.line_file:
            spot_runs = _places(layout, circuit, address)
            spots += [run[0] if len(run) == 1 else along(run, 0.5) for run in spot_runs]
            if its not in circuit.parts:
                runs += [run for run in spot_runs if len(run) > 1]
    if meets:
        place = meeting(layout, circuit, member.at)
        if place is not None:
            gap = place[0]
            touching = math.dist(*gap) < TOUCHING_MM
            spots += [along(gap, 0.5)] if touching else gap
            keys |= dict.fromkeys(place[1])
    elif not spots and lines:  # a whole line is meant: mark where it leaves for its pin
        spots += [layout.leads[name].run[-1] for name in lines]
    return Suspect(member, tuple(spots), tuple(runs), tuple(keys), tuple(lines), tuple(pins), gap)


def _keys_in(address: str, line: str, circuit: Circuit) -> Iterable[str]:
    """The keys a piece of wire lies at: both ends of a stretch, the first key of a lead."""
    words = address.split()
    if "between" in words:
        return [word for word in words if word in circuit.parts]
    return circuit.keys_on[line][:1] if address.endswith(" lead") else ()


def _places(layout: Layout, circuit: Circuit, address: str) -> tuple[Run, ...]:
    try:
        return layout.locate(address)
    except UsageError:  # a finding may name what no picture has, such as ground
        return ()


def lead_points(layout: Layout, circuit: Circuit, test: NextTest) -> tuple[Point, ...]:
    """Where the meter's red and black leads go, in mm; empty if that is not on the picture.

    The places are those of the test's code: ``PD4``, ``row-R2@L23`` (the wire where the key hangs
    on it), ``L23.0`` to ``L23.3`` (the four ends of its two parts, from the column side).
    """
    points = []
    for code in test.code.partition(" holding ")[0].split(" to "):
        point = _lead_point(layout, circuit, code)
        if point is None:
            return ()
        points.append(point)
    return tuple(points)


def _lead_point(layout: Layout, circuit: Circuit, code: str) -> Point | None:
    board = layout.board
    line, _, key = code.partition("@")
    if key in board.key:
        kind: Kind = "row" if line.startswith("row") else "column"
        return face_point(board, key, wire_joint(board, kind))
    key, _, end = code.rpartition(".")
    if key in board.key and end in ("0", "1", "2", "3"):
        near, far = (place(board, key, point) for point in face(board).body)  # near the switch
        legs = [face_point(board, key, name) for name in ("column leg", "row leg")]
        ends = [*legs, near, far] if board.diode_side == "row" else [far, near, *legs]
        return ends[int(end)]
    spots = _places(layout, circuit, f"pin {code}")
    return spots[0][0] if spots else None


def meeting(
    layout: Layout, circuit: Circuit, nets: tuple[str, ...]
) -> tuple[Run, tuple[str, ...]] | None:
    """The shortest way from one net to the other, in mm, and the key or keys that is at; None if
    they come near each other nowhere."""
    places = meeting_places(circuit, nets, near_keys(circuit))
    if not places:
        return None
    keys = tuple(places[0].split("/"))
    centres = [face_point(layout.board, key, "switch") for key in keys]
    one, two = (
        [p for run in _places(layout, circuit, net) for p in _points(run)
         if any(math.dist(p, centre) < REACH_MM for centre in centres)]
        for net in nets
    )  # fmt: skip
    if not one or not two:
        return None
    _, a, b = min((math.dist(a, b), a, b) for a in one for b in two)
    return (a, b), keys


def _points(run: Run) -> Iterable[Point]:
    if len(run) == 1:
        return run
    length = sum(math.dist(a, b) for a, b in zip(run, run[1:], strict=False))
    count = max(1, math.ceil(length / STEP_MM))
    return [along(run, i / count) for i in range(count + 1)]
