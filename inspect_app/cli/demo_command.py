"""``inspect-app demo``: load the invented fleet, measure its captures, judge it and issue its documents."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from inspect_app.cli._place import instance_option, table
from inspect_app.errors import NotFound
from inspect_app.judge import demand_in_words
from inspect_app.model import Limit

if TYPE_CHECKING:
    from demo_fleet.load import DemoAccount, DemoDevice, DemoRun

_LONGEST_LIMIT: Final = 58
EXAMPLES: Final = """\b
Examples:
  inspect-app demo
  inspect-app demo --instance /tmp/trial
  inspect-app demo --devices 100000 --instance /tmp/fleet
"""


@click.command(short_help="Load the invented demo fleet and take it through the whole job.", epilog=EXAMPLES)
@click.option(
    "--devices",
    type=int,
    metavar="N",
    help="Write a synthetic fleet of N devices instead, ten results each, into an empty record.",
)
@instance_option
def command(devices: int | None, instance: Path | None) -> None:
    """Receive, inspect, judge and document an invented fleet of forty-two devices.

    Captures come from a simulated bench and are really measured. What is done already stays as it is, so that a
    second run changes nothing and a stopped one is finished.

    A synthetic fleet is for searching, drift and speed: its results are invented from a seed and judged by the real
    rules; it has no captures and no documents.
    """
    if find_spec("demo_fleet") is None:
        raise NotFound("demo fleet", "it is not installed with this program", "Run this in a checkout.")
    if devices is not None:
        _write_synthetic(instance, devices)
        return
    from demo_fleet.load import load  # noqa: PLC0415 (each command loads what it needs)
    from demo_fleet.open_captures import measure_open_captures  # noqa: PLC0415 (likewise)

    with _progress("Inspecting the demo fleet") as tell:
        run = load(instance, tell)
    click.echo(table(("serial", "class", "verdict", "deciding limit", "document"), [_row(d) for d in run.devices]))
    click.echo(_summary(run))
    for line in measure_open_captures() if run.inspected else ():
        click.echo(line)
    _tell_accounts(run.new_accounts)


@contextmanager
def _progress(label: str) -> Iterator[Callable[[int, int], None]]:
    with click.progressbar(length=1, label=label, show_eta=True) as bar:

        def tell(done: int, total: int) -> None:
            bar.length = total
            bar.update(done - bar.pos)

        yield tell


def _write_synthetic(instance: Path | None, devices: int) -> None:
    from demo_fleet.synthetic import load  # noqa: PLC0415 (each command loads what it needs)

    with _progress("Writing the synthetic fleet") as tell:
        run = load(instance, devices, tell)
    click.echo(
        f"{run.devices} devices in {run.lots} lots, {run.inspections} inspections, {run.results} results, all invented "
        "from a seed: nothing was captured, and no documents were issued."
    )
    _tell_accounts(run.accounts)


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


def _tell_accounts(accounts: "Sequence[DemoAccount]") -> None:
    if not accounts:
        click.echo("Accounts are as printed by the first run; 'inspect-app user password LOGIN' sets a new password.")
        return
    click.echo("Demo accounts (their passwords are shown this once):")
    rows = [(account.login, account.role.value, account.name, account.password) for account in accounts]
    click.echo(table(("login", "role", "name", "password"), rows))
