"""``inspect-app revoke``: declare that a document stands no longer."""

from pathlib import Path
from typing import Final

import click

from inspect_app import workflow
from inspect_app.cli._place import instance_option, opened, person_options, reason_option, signed_in

EXAMPLES: Final = """\b
Examples:
  inspect-app revoke C-2026-0001 --as ada --reason "the address of the issuer was wrong"
"""


@click.command(short_help="Declare that a document stands no longer.", epilog=EXAMPLES)
@click.argument("number")
@reason_option
@person_options
@instance_option
def command(number: str, reason: str, login: str, password: str, instance: Path | None) -> None:
    """Withdraw a document; it stays readable under its number, with the reason.

    Its inspection may then be taken up again, and signed and approved anew.
    """
    with opened(instance) as place:
        document = workflow.revoke_document(place, signed_in(place, login, password), number, reason)
        click.echo(f"{document.number} is revoked.")
