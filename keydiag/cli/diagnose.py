"""keydiag diagnose: the findings of a journal, from its readings alone."""

from __future__ import annotations

import argparse

from keydiag.cli import common
from keydiag.errors import UsageError


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    parser = commands.add_parser(
        "diagnose",
        help="findings of a journal",
        description="Replays a journal and says what it shows. The same journal always gives the "
        "same findings.",
    )
    parser.add_argument("journal", metavar="JOURNAL", nargs="?", help="journal of a test")
    parser.add_argument("--json", action="store_true", help="one JSON object")
    parser.add_argument("--schema", action="store_true", help="the JSON schema of --json")
    parser.add_argument(
        "--schema-lines",
        action="store_true",
        help="the JSON schema of the lines of test, resume and demo --json-lines",
    )
    parser.add_argument(
        "--priors", metavar="FILE", help="TOML file with your own figures of how likely faults are"
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Diagnose a journal; the exit status."""
    if args.schema:
        import json

        from keydiag.diagnosis.model import Diagnosis

        print(json.dumps(Diagnosis.model_json_schema(), indent=2))
        return 0
    if args.schema_lines:
        import json

        from keydiag.report.lines import schema

        print(json.dumps(schema(), indent=2))
        return 0
    if args.journal is None:
        raise UsageError(
            "which JOURNAL? (only --schema and --schema-lines need none); "
            "see keydiag diagnose --help"
        )
    from keydiag.faults.priors import load_table
    from keydiag.report import diagnosis_lines
    from keydiag.session import replay

    table = load_table(args.priors) if args.priors is not None else None
    diagnosis = replay(common.read_journal(args.journal), table).diagnose_now()
    if args.json:
        common.print_json(diagnosis)
    else:
        print("\n".join(diagnosis_lines(diagnosis)))
    return common.status_of(diagnosis)
