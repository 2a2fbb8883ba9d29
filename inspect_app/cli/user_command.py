"""``inspect-app user``: accounts, kept at the machine itself."""

from pathlib import Path
from typing import Final

import click

from inspect_app import workflow
from inspect_app.cli._place import instance_option, opened, table
from inspect_app.errors import NotFound
from inspect_app.model import Person, Role
from inspect_app.workflow import Workplace

EXAMPLES: Final = """\b
Examples:
  inspect-app user add ines --name "Ines Example" --role inspector
  inspect-app user list
  inspect-app user password ines --random
  inspect-app user disable ines
"""
_ASKED: Final = "The new password is asked for twice, or taken from INSPECT_APP_NEW_PASSWORD."


@click.group(short_help="Keep the accounts.", epilog=EXAMPLES, no_args_is_help=False)
def command() -> None:
    """Keep the accounts from the machine itself; whoever can run this owns the record anyway."""


@command.command("add", short_help="Add an account.", help=f"Add an account for LOGIN. {_ASKED}")
@click.argument("login")
@click.option("--name", required=True, help="Name as printed on documents.")
@click.option("--role", required=True, type=click.Choice([role.value for role in Role]))
@click.option("--random", "is_random", is_flag=True, help="Make a random password and print it once.")
@instance_option
def add(login: str, name: str, role: str, is_random: bool, instance: Path | None) -> None:  # noqa: FBT001 (click)
    """Add an account."""
    password = _new_password(is_random=is_random)
    with opened(instance, may_begin=True) as place:
        person = workflow.add_account(place, None, login, name, Role(role), password)
    click.echo(f"Added {person.login} ({person.role.value})" + (f", password {password}" if is_random else ""))


@command.command("list", short_help="List the accounts.")
@instance_option
def show(instance: Path | None) -> None:
    """List the accounts."""
    with opened(instance) as place:
        people = workflow.accounts(place)
    rows = [(one.login, one.name, one.role.value, "" if one.is_active else "disabled") for one in people]
    click.echo(table(("login", "name", "role", ""), rows))


@command.command("password", short_help="Set a password.", help=f"Set the password of LOGIN. {_ASKED}")
@click.argument("login")
@click.option("--random", "is_random", is_flag=True, help="Make a random password and print it once.")
@instance_option
def password(login: str, is_random: bool, instance: Path | None) -> None:  # noqa: FBT001 (click)
    """Set a password."""
    with opened(instance) as place:
        person = _person(place, login)
        chosen = _new_password(is_random=is_random)
        workflow.set_password(place, None, person.id, chosen)
    click.echo(f"Set the password of {person.login}" + (f": {chosen}" if is_random else ""))


@command.command("disable", short_help="Let an account sign in no longer.")
@click.argument("login")
@instance_option
def disable(login: str, instance: Path | None) -> None:
    """Let LOGIN sign in no longer; what it did stays in the record under its name."""
    with opened(instance) as place:
        person = workflow.set_active(place, None, _person(place, login).id, is_active=False)
    click.echo(f"Disabled {person.login}")


@command.command("enable", short_help="Let an account sign in again.")
@click.argument("login")
@instance_option
def enable(login: str, instance: Path | None) -> None:
    """Let LOGIN sign in again."""
    with opened(instance) as place:
        person = workflow.set_active(place, None, _person(place, login).id, is_active=True)
    click.echo(f"Enabled {person.login}")


def _person(place: Workplace, login: str) -> Person:
    for person in workflow.accounts(place):
        if person.login == login.strip().lower():
            return person
    raise NotFound(f"login {login}", "there is no such account", "See inspect-app user list.")


def _new_password(*, is_random: bool) -> str:
    if is_random:
        return workflow.new_password()
    given = workflow.password_in_environment()
    if given is not None:
        return given
    typed: str = click.prompt("New password", hide_input=True, confirmation_prompt=True)
    return typed
