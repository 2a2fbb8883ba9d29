"""``inspect-app work``: carry out what was ordered in the background."""

import signal
import sys
from pathlib import Path
from types import FrameType
from typing import Final

import click

from inspect_app import workflow
from inspect_app.cli._place import instance_option, opened

EXAMPLES: Final = """\b
Examples:
  inspect-app work
  inspect-app work --processes 4 --until-empty
"""


@click.command(short_help="Carry out what was ordered in the background.", epilog=EXAMPLES)
@click.option("--processes", default=2, show_default=True, type=click.IntRange(1, 64), help="Documents made at once.")
@click.option("--until-empty", is_flag=True, help="Stop when nothing is left to do.")
@instance_option
def command(processes: int, until_empty: bool, instance: Path | None) -> None:  # noqa: FBT001 (click hands flags over so)
    """Issue the documents of lots as approvers order them, until stopped with Ctrl-C.

    `serve` starts such a worker by itself. A batch that a stopped worker left behind is gone on with.
    """
    stopped: list[int] = []

    def stop(number: int, _frame: FrameType | None) -> None:
        stopped.append(number)

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, stop)
    with opened(instance) as place:
        workflow.work(place, processes=processes, is_stopped=lambda: bool(stopped), told=_tell, until_empty=until_empty)


def _tell(step: workflow.LotStep) -> None:
    """Print each document as it is issued, at once also into a pipe."""
    click.echo(step.refusal or f"{step.serial}: {step.document.number if step.document else ''}")
    sys.stdout.flush()
