"""The one error tree of keydiag.

::

    KeydiagError            exit status 2: bad input or usage
    ├── UsageError          an option or argument makes no sense: "--idle -3"
    ├── BoardError          the board file has problems; carries every one of them
    ├── FaultNameError      --fault "L23 doide reversed" names nothing on this board
    ├── JournalError        the journal cannot be read, or not written
    └── PortError           exit status 3: serial port or probe trouble
        ├── PortMissing     no such port, or the cable was never plugged in
        ├── PortForbidden   the port is there, but this user may not open it
        ├── PortBusy        another program has the port open
        ├── NotAProbe       something answers (or nothing does), but it is no probe of ours
        ├── ProbeLost       the probe went away while we were using it
        └── ProbeRefused    the probe speaks another protocol version, or said no

``str(error)`` is what the builder reads: one clear line naming the file or port, the place,
what is wrong and the mend (a BoardError has one such line per problem). Only the command line
prints them and picks the exit status. Corrupt serial bytes are no errors: they are counted
values (see wire/). Any other exception that escapes from keydiag is a bug.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

EXIT_BAD_INPUT = 2  # bad input or usage
EXIT_PORT = 3  # port or probe trouble


@dataclass(frozen=True, slots=True)
class Problem:
    """One mistake in a file: where it is, what is wrong, and how to mend it.

    ``place`` reads like ``row.R2.path[3] (line 14)``; empty when the whole file is meant.
    """

    file: str
    place: str
    wrong: str
    mend: str

    def __str__(self) -> str:
        where = f"{self.file}: {self.place}" if self.place else self.file
        text = f"{where}: {self.wrong}; {self.mend}"
        # One printable line, whatever was quoted from the file: no line breaks and no escape
        # sequences for the terminal.
        return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)


class KeydiagError(Exception):
    """Base of every error that keydiag raises on purpose; ``str()`` is fit to be shown."""

    exit_status: int = EXIT_BAD_INPUT


class UsageError(KeydiagError):
    """The command was called in a way that makes no sense."""


class BoardError(KeydiagError):
    """The board file cannot be used. ``problems`` lists all that was found, in file order."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(problems)
        if not self.problems:
            raise ValueError("a BoardError needs at least one problem")
        super().__init__(self.problems)

    def __str__(self) -> str:
        return "\n".join(str(problem) for problem in self.problems)


class FaultNameError(KeydiagError):
    """A fault was asked for by a name that means nothing on this board."""


class JournalError(KeydiagError):
    """The journal cannot be read as a journal, or cannot be written."""


class PortError(KeydiagError):
    """Base of everything between us and the probe."""

    exit_status = EXIT_PORT


class PortMissing(PortError):
    """No such port: not plugged in, a charge-only cable, or a wrong name."""


class PortForbidden(PortError):
    """The port exists, but the user lacks the permission to open it."""


class PortBusy(PortError):
    """Another program has the port open."""


class NotAProbe(PortError):
    """The port opened, but what is on it does not speak the probe's protocol."""


class ProbeLost(PortError):
    """The probe stopped answering, or was unplugged, in the middle of the work."""


class ProbeRefused(PortError):
    """The probe answered, but a request or a protocol version was refused."""
