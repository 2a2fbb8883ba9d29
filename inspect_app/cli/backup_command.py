"""``inspect-app backup``: the record with all its files in one archive."""

from pathlib import Path
from typing import Final

import click

from inspect_app import workflow
from inspect_app.cli._place import instance_option, opened

EXAMPLES: Final = """\b
Examples:
  inspect-app backup /media/stick/inspection-2026-11-25.zip
"""


@click.command(short_help="Write the record with all its files into one archive.", epilog=EXAMPLES)
@click.argument("target", type=click.Path(path_type=Path))
@instance_option
def command(target: Path, instance: Path | None) -> None:
    """Write one moment of the record with all its files into TARGET, a ZIP archive; work may go on meanwhile.

    It holds the hashes of passwords: keep it where only the keepers of the record reach it.
    """
    with opened(instance) as place:
        written = workflow.back_up(place, target)
    click.echo(f"Wrote {written} ({written.stat().st_size / 1e6:.1f} MB)")
