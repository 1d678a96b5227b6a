"""The rooms of keydiag/: imports run one way, and the pure core touches no clock, port or file.

Every module is parsed, none is imported.  The order below is the map of the program: a module may
import its own room and the rooms listed before it.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import networkx as nx
import pytest

import keydiag

# Room -> its modules; a package stands for all that is in it.
ROOMS = {
    "package": ("__init__",),
    "errors": ("errors",),
    "chips": ("resources", "chips"),
    "board": ("board",),
    "circuit": ("circuit",),
    "faults": ("faults",),
    "wire": ("wire",),
    "journal": ("journal",),
    "sources": ("sources",),
    "install": ("install",),
    "observe": ("observe",),
    "diagnosis": ("diagnosis",),
    "contacts": ("contacts",),
    "session": ("session", "bench"),
    "drawing": ("drawing",),
    "report": ("report", "plain", "precheck", "learn"),
    "screen": ("screen",),
    "cli": ("cli", "__main__"),
}  # fmt: skip

PURE = ("circuit", "faults", "wire", "observe", "diagnosis", "contacts")
# Clocks, ports, files, other processes, chance: the same question must have the same answer.
IMPURE = {
    "asyncio", "datetime", "io", "logging", "multiprocessing", "os", "pathlib", "random", "secrets",
    "select", "selectors", "serial", "shutil", "signal", "socket", "subprocess", "sys", "tempfile",
    "termios", "textual", "threading", "time", "uuid",
}  # fmt: skip
IMPURE_CALLS = {"open", "print", "input"}
# (module, import) -> why it is needed all the same.
NEEDED = {
    ("faults.priors", "pathlib"): "reads the builder's own table of priors, once, when asked to",
}
# Libraries of the edge, and the one room that may know them.
EDGE = {"serial": "sources", "reportlab": "drawing", "textual": "screen"}

Sources = dict[str, str]  # module name below keydiag ("faults.priors") -> its text


def sources() -> Sources:
    root = Path(keydiag.__file__).parent
    out = {}
    for path in sorted(root.rglob("*.py")):
        parts = path.relative_to(root).with_suffix("").parts
        name = ".".join(parts[:-1] if len(parts) > 1 and parts[-1] == "__init__" else parts)
        out[name] = path.read_text("utf-8")
    return out


def room_of(module: str) -> str | None:
    top = module.split(".")[0]
    return next((room for room, modules in ROOMS.items() if top in modules), None)


def imports(module: str, tree: ast.AST, known: Sources) -> Iterator[tuple[str, bool, int]]:
    """(what, whether it is ours, line) of every import in the tree."""
    package = known_package(module, known)
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                above = package.split(".")[: len(package.split(".")) - node.level + 1]
                base = ".".join([*above, base]).strip(".")
            names = [f"{base}.{alias.name}" for alias in node.names]
        else:
            continue
        for name in names:
            top, _, rest = name.partition(".")
            if top != "keydiag":
                yield top, False, node.lineno
                continue
            while rest and rest not in known:  # a name in a module: the module is meant
                rest = rest.rpartition(".")[0]
            yield rest or "__init__", True, node.lineno


def known_package(module: str, known: Sources) -> str:
    is_package = any(other.startswith(module + ".") for other in known)
    inner = module if is_package else module.rpartition(".")[0]
    return f"keydiag.{inner}".rstrip(".")


def problems(known: Sources) -> list[str]:
    """Everything that breaks the map, one line each."""
    order = list(ROOMS)
    found = []
    for module, text in known.items():
        file = f"keydiag/{module.replace('.', '/')}"
        room = room_of(module)
        if room is None:
            found.append(
                f"{file}: belongs to no room; add it to ROOMS in tests/rooms/test_imports.py,"
                " where its imports let it stand"
            )
            continue
        tree = ast.parse(text)
        for name, ours, line in imports(module, tree, known):
            where = f"{file}, line {line}"
            if ours:
                theirs = room_of(name)
                if theirs is not None and order.index(theirs) > order.index(room):
                    found.append(f"{where}: {room} imports {name} of {theirs}, which comes later")
            elif room in PURE and name in IMPURE and (module, name) not in NEEDED:
                found.append(f"{where}: {room} is pure and may not import {name}")
            elif EDGE.get(name, room) != room:
                found.append(f"{where}: only {EDGE[name]} may import {name}")
        if room in PURE:
            for node in ast.walk(tree):
                called = node.func.id if is_plain_call(node) else None
                if called in IMPURE_CALLS:
                    found.append(f"{file}, line {node.lineno}: {room} is pure and calls {called}()")
    return found


def is_plain_call(node: ast.AST) -> bool:
    return isinstance(node, ast.Call) and isinstance(node.func, ast.Name)


def at_import_time(tree: ast.Module) -> ast.Module:
    """The module without the bodies of its functions, whose imports come later."""

    class Shell(ast.NodeTransformer):
        def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
            return None

        visit_AsyncFunctionDef = visit_FunctionDef  # type: ignore[assignment]

    return Shell().visit(tree)


def rings(known: Sources) -> list[list[str]]:
    """Modules that import each other in a ring while they are being loaded."""
    graph = nx.DiGraph()
    for module, text in known.items():
        for name, ours, _ in imports(module, at_import_time(ast.parse(text)), known):
            if ours and name != module:
                graph.add_edge(module, name)
    return [sorted(ring) for ring in nx.strongly_connected_components(graph) if len(ring) > 1]


def test_imports_run_one_way():
    assert problems(sources()) == []


def test_no_modules_load_each_other():
    assert rings(sources()) == []


def test_every_exception_is_still_needed():
    known = sources()
    for module, name in NEEDED:
        used = {each for each, ours, _ in imports(module, ast.parse(known[module]), known)}
        assert name in used, f"{module} no longer imports {name}: take it out of NEEDED"


@pytest.mark.parametrize(("module", "text", "told"), [
    ("circuit", "from keydiag.journal import Journal", "circuit imports journal of journal"),
    ("circuit", "def f():\n    import keydiag.cli", "circuit imports cli of cli"),
    ("circuit", "from keydiag import faults", "circuit imports faults of faults"),
    ("faults.kinds", "from ..diagnosis import search", "faults imports diagnosis of diagnosis"),
    ("errors", "import keydiag.chips as c", "errors imports chips of chips"),
    ("circuit", "import time", "circuit is pure and may not import time"),
    ("faults.kinds", "from os import path", "faults is pure and may not import os"),
    ("diagnosis.search", "import random", "diagnosis is pure and may not import random"),
    ("wire", "x = open('a')", "wire is pure and calls open()"),
    ("report", "import serial.tools.list_ports", "only sources may import serial"),
    ("cli", "from textual.app import App", "only screen may import textual"),
    ("kitchen", "", "belongs to no room; add it to ROOMS"),
])  # fmt: skip
def test_what_breaks_the_map_is_told(module, text, told):
    known = dict.fromkeys(
        ["__init__", "cli", "chips", "journal", "faults", "faults.kinds", "diagnosis"], ""
    )
    (line,) = problems({**known, module: text})
    assert told in line


def test_what_keeps_the_map_is_not():
    known = dict.fromkeys(["__init__", "errors", "board", "faults", "faults.kinds", "cli"], "")
    known |= {
        "circuit": "import math\nfrom keydiag.board import Board\nfrom keydiag import __version__",
        "faults": "from keydiag.faults.kinds import Fault\nfrom keydiag import circuit",
        "cli": "import os, sys\nimport keydiag.circuit",
    }
    assert problems(known) == []
    assert rings(known) == []


def test_a_ring_is_found():
    known = {
        "board": "from keydiag import board_check",
        "board_check": "from keydiag.board import Board",
        "chips": "def f():\n    from keydiag import resources",
        "resources": "from keydiag.chips import chips",
    }
    assert rings(known) == [["board", "board_check"]]
