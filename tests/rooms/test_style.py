"""What a linter says about the tree, and names of test files that pytest could mix up."""

from __future__ import annotations

import subprocess
import sys
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_the_linter_has_nothing_to_say() -> None:
    command = [sys.executable, "-m", "ruff", "check", "--output-format", "concise", "--no-cache"]
    result = subprocess.run(
        [*command, "keydiag", "tests"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert result.returncode == 0, result.stdout + result.stderr


def test_no_two_test_files_have_one_name() -> None:
    # pytest imports them by their bare name: the second would be taken for the first.
    names = Counter(path.name for path in (ROOT / "tests").rglob("test_*.py"))
    assert [name for name, count in names.items() if count > 1] == []
