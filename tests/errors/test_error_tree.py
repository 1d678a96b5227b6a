"""Every error is a KeydiagError with one clear line and the exit status the manual promises."""

import pytest

from keydiag import errors
from keydiag.errors import BoardError, KeydiagError, Problem


@pytest.mark.parametrize(
    ("name", "status"),
    [
        ("KeydiagError", 2),
        ("UsageError", 2),
        ("BoardError", 2),
        ("FaultNameError", 2),
        ("JournalError", 2),
        ("PortError", 3),
        ("PortMissing", 3),
        ("PortForbidden", 3),
        ("PortBusy", 3),
        ("NotAProbe", 3),
        ("ProbeLost", 3),
        ("ProbeRefused", 3),
    ],
)
def test_exit_status(name, status):
    error = getattr(errors, name)
    assert issubclass(error, KeydiagError)
    assert error.exit_status == status


def test_tree_in_the_docstring_is_the_tree():
    tree = {
        name
        for name, value in vars(errors).items()
        if isinstance(value, type) and issubclass(value, KeydiagError)
    }
    assert all(name in errors.__doc__ for name in tree)


def test_problem_is_one_line():
    problem = Problem("half.toml", "key.L11.at (line 3)", "is missing", "write at = [0.0, 0.0]")
    assert str(problem) == "half.toml: key.L11.at (line 3): is missing; write at = [0.0, 0.0]"
    whole = Problem("half.toml", "", "the file is empty", "start one")
    assert str(whole) == "half.toml: the file is empty; start one"


def test_problem_cannot_smuggle_line_breaks_or_terminal_escapes():
    assert str(Problem("a\nb", "key.\x1b[31m", "x", "y")) == r"a\nb: key.\x1b[31m: x; y"


def test_board_error_lists_every_problem():
    error = BoardError([Problem("f", "a", "x", "y"), Problem("f", "b", "x", "y")])
    assert str(error).splitlines() == ["f: a: x; y", "f: b: x; y"]
    assert len(error.problems) == 2


def test_board_error_without_a_problem_is_a_mistake_of_ours():
    with pytest.raises(ValueError, match="at least one"):
        BoardError([])
