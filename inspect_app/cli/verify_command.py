"""``inspect-app verify``: prove the record against its own digests."""

import json
from dataclasses import asdict
from pathlib import Path
from typing import Final

import click

from inspect_app import workflow
from inspect_app.cli._place import instance_option, opened
from inspect_app.errors import Damaged
from inspect_app.workflow import VerifyReport

EXAMPLES: Final = """\b
Examples:
  inspect-app verify
  inspect-app verify --json
"""


@click.command(short_help="Prove that nothing in the record was changed.", epilog=EXAMPLES)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@instance_option
def command(as_json: bool, instance: Path | None) -> None:  # noqa: FBT001 (click hands flags over so)
    """Recompute the audit chain with every row that it seals, and read every kept file and document again.

    Exit status 0: all agrees. 1: something was changed, and is named. Note the seal elsewhere: a record that was cut at
    its end still agrees with itself, but ends in another seal.
    """
    with opened(instance) as place:
        report = workflow.verify(place)
    click.echo(json.dumps(asdict(report)) if as_json else _told(report))
    if report.problems:
        count = len(report.problems)
        raise Damaged("record", f"{count} problem{'s' * (count > 1)} found", "Restore the last backup that verifies.")


def _told(report: VerifyReport) -> str:
    lines = list(report.problems)
    lines.append(", ".join(f"{count} {name}" for name, count in report.counts.items()))
    lines.append(f"Seal of the record: {report.head}")
    if not report.problems:
        lines.append("All agrees.")
    return "\n".join(line for line in lines if line)
