"""What the commands of the record share: the opened workplace, and the person who acts."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import click

from inspect_app import workflow
from inspect_app.errors import InspectError, NotFound
from inspect_app.model import Person
from inspect_app.workflow import Workplace

Command = TypeVar("Command", bound=Callable[..., Any])


def instance_option(command: Command) -> Command:
    """Add ``--instance``: the folder of the record."""
    return click.option(
        "--instance",
        type=click.Path(path_type=Path, file_okay=False),
        help="Folder of the record; ./instance in a checkout unless INSPECT_APP_INSTANCE says otherwise.",
    )(command)


def person_options(command: Command) -> Command:
    """Add ``--as`` and the password behind it, which is asked for or taken from the environment."""
    command = click.option(
        "--password",
        envvar="INSPECT_APP_PASSWORD",
        hidden=True,
        prompt="Password",
        hide_input=True,
    )(command)
    return click.option("--as", "login", required=True, metavar="LOGIN", help="Who acts; the password is asked for.")(
        command
    )


def has_record(instance: Path | None) -> bool:
    """Say whether there is a record to open."""
    settings = workflow.read_settings(instance=instance)
    return settings.given_database_url is not None or settings.record_path.exists()


def reason_option(command: Command) -> Command:
    """Add ``--reason``: why a document stands no longer."""
    return click.option("--reason", required=True, help="Shown under the number of the document for good.")(command)


@contextmanager
def opened(instance: Path | None, *, may_begin: bool = False) -> Iterator[Workplace]:
    """Open the workplace for one command; only some may begin a new record.

    Raises
    ------
    NotFound
        There is no record yet.
    """
    if not may_begin and not has_record(instance):
        folder = workflow.read_settings(instance=instance).instance
        raise NotFound(str(folder), "it holds no record", "Name its folder with --instance.")
    place = workflow.open_workplace(instance)
    try:
        yield place
    finally:
        workflow.close_workplace(place)


def signed_in(place: Workplace, login: str, password: str) -> Person:
    """Return the person who acts."""
    return workflow.sign_in(place, login, password)


def write_file(path: Path, content: bytes) -> None:
    """Write a file that somebody asked for by name."""
    try:
        path.write_bytes(content)
    except OSError as error:
        reason = f"it cannot be written ({error.strerror or error})"
        raise InspectError(str(path), reason, "Name another file.") from error


def table(headings: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Lay texts out in columns."""
    lines = [headings, *rows]
    widths = [max(len(line[column]) for line in lines) for column in range(len(headings))]
    return "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip() for line in lines
    )
