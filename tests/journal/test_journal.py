"""The journal file: what is written is what is read, and what a cut leaves behind.

Held against json (standard library) as the outside reader, and against a real kill -9.
"""

from __future__ import annotations

import errno
import io
import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from keydiag import __version__
from keydiag.circuit import Reading
from keydiag.errors import JournalError
from keydiag.journal import JOURNAL_VERSION, Journal, Writer, as_reading, read

BOARD = 'format = 1\nname = "Bramblewick"\n'
FILES = settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def begin(folder: Path, *kinds: str) -> Path:
    """A journal with one event of each of these kinds, {"n": 0}, {"n": 1}, ..."""
    path = folder / "half.jsonl"
    with Writer.create(path, BOARD) as writer:
        for n, kind in enumerate(kinds):
            writer.event(kind, n=n)
    return path


def kinds(journal: Journal) -> list[str]:
    return [event["kind"] for event in journal.events]


# --- writing and reading ---


def test_header_carries_versions_and_the_whole_board_text(tmp_path: Path) -> None:
    path = begin(tmp_path)
    assert path.read_text() == (
        '{"board":"format = 1\\nname = \\"Bramblewick\\"\\n",'
        f'"journal":{JOURNAL_VERSION},"keydiag":"{__version__}","kind":"header"}}\n'
    )
    assert read(path).board_text == BOARD


def test_every_line_is_one_json_object_with_sorted_keys(tmp_path: Path) -> None:
    path = begin(tmp_path, "press", "prompt")
    for line in path.read_text().splitlines():
        event = json.loads(line)
        assert list(event) == sorted(event)


def test_unknown_kinds_are_kept(tmp_path: Path) -> None:
    journal = read(begin(tmp_path, "hello", "never-heard-of", "end"))
    assert kinds(journal) == ["hello", "never-heard-of", "end"]
    assert journal.ended and not journal.torn


def test_a_reading_is_written_only_when_it_changed(tmp_path: Path) -> None:
    rest, held = Reading(0, (1, 2, 4)), Reading(0, (5, 2, 4))
    path = tmp_path / "j"
    with Writer.create(path, BOARD) as writer:
        assert [writer.reading(t, r) for t, r in enumerate((rest, rest, held, held, rest))] == [
            True, False, True, False, True,
        ]  # fmt: skip
    events = read(path).events
    assert events[1] == {"kind": "reading", "t": 2, "rest": "0", "low": "5 2 4"}
    assert [as_reading(e) for e in events] == [(0, rest), (2, held), (4, rest)]


def test_after_resume_the_first_reading_is_written_again(tmp_path: Path) -> None:
    rest = Reading(0, (1, 2))
    path = tmp_path / "j"
    with Writer.create(path, BOARD) as writer:
        writer.reading(10, rest)
    writer, _ = Writer.resume(path)
    with writer:
        assert writer.reading(20, rest)


def test_what_json_cannot_say_is_refused_before_anything_is_written(tmp_path: Path) -> None:
    path = begin(tmp_path)
    before = path.read_bytes()
    writer, _ = Writer.resume(path)
    with writer, pytest.raises(ValueError):
        writer.event("answer", volts=float("nan"))
    assert path.read_bytes() == before


JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.text(max_size=20)
    | st.floats(allow_nan=False, allow_infinity=False),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)  # fmt: skip
EVENTS = st.lists(
    st.tuples(st.text(min_size=1), st.dictionaries(st.text(), JSON, max_size=3)), max_size=5
)


@FILES
@given(EVENTS, st.text())
def test_whatever_is_written_comes_back(
    tmp_path_factory: pytest.TempPathFactory, events: list, board: str
) -> None:
    path = tmp_path_factory.mktemp("j") / "j"
    wanted = []
    with Writer.create(path, board) as writer:
        for kind, fields in events:
            wanted.append({**fields, "kind": kind})
            writer.append(wanted[-1])
    journal = read(path)
    assert list(journal.events) == wanted
    assert journal.board_text == board


# --- torn and damaged lines ---


