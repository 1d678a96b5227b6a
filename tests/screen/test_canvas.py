"""Cells: areas of quarters, fine lines, text."""

from __future__ import annotations

from keydiag.screen.canvas import NOBODY, Canvas
from keydiag.screen.palette import Paint

ROLES = ("good", "silent")


def shown(canvas: Canvas, mode: str = "dark") -> list[str]:
    return [
        "".join(canvas.cell(x, y, ROLES, mode)[0] for x in range(canvas.width))
        for y in range(canvas.height)
    ]


def test_a_box_of_half_rows_shows_as_half_blocks():
    canvas = Canvas(3, 2)
    canvas.fill_box(0, 2, 1, 2, 2)
    assert shown(canvas) == [" ▄ ", " ▀ "]
    assert canvas.cell(1, 0, ROLES, "dark")[1] == Paint("good", "paper")


def test_two_areas_share_a_cell():
    canvas = Canvas(1, 1)
    canvas.fill_box(0, 0, 0, 2, 1)
    canvas.fill_box(1, 0, 1, 2, 1)
    char, paint = canvas.cell(0, 0, ROLES, "dark")
    assert (char, paint.ink, paint.ground) == ("▀", "good", "silent")


def test_an_area_does_not_take_what_another_has():
    canvas = Canvas(1, 1)
    canvas.fill_box(0, 0, 0, 1, 2)
    canvas.fill_box(1, 0, 0, 2, 2)
    assert canvas.owners_of(0, 0) == (0, 1, 0, 1)
    canvas.fill_box(1, 0, 0, 2, 2, over=True)
    assert canvas.owners_of(0, 0) == (1, 1, 1, 1)


def test_a_turned_square_fills_quarters_by_their_centres():
    canvas = Canvas(4, 2)
    canvas.fill_polygon(0, ((2, 0), (4, 1), (2, 2), (0, 1)))
    assert shown(canvas) == ["▗▟▙▖", "▝▜▛▘"]


def test_what_lies_outside_is_cut():
    canvas = Canvas(2, 1)
    canvas.fill_box(0, -5, -5, 50, 50)
    canvas.write(-1, 0, "abcd", Paint())
    canvas.write(0, 7, "below", Paint())
    assert shown(canvas) == ["bc"]


def test_a_line_is_drawn_in_dots_and_text_covers_it():
    canvas = Canvas(3, 1)
    canvas.line([(0.0, 0.1), (2.99, 0.1)], "row")
    assert shown(canvas) == ["⠉⠉⠉"]
    canvas.write(1, 0, "x", Paint())
    assert shown(canvas) == ["⠉x⠉"]


def test_a_line_takes_the_ink_of_the_area_it_runs_over():
    canvas = Canvas(2, 1)
    canvas.fill_box(0, 2, 0, 2, 2)
    canvas.line([(0.0, 0.1), (1.99, 0.1)], "row")
    assert canvas.cell(0, 0, ROLES, "dark")[1] == Paint("row", "paper")
    assert canvas.cell(1, 0, ROLES, "dark")[1] == Paint("good-ink", "good")


def test_dashes_leave_cells_out():
    canvas = Canvas(6, 1)
    canvas.line([(0.0, 0.1), (5.9, 0.1)], "row", dash=(1.0, 2.0))
    assert [char != " " for char in shown(canvas)[0]] == [True, False, False, True, False, False]


def test_without_colour_only_loud_areas_show():
    canvas = Canvas(2, 1)
    canvas.fill_box(0, 0, 1, 2, 1)  # good: its sign says so
    canvas.fill_box(1, 2, 1, 2, 1)  # silent: wants the eyes
    assert shown(canvas, "plain") == [" ▄"]


def test_the_ground_of_the_terminal_is_never_an_ink():
    """The terminal's own ground has no name among the inks: a half block in it would show the
    colour of the text."""
    canvas = Canvas(1, 1)
    canvas.fill_box(0, 0, 0, 1, 1)
    assert canvas.owners_of(0, 0).count(NOBODY) == 3
    char, paint = canvas.cell(0, 0, ROLES, "named")
    assert (char, paint.ink, paint.ground) == ("▘", "good", "paper")
