"""``inspect-app user``: accounts, kept at the machine itself."""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import click

from inspect_app import workflow
from inspect_app.cli._place import instance_option, opened, table
from inspect_app.errors import NotFound
from inspect_app.model import Person, Role, Scope
from inspect_app.workflow import Workplace

EXAMPLES: Final = """\b
Examples:
  inspect-app user add ines --name "Ines Example" --role inspector
  inspect-app user list
  inspect-app user password ines --random
  inspect-app user disable ines
  inspect-app user token make ines --for "bench computer 2" --scope read --scope inspect --days 90
  inspect-app user token list
  inspect-app user token revoke 3
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


@command.group("token", short_help="Keep the tokens by which programs act.", no_args_is_help=False)
def token() -> None:
    """Make, list and revoke the tokens by which programs act in the name of an account."""


@token.command("make", short_help="Make a token and print it once.")
@click.argument("login")
@click.option("--for", "name", required=True, help="What it is for.")
@click.option("--scope", "scopes", multiple=True, required=True, type=click.Choice([scope.value for scope in Scope]))
@click.option("--days", type=click.IntRange(1, workflow.LONGEST_DAYS), default=30, show_default=True)
@instance_option
def make_token(login: str, name: str, scopes: Sequence[str], days: int, instance: Path | None) -> None:
    """Make a token in the name of LOGIN and print its secret, this once, alone on stdout."""
    with opened(instance) as place:
        owner = _person(place, login)
        made = workflow.make_token(place, None, owner, name, [Scope(word) for word in scopes], days=days)
    click.echo(f"Made token {made.token.id} of {owner.login}, until {made.token.expires_at:%Y-%m-%d}", err=True)
    click.echo(made.secret)


@token.command("list", short_help="List the tokens of everybody.")
@instance_option
def list_tokens(instance: Path | None) -> None:
    """List the tokens of everybody, newest first; secrets are not kept."""
    with opened(instance) as place:
        rows = [
            (
                str(one.id),
                one.person.login,
                one.name,
                one.hint,
                " ".join(sorted(one.scopes)),
                f"{one.expires_at:%Y-%m-%d %H:%M} UTC",
                "in force" if one.is_live_at(place.clock()) else "ended",
            )
            for one in workflow.tokens(place)
        ]
    click.echo(table(("token", "login", "for", "begins with", "scope", "expires", ""), rows))


@token.command("revoke", short_help="End a token.")
@click.argument("token_id", type=int)
@instance_option
def revoke_token(token_id: int, instance: Path | None) -> None:
    """End the token of a number; see the list."""
    with opened(instance) as place:
        ended = workflow.revoke_token(place, None, token_id)
    click.echo(f"Revoked token {ended.id} of {ended.person.login}")


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
