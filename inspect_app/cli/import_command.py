"""``inspect-app import``: take over a list that was exported."""

from pathlib import Path

import click

from inspect_app import workflow
from inspect_app.cli._place import instance_option, opened
from inspect_app.errors import UnusableInput

EXAMPLES = """\b
Examples:
  inspect-app export instruments --output instruments.csv
  inspect-app import instruments instruments.csv --instance another-record
"""


@click.command(short_help="Take over instruments and calibrations from an exported CSV.", epilog=EXAMPLES)
@click.argument("name", metavar="LIST", type=click.Choice(["instruments"]))
@click.argument("file", type=click.Path(path_type=Path))
@instance_option
def command(name: str, file: Path, instance: Path | None) -> None:  # noqa: ARG001  # there is one list so far
    """Take over LIST from FILE, as `inspect-app export` wrote it: all of its lines, or none.

    What is known already stays as it is. Packing lists come in by `inspect-app receive`.
    """
    try:
        content = file.read_bytes()
    except OSError as error:
        raise UnusableInput(str(file), f"it cannot be read ({error.strerror})", "Name the CSV file.") from error
    with opened(instance, may_begin=True) as place:
        done = workflow.import_instruments(place, None, file.name, content)
    click.echo(f"{file.name}: {done.lines} lines, {done.instruments} new instruments, {done.calibrations} calibrations")
