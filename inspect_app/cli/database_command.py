"""``inspect-app database``: the schema of the record."""

from pathlib import Path
from typing import Final

import click

from inspect_app import workflow
from inspect_app.cli._place import instance_option, opened
from inspect_app.errors import NotAllowed

EXAMPLES: Final = """\b
Examples:
  inspect-app database check
  inspect-app database upgrade
  inspect-app database recount
"""


@click.group(short_help="Keep the schema of the record.", epilog=EXAMPLES, no_args_is_help=False)
def command() -> None:
    """Check or upgrade the schema of the record; write anew what is counted from it."""


@command.command("check", short_help="Say how the schema stands.")
@instance_option
def check(instance: Path | None) -> None:
    """Say how the schema stands; exit status 2 where it is not this program's."""
    schema = workflow.schema(instance)
    click.echo(f"The record stands at {schema.found or 'nothing yet'}; this program writes {schema.wanted}.")
    if schema.found != schema.wanted:
        raise NotAllowed("record", "its schema is another one", "Make a backup, then: inspect-app database upgrade")


@command.command("upgrade", short_help="Bring the schema to this program's.")
@instance_option
def upgrade(instance: Path | None) -> None:
    """Bring the schema to the one that this program writes; make a backup first."""
    before = workflow.upgrade_schema(instance)
    if before.found == before.wanted:
        click.echo(f"The record stands at {before.wanted} already.")
    else:
        click.echo(f"Upgraded the record from {before.found or 'nothing'} to {before.wanted}.")


@command.command("recount", short_help="Count the devices of every lot anew.")
@instance_option
def recount(instance: Path | None) -> None:
    """Count the devices of every lot anew, where verify says that a tally is wrong; nothing sealed is touched."""
    with opened(instance) as place:
        click.echo(f"{workflow.recount(place)} lots counted.")
