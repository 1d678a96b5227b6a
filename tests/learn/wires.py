"""Halves that nobody has described: what their pins say, at once or through the virtual probe."""

from collections.abc import Iterable
from functools import cache

from keydiag import board
from keydiag.board import Board
from keydiag.board.new import Plan, new_board
from keydiag.chips import chips
from keydiag.circuit import Circuit
from keydiag.faults import Fault, parse_fault, predict
from keydiag.learn import Learner, Result, free_ports, infer, listen, rest_of, write
from keydiag.learn.answers import Answer, answer_of
from keydiag.learn.infer import Learned
from keydiag.learn.order import settle
from keydiag.observe import REST, Bit, Observation
from keydiag.observe.bounce import ones
from keydiag.sources.hands import NO_SLIPS, HandScript, Slips
from keydiag.sources.virtual import VirtualSource
from keydiag.sources.virtual_half import VirtualHalf

LEFT = board.example("bramblewick-left")
RIGHT = board.example("bramblewick-right")
# Three rows of four, and two thumb keys: small enough to try every fault on.
SMALL = board.loads(
    new_board(Plan("Small", 3, 4, stagger=(6.0, 4.0, 0.0, 2.0), thumbs=(0.0, 15.0)))
)


class Wires:
    """The half as its pins see it, without time: every port of the chip is read."""

    def __init__(self, half: Board, faults: Iterable[str | Fault] = ()) -> None:
        plain = Circuit(half)
        self.half = half
        self.ports = chips()[half.chip].ports
        others = tuple(port for port in self.ports if port not in plain.pins)
        self.circuit = Circuit(half, others)
        self.faults = [
            parse_fault(self.circuit, fault) if isinstance(fault, str) else fault
            for fault in faults
        ]
        self._place = [self.circuit.index_of_port[port] for port in self.ports]
        self.rest_reading = self.reading()
        self.rest = rest_of(self.rest_reading)

    def reading(self, *held: str):
        """What the pins read with these keys held; bit and index in the order of the ports."""
        seen = predict(self.circuit, self.faults, held).as_reading()

        def mask(bits: int) -> int:
            return sum((bits >> pin & 1) << n for n, pin in enumerate(self._place))

        low = tuple(mask(seen.low[pin]) for pin in self._place)
        return type(seen)(mask(seen.rest), low)

    @property
    def looks_sound(self) -> bool:
        """True if no single press tells these faults from none (some show in chords only)."""
        sound = sound_wires(self.half.name)
        return self.rest_reading == sound.rest_reading and all(
            self.answer(key) == sound.answer(key) for key in self.half.key
        )

    def answer(self, key: str) -> Answer | None:
        """What a key answers, or None if it gives no sign."""
        now, rest = self.reading(key), self.rest_reading
        appeared = {REST: now.rest & ~rest.rest}
        appeared |= {drive: low & ~rest.low[drive] for drive, low in enumerate(now.low)}
        bits: set[Bit] = {(drive, sense) for drive, low in appeared.items() for sense in ones(low)}
        answer = answer_of(bits, self.rest)
        return answer if answer.ways else None


@cache
def sound_wires(name: str) -> Wires:
    """One of the halves above without a fault."""
    return Wires(next(half for half in (LEFT, RIGHT, SMALL) if half.name == name))


def infer_at_once(wires: Wires) -> Learned | None:
    """What is learned from a sweep in order, and single presses where they are asked for."""
    if wires.rest.high:
        return None
    half = wires.half
    own = {key: wires.answer(key) for key in half.key}
    bridged = frozenset(pins[0] for pins in wires.rest.bridged)
    sweep = [answer for answer in own.values() if answer is not None]
    alone: dict[str, Answer | None] = {}
    while (settled := settle(tuple(half.key), sweep, alone, bridged)).ask is not None:
        alone[settled.ask] = own[settled.ask]
    return infer(half.key, settled.answer, wires.rest)


def learn_at_once(
    half: Board, faults: Iterable[str | Fault] = ()
) -> tuple[Learned | None, Result | None]:
    """The same, and the board file with its diagnosis."""
    wires = Wires(half, faults)
    learned = infer_at_once(wires)
    if learned is None:
        return None, None
    seen = [Observation((), wires.rest_reading, (), 0, 1, "rest")]
    seen += [Observation((key,), wires.reading(key), (), 0, 1, "sweep") for key in half.key]
    plan = Plan("Learned", 0, 0, chip=half.chip, diode_side=half.diode_side)
    result = write(learned, half.key, wires.ports, plan, wires.rest, seen)
    return learned, result


def pins_learned(learned: Learned, ports: tuple[str, ...]) -> dict[str, tuple[str, str]]:
    """Key -> the pins of its row and of its column, as learned."""
    out = {}
    for row in learned.rows:
        for key in row.keys:
            column = next(line for line in learned.columns if key in line.keys)
            out[key] = ports[row.pin], ports[column.pin]
    return out


def learn_in_time(
    half: Board,
    faults: Iterable[str] = (),
    seed: int = 1,
    slips: Slips = NO_SLIPS,
    placed: bool = True,
    presses: int = 1000,
) -> tuple[Learner, list[str]]:
    """The learner after a session with the virtual probe, hands and bounce included, and the keys
    it has asked for alone; presses: of these the hands make so many, then they go away."""
    circuit = Circuit(half)
    virtual = VirtualHalf(circuit, [parse_fault(circuit, words) for words in faults], seed=seed)
    source = VirtualSource(virtual, HandScript.sweep(circuit.keys, seed, slips))
    asked: list[str] = []

    def hands(learner: Learner) -> None:
        if learner.phase == "alone" and learner.asked is not None:
            asked.append(learner.asked)
            if len(asked) <= presses:
                virtual.press(learner.asked, virtual.now_us + 300_000)
                virtual.release(learner.asked, virtual.now_us + 400_000)

    chip = chips()[source.open().chip]
    learner = Learner(half.key, free_ports(chip), placed)
    listen(source, learner, hands)
    source.close()
    return learner, asked


def by_pins(half: Board) -> dict[str, tuple[str, str]]:
    """Key -> the pins of its row and of its column."""
    return {
        key: (half.row[row].pin, half.column[column].pin)
        for key, (row, column) in board.crossings(half).items()
    }
