"""``inspect-app demo``: load the invented fleet, measure its captures, judge it and issue its documents."""

from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from inspect_app.cli._place import instance_option, table
from inspect_app.errors import NotFound
from inspect_app.judge import demand_in_words
from inspect_app.model import Limit

if TYPE_CHECKING:
    from demo_fleet.load import DemoDevice, DemoRun

_LONGEST_LIMIT: Final = 58
EXAMPLES: Final = """\b
Examples:
  inspect-app demo
  inspect-app demo --instance /tmp/trial
"""


@click.command(short_help="Load the invented demo fleet and take it through the whole job.", epilog=EXAMPLES)
@instance_option
def command(instance: Path | None) -> None:
    """Receive, inspect, judge and document an invented fleet of forty-two devices.

    Captures come from a simulated bench and are really measured. What is done already stays as it is, so that a
    second run changes nothing and a stopped one is finished.
    """
    if find_spec("demo_fleet") is None:
        raise NotFound("demo fleet", "it is not installed with this program", "Run this in a checkout.")
    from demo_fleet.load import load  # noqa: PLC0415 (each command loads what it needs)
    from demo_fleet.open_captures import measure_open_captures  # noqa: PLC0415 (likewise)

    with click.progressbar(length=1, label="Inspecting the demo fleet", show_eta=True) as bar:

        def tell(done: int, total: int) -> None:
            bar.length = total
            bar.update(done - bar.pos)

        run = load(instance, tell)
    click.echo(table(("serial", "class", "verdict", "deciding limit", "document"), [_row(d) for d in run.devices]))
    click.echo(_summary(run))
    for line in measure_open_captures() if run.inspected else ():
        click.echo(line)
    _tell_accounts(run)


def _row(device: "DemoDevice") -> tuple[str, str, str, str, str]:
    return (
        device.planned.serial,
        device.planned.device_class,
        device.verdict.outcome.value,
        _deciding(device),
        device.document.number if device.document else "none: held",
    )


def _deciding(device: "DemoDevice") -> str:
    deciding = device.verdict.deciding
    if not deciding:
        return "every limit met"
    first = deciding[0].limit
    demand = f": {demand_in_words(first)}" if isinstance(first, Limit) else ""
    text = f"{first.clause} {first.title}{demand}"
    shown = text if len(text) <= _LONGEST_LIMIT else text[: _LONGEST_LIMIT - 1] + "…"
    return shown if len(deciding) == 1 else f"{shown} (and {len(deciding) - 1} more)"


def _summary(run: "DemoRun") -> str:
    outcomes = [device.verdict.outcome.value for device in run.devices]
    counts = ", ".join(f"{outcomes.count(outcome)} {outcome}" for outcome in dict.fromkeys(sorted(outcomes)))
    work = f"{run.inspected} inspected now" if run.inspected else "nothing was left to do"
    return f"{len(outcomes)} devices: {counts}; {work}. The fleet, its makers and its contracts are invented."


def _tell_accounts(run: "DemoRun") -> None:
    if not run.new_accounts:
        click.echo("Accounts are as printed by the first run; 'inspect-app user password LOGIN' sets a new password.")
        return
    click.echo("Demo accounts (their passwords are shown this once):")
    rows = [(account.login, account.role.value, account.name, account.password) for account in run.new_accounts]
    click.echo(table(("login", "role", "name", "password"), rows))
