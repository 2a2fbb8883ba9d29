"""``inspect-app verify``: prove the record against its own digests, or documents against their seal and the record."""

import json
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import asdict
from pathlib import Path
from typing import Final

import click

from inspect_app import workflow
from inspect_app.cli._place import has_record, instance_option, opened, table
from inspect_app.errors import Damaged
from inspect_app.workflow import VerifyReport

_FILE: Final = click.Path(path_type=Path, exists=True, dir_okay=False)
_MARKS: Final = {True: "yes", False: "NO", None: "-"}
EXAMPLES: Final = """\b
Examples:
  inspect-app verify
  inspect-app verify --json
  inspect-app verify C-2026-0001.pdf
  inspect-app verify C-2026-0001.pdf --authority issuer.pem
"""


@click.command(short_help="Prove the record, or documents.", epilog=EXAMPLES)
@click.argument(
    "files", nargs=-1, type=click.Path(path_type=Path, exists=True, dir_okay=False), metavar="[FILE.pdf]..."
)
@click.option(
    "--authority",
    "authorities",
    multiple=True,
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Certificate (PEM) of an issuer to trust, beside that of the record.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@instance_option
def command(
    files: tuple[Path, ...],
    authorities: tuple[Path, ...],
    as_json: bool,  # noqa: FBT001 (click hands flags over so)
    instance: Path | None,
) -> None:
    """Prove that nothing was changed: in the record, or in documents, whole files in their hands.

    Without a file, the audit chain is recomputed with every row that it seals, and every kept file and document is read
    again. Note the seal elsewhere: a record that was cut at its end still agrees with itself, but ends in another seal.

    With files, each is proved by its own signature, without any network, and compared with the record where there is
    one: the bytes, the measurements inside, and whether the document was superseded or revoked.

    Exit status 0: all agrees. 1: something was changed, or a document stands no longer; it is named.
    """
    if files:
        _prove_files(
            files, [path.read_bytes().decode("ascii", "replace") for path in authorities], instance, as_json=as_json
        )
        return
    with opened(instance) as place:
        report = workflow.verify(place)
    click.echo(json.dumps(asdict(report)) if as_json else _told(report))
    if report.problems:
        count = len(report.problems)
        raise Damaged("record", f"{count} problem{'s' * (count > 1)} found", "Restore the last backup that verifies.")


def _prove_files(files: Sequence[Path], authorities: Sequence[str], instance: Path | None, *, as_json: bool) -> None:
    with ExitStack() as stack:
        place = stack.enter_context(opened(instance)) if has_record(instance) else None
        proofs = {str(path): workflow.prove_file(place, path.name, path.read_bytes(), authorities) for path in files}
    if as_json:
        click.echo(json.dumps({path: [asdict(line) for line in lines] for path, lines in proofs.items()}))
    else:
        for path, lines in proofs.items():
            click.echo(path)
            click.echo(
                table(("", "", ""), [(_MARKS[line.holds], line.question, line.said) for line in lines]).strip("\n")
            )
    failed = [path for path, lines in proofs.items() if any(line.holds is False for line in lines)]
    if failed:
        raise Damaged(", ".join(failed), "not every proof holds", "Ask the issuer for the document as it was issued.")


def _told(report: VerifyReport) -> str:
    lines = list(report.problems)
    lines.append(", ".join(f"{count} {name}" for name, count in report.counts.items()))
    lines.append(f"Seal of the record: {report.head}")
    if not report.problems:
        lines.append("All agrees.")
    return "\n".join(line for line in lines if line)
