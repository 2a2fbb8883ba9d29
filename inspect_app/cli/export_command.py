"""``inspect-app export``: lists of the record as files."""

import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import BinaryIO, Final

import click

from inspect_app import workflow
from inspect_app.cli._place import instance_option, opened
from inspect_app.documents.tabular import FORMATS
from inspect_app.errors import InspectError, UnusableInput

EXAMPLES: Final = """\b
Examples:
  inspect-app export devices --as csv --output devices.csv
  inspect-app export lots --as xlsx --where state=open --output open-lots.xlsx
  inspect-app export events --as json > events.json
"""


@click.command(short_help="Write a list of the record as CSV, XLSX or JSON.", epilog=EXAMPLES)
@click.argument("name", metavar="LIST", type=click.Choice(list(workflow.LISTS)))
@click.option("--as", "suffix", type=click.Choice(list(FORMATS)), default="csv", show_default=True)
@click.option("--where", "narrowed", multiple=True, metavar="NAME=TEXT", help="Narrow the list as its page does.")
@click.option("--output", type=click.Path(path_type=Path, dir_okay=False), help="File; stdout unless it is named.")
@instance_option
def command(name: str, suffix: str, narrowed: Sequence[str], output: Path | None, instance: Path | None) -> None:
    """Write LIST as it stands now, from the machine itself; whoever can run this owns the record anyway.

    Headings are the same in every format, with units; times are in ISO 8601 with zone. A text that a spreadsheet would
    take for a formula has an apostrophe before it in CSV and XLSX.
    """
    where = dict(_pair(text) for text in narrowed)
    with opened(instance) as place, tempfile.TemporaryFile() as file:
        listing, as_ = workflow.list_named(name), workflow.format_of(suffix)
        workflow.write_list(place, listing, as_, file, where=where, person=None)
        file.seek(0)
        _deliver(file, output)


def _pair(text: str) -> tuple[str, str]:
    name, is_pair, value = text.partition("=")
    if not is_pair:
        raise UnusableInput(f"--where {text}", "there is no = in it", "Write it like find=QD-004.")
    return name.strip(), value.strip()


def _deliver(file: BinaryIO, output: Path | None) -> None:
    """Copy a whole file to where it was asked for; a list that failed leaves none behind."""
    chunks = iter(lambda: file.read(1 << 20), b"")
    if output is None:
        for chunk in chunks:
            sys.stdout.buffer.write(chunk)
        return
    try:
        with output.open("wb") as target:
            target.writelines(chunks)
    except OSError as error:
        raise InspectError(str(output), f"it cannot be written ({error.strerror})", "Name another file.") from error
