"""`python -m tests.benchmarks`: how good and how fast the diagnosis is.  See README.md."""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from keydiag.cli import collect_less
from tests.benchmarks.parts import PARTS, lot
from tests.benchmarks.tables import TABLES

CASES, QUICK = 20, 3
# A new one whenever defects were found among the draws for reporting.
REPORTING_SEED, TUNING_SEED = 5005, 1


def main(arguments: Sequence[str] | None = None) -> int:
    """Run what was asked for; 0."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument(
        "--cases", type=int, metavar="N",
        help=f"per number of faults (default {CASES}; twice 10 N clean sweeps, 5 N first builds)",
    )  # fmt: skip
    parser.add_argument("--quick", action="store_true", help=f"only {QUICK} cases each: a minute")
    parser.add_argument("--tune", action="store_true", help="the halves and draws for tuning")
    parser.add_argument("--seed", type=int, help="of the draws")
    parser.add_argument(
        "--only", action="append", choices=list(PARTS), metavar="PART",
        help=f"one of {', '.join(PARTS)}; may be given again",
    )  # fmt: skip
    parser.add_argument("--json", type=Path, metavar="FILE", help="write all figures there")
    asked = parser.parse_args(arguments)
    collect_less()  # as the command line does
    cases = asked.cases or (QUICK if asked.quick else CASES)
    if cases < 1:
        parser.error(f"--cases {cases}: give a number above 0")
    seed = asked.seed
    if seed is None:
        seed = TUNING_SEED if asked.tune else REPORTING_SEED

    for_what = "tuning" if asked.tune else "reporting"
    print(f"Halves for {for_what}, seed {seed}, {cases} cases per number of faults")
    figures: dict[str, object] = {"for": for_what, "seed": seed, "cases": cases}
    for name in asked.only or list(PARTS):
        begun = time.monotonic()
        figures[name] = PARTS[name](lot(asked.tune, seed, cases))
        print()
        print("\n".join(TABLES[name](figures[name])), flush=True)  # type: ignore[arg-type]
        print(f"{name}: {time.monotonic() - begun:.0f} s", file=sys.stderr)
    if asked.json is not None:
        asked.json.write_text(json.dumps(figures, indent=1) + "\n", "utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
