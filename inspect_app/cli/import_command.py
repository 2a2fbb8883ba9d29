"""``inspect-app import``: take over a list that was exported."""

from pathlib import Path

import click

from inspect_app import workflow
from inspect_app.cli._place import instance_option, opened
from inspect_app.errors import UnusableInput
from inspect_app.workflow import Imported, LineState

EXAMPLES = """\b
Examples:
  inspect-app export instruments --output instruments.csv
  inspect-app import instruments instruments.csv --instance another-record --preview
  inspect-app import arrivals arrivals.csv --instance another-record
"""
_LISTS = f"""\b
Lists, in the order in which they need each other:
  {", ".join(workflow.IMPORTS)}

What follows from captures and signatures (results, verdicts, documents, …) is not imported; the command says why, and
what to do. Packing lists come in by `inspect-app receive`.
"""


@click.command(
    short_help="Take over a list from an exported CSV: all of its lines, or none.", epilog=f"{_LISTS}\n{EXAMPLES}"
)
@click.argument("name", metavar="LIST", type=click.Choice([*workflow.IMPORTS, *workflow.NOT_IMPORTED]))
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--preview", "is_trial", is_flag=True, help="Say what would become of each line, and keep nothing.")
@instance_option
def command(name: str, file: Path, is_trial: bool, instance: Path | None) -> None:  # noqa: FBT001 (click hands flags over so)
    """Take over LIST from FILE, as `inspect-app export` wrote it: all of its lines, or none.

    What is known already stays as it is. A preview ends with status 2 where a line is wrong.
    """
    try:
        content = file.read_bytes()
    except OSError as error:
        raise UnusableInput(str(file), f"it cannot be read ({error.strerror})", "Name the CSV file.") from error
    with opened(instance, may_begin=True) as place:
        if not is_trial:
            done = workflow.import_list(place, None, name, file.name, content)
            click.echo(f"{file.name}: {_counts(done)}")
            return
        done = workflow.preview_import(place, None, name, file.name, content)
    for line in done.lines:
        click.echo(f"line {line.number}: {line.state}{f': {line.problem}' if line.problem else ''}")
    click.echo(f"{file.name}: {_counts(done)}; nothing was taken over")
    if done.wrong:
        raise click.exceptions.Exit(UnusableInput.exit_status)


def _counts(done: Imported) -> str:
    lines = "1 line" if len(done.lines) == 1 else f"{len(done.lines)} lines"
    return f"{lines}, " + ", ".join(f"{done.count(state)} {state}" for state in LineState)