@FILES
@given(st.data())
def test_cut_anywhere_only_the_torn_line_is_lost_and_resume_goes_on(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    path = begin(tmp_path_factory.mktemp("j"), "press", "press", "repair")
    whole = path.read_bytes()
    cut = data.draw(st.integers(whole.index(b"\n") + 1, len(whole)))
    path.write_bytes(whole[:cut])
    survivors = [json.loads(line)["n"] for line in whole[:cut].split(b"\n")[1:-1]]
    last = whole[:cut].rsplit(b"\n", 1)[1]
    if last and whole[cut:].startswith(b"\n"):
        survivors.append(json.loads(last)["n"])  # only its newline is missing: nothing is lost
        last = b""

    journal = read(path)
    assert [e["n"] for e in journal.events] == survivors
    assert [t.text.encode() for t in journal.torn] == ([last] if last else [])

    writer, again = Writer.resume(path)
    with writer:
        assert again == journal
        writer.event("verdict", n=99)
    after = read(path)
    assert path.read_bytes().startswith(whole[:cut])  # nothing was removed
    assert [e["n"] for e in after.events] == [*survivors, 99]
    assert [t.text for t in after.torn] == [t.text for t in journal.torn]
    assert not any(t.last for t in after.torn)


@FILES
@given(st.integers(0, 5))
def test_killed_while_the_torn_line_is_being_closed(
    tmp_path_factory: pytest.TempPathFactory, written: int
) -> None:
    path = begin(tmp_path_factory.mktemp("j"), "press")
    with path.open("ab") as file:
        file.write(b'{"kind":"pre' + b" #torn"[:written])
    Writer.resume(path)[0].close()
    journal = read(path)
    assert kinds(journal) == ["press"]
    assert [(t.line, t.last) for t in journal.torn] == [(3, False)]


def test_header_without_its_newline_is_whole(tmp_path: Path) -> None:
    path = begin(tmp_path)
    path.write_bytes(path.read_bytes()[:-1])
    writer, journal = Writer.resume(path)
    with writer:
        writer.event("press")
    assert not journal.torn and kinds(read(path)) == ["press"]


def test_torn_line_names_its_place(tmp_path: Path) -> None:
    path = begin(tmp_path, "press")
    with path.open("ab") as file:
        file.write(b'{"kind":"pr')
    (torn,) = read(path).torn
    assert (torn.line, torn.text, torn.last) == (3, '{"kind":"pr', True)


@pytest.mark.parametrize(
    "line",
    [b"", b"{", b"[1]", b'"text"', b'{"n":1}', b'{"kind":3}', b"\xff\xfe", b"\0\0\0", b"[" * 9999],
    ids=["empty", "open", "list", "text", "no-kind", "kind-3", "no-utf8", "nul", "deep"],
)
def test_damaged_line_in_the_middle_is_an_error_naming_file_and_line(
    tmp_path: Path, line: bytes
) -> None:
    path = begin(tmp_path, "press", "press")
    lines = path.read_bytes().split(b"\n")
    lines[1] = line
    path.write_bytes(b"\n".join(lines))
    with pytest.raises(JournalError, match=r"half\.jsonl: line 2: is damaged"):
        read(path)


# --- files that are no journals ---


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "line 1: has no header line"),
        (b"\n", "line 1: has no header line"),
        (b'{"board":"form', "line 1: the header line was cut short"),
        (b'{"kind":"press"}\n', "line 1: has no header line"),
        (b'{"kind":"header","journal":1}\n', "line 1: has no header line"),
        (b'{"board":"","journal":7,"kind":"header","keydiag":"9.0"}\n', "journal version 7 is"),
        (b"\x7fELF\x02\x01\n\x00", "line 1: has no header line"),
    ],
)
def test_not_a_journal(tmp_path: Path, content: bytes, said: str) -> None:
    path = tmp_path / "some.file"
    path.write_bytes(content)
    with pytest.raises(JournalError, match=said) as caught:
        read(path)
    assert "some.file" in str(caught.value) and "\n" not in str(caught.value)


def test_missing_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match=r"gone: cannot be read \(No such file"):
        read(tmp_path / "gone")
    with pytest.raises(JournalError, match="Is a directory"):
        read(tmp_path)
    with pytest.raises(JournalError, match="No such file"):
        Writer.create(tmp_path / "no" / "where", BOARD)


def test_an_existing_file_is_never_overwritten(tmp_path: Path) -> None:
    path = begin(tmp_path, "press")
    before = path.read_bytes()
    with pytest.raises(JournalError, match=r"already exists.*keydiag resume"):
        Writer.create(path, BOARD)
    assert path.read_bytes() == before


def test_full_disk_is_one_clear_line() -> None:
    """/dev/full refuses every write with ENOSPC (Linux, full(4))."""
    writer = Writer(Path("/dev/full"), open("/dev/full", "ab", buffering=0))
    with writer, pytest.raises(JournalError, match="No space left on device"):
        writer.event("press")


class NearlyFull(io.FileIO):
    """A file on a disk that takes only `room` bytes more, until somebody makes room."""

    room = 5

    def write(self, data: bytes) -> int:  # type: ignore[override]
        if self.room == 0:
            raise OSError(errno.ENOSPC, "No space left on device")
        taken = super().write(bytes(data)[: self.room])
        self.room -= taken
        return taken


def test_a_line_cut_by_a_full_disk_is_closed_when_there_is_room_again(tmp_path: Path) -> None:
    path = begin(tmp_path, "press")
    file = NearlyFull(path, "a")
    with Writer(path, file) as writer:  # type: ignore[arg-type]
        with pytest.raises(JournalError, match="No space left"):
            writer.event("prompt")
        file.room = 1000
        writer.event("answer")
    journal = read(path)
    assert kinds(journal) == ["press", "answer"]
    assert [t.line for t in journal.torn] == [3]


# --- kill -9 ---

WRITER = """
import sys
from keydiag.circuit import Reading
from keydiag.journal import Writer
writer = Writer.create(sys.argv[1], "board")
n = 0
while True:
    writer.reading(n, Reading(n % 7, tuple(range(n % 5, 20))))
    n += 1
    if n == 300:
        print("enough", flush=True)
"""


def test_kill_minus_nine_loses_at_most_the_line_being_written(tmp_path: Path) -> None:
    path = tmp_path / "killed.jsonl"
    for _ in range(3):
        path.unlink(missing_ok=True)
        child = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE, cwd=Path.cwd()
        )
        assert child.stdout is not None
        assert child.stdout.readline() == b"enough\n"
        os.kill(child.pid, signal.SIGKILL)
        assert child.wait() == -signal.SIGKILL
        child.stdout.close()
        journal = read(path)
        times = [as_reading(event)[0] for event in journal.events]
        assert times == list(range(len(times))) and len(times) >= 300
        assert len(journal.torn) <= 1
        writer, _ = Writer.resume(path)
        with writer:
            writer.event("end")
        assert read(path).ended
