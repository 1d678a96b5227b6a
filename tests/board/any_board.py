"""Any board: a hypothesis strategy for the property tests of boards, pictures and readings."""

from hypothesis import strategies as st

from keydiag import board
from keydiag.board import Board, Key, Line

text = st.text(st.characters(codec="utf-8", categories=["L", "N", "P", "S", "Zs"]), max_size=12)


@st.composite
def boards(draw):
    """Full or holey grids with random branches, names, legends and turns."""
    rows, columns = draw(st.integers(1, 4)), draw(st.integers(1, 5))
    crossings = [(r, c) for r in range(rows) for c in range(columns)]
    kept = draw(st.lists(st.sampled_from(crossings), min_size=1, unique=True))
    prefix = draw(st.sampled_from(["L", "k-", "ключ", "Ä_"]))
    number = st.floats(-0.5, 0.5, allow_nan=False)
    keys = {
        f"{prefix}{r}x{c}": Key(
            at=(c * 19.05 + draw(number), r * 19.05 + draw(number)),
            turn=draw(st.sampled_from([0.0, -0.0, 12.5, -30.0, 90.0])),
            size=draw(st.sampled_from([(18.0, 18.0), (27.0, 18.0)])),
            legend=draw(text),
        )
        for r, c in kept
    }
    ports = ["PD1", "PD0", "PD4", "PC6", "PF4", "PF5", "PF6", "PF7", "PB4"]

    def line(names):
        path = []
        for name in draw(st.permutations(names)):
            branch = bool(path) and draw(st.booleans())
            path.append([name] if branch else name)
        neighbours = [pair for pair in board.walk(path) if pair[0] is not None]
        splice = draw(st.lists(st.sampled_from(neighbours), unique=True)) if neighbours else []
        style = draw(st.sampled_from(["chain", "through"]))
        return Line(pin=ports.pop(), style=style, path=path, splice=splice)

    def lines(letter, index, count):
        on = {n: [f"{prefix}{r}x{c}" for r, c in kept if (r, c)[index] == n] for n in range(count)}
        return {f"{letter}{n}": line(names) for n, names in on.items() if names}

    return Board(
        format=1,
        name=draw(text.filter(lambda each: each.strip() and each.isprintable())),
        chip="atmega32u4",
        cathode_at=draw(st.sampled_from(["row", "column"])),
        diode_side=draw(st.sampled_from(["row", "column"])),
        row=lines("R", 0, rows),
        column=lines("C", 1, columns),
        key=keys,
    )
