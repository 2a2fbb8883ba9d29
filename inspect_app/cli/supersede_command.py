"""``inspect-app supersede``: issue a document anew in place of one that is printed wrongly."""

from pathlib import Path
from typing import Final

import click

from inspect_app import workflow
from inspect_app.cli._place import instance_option, opened, person_options, reason_option, signed_in

EXAMPLES: Final = """\b
Examples:
  inspect-app supersede C-2026-0001 --as ada --reason "the address of the issuer was wrong"
"""


@click.command(short_help="Issue a document anew in place of one that is printed wrongly.", epilog=EXAMPLES)
@click.argument("number")
@reason_option
@person_options
@instance_option
def command(number: str, reason: str, login: str, password: str, instance: Path | None) -> None:
    """Make a document anew from the same record, under the next number; both name the other, with the reason.

    What is measured and judged stays as it was signed. A document whose inspection was wrong is revoked instead.
    """
    with opened(instance) as place:
        document = workflow.supersede_document(place, signed_in(place, login, password), number, reason)
        click.echo(f"{document.number} supersedes {number.strip().upper()}: {workflow.document_path(place, document)}")
