"""``inspect-app restore``: bring a backup back."""

from pathlib import Path
from typing import Final

import click

from inspect_app import workflow
from inspect_app.cli._place import instance_option, opened
from inspect_app.errors import Damaged

EXAMPLES: Final = """\b
Examples:
  inspect-app restore inspection-2026-11-25.zip --instance /srv/inspection
"""


@click.command(short_help="Bring a backup back into an empty folder.", epilog=EXAMPLES)
@click.argument("archive", type=click.Path(path_type=Path))
@instance_option
def command(archive: Path, instance: Path | None) -> None:
    """Bring ARCHIVE back into a folder that holds no record yet, and verify it there.

    With INSPECT_APP_DATABASE_URL set, the rows go into that empty database.
    """
    settings = workflow.read_settings(instance=instance)
    folder = workflow.restore(archive, settings.instance, settings.given_database_url)
    with opened(folder, may_begin=True) as place:
        for issued in workflow.issued_documents(place):
            workflow.document_path(place, issued.document)
        report = workflow.verify(place)
    if report.problems:
        raise Damaged(str(archive), report.problems[0], "Use another backup.")
    click.echo(f"Restored into {folder}: {', '.join(f'{count} {name}' for name, count in report.counts.items())}")
