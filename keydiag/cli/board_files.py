"""What the board actions share: writing files that are never overwritten by accident.

Everything heavy is imported inside the functions.
"""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

from keydiag.errors import UsageError


def add_force(parser: argparse.ArgumentParser) -> None:
    """The option that lets a file be replaced."""
    parser.add_argument("--force", action="store_true", help="replace files that exist")


def write_new(path: str | Path, data: str | bytes, force: bool) -> None:
    """Write a file that is not there yet, or replace it if forced; "-" is standard output.

    A file that exists stays as it is until the new one is complete. UsageError if it exists and
    may not be replaced, or cannot be written.
    """
    raw = data.encode("utf-8") if isinstance(data, str) else data
    if str(path) == "-":
        sys.stdout.flush()
        sys.stdout.buffer.write(raw)
        sys.stdout.buffer.flush()
        return
    path = Path(path)
    check_new(path, force)
    fresh = path.with_name(f".{path.name}.{os.getpid()}.new") if force else path
    try:
        with open(fresh, "xb") as file:
            file.write(raw)
        if force:
            os.replace(fresh, path)
    except FileExistsError as error:
        raise UsageError(_exists(path)) from error
    except (OSError, ValueError) as error:
        if force:
            fresh.unlink(missing_ok=True)
        why = getattr(error, "strerror", None) or error
        raise UsageError(f"{path}: cannot be written ({why}); give another name") from error


def check_new(path: str | Path, force: bool) -> None:
    """UsageError if the file exists and may not be replaced: to say so before the work."""
    if str(path) != "-" and not force and Path(path).exists():
        raise UsageError(_exists(path))


def _exists(path: str | Path) -> str:
    return f"{path}: already exists; give another name, or --force to replace it"


def read_file(path: str, what: str) -> str:
    """The text of a file that the builder named; "-" is standard input. UsageError if it cannot
    be read."""
    if path == "-":
        return sys.stdin.read()
    try:
        return Path(path).read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise UsageError(f"{path}: is not UTF-8 text; save {what} as UTF-8") from error
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise UsageError(f"{path}: cannot be read ({why}); check the name of {what}") from error
