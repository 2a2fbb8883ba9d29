"""``inspect-app recall``: what an instrument touched that was found out of calibration."""

import csv
import sys
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Final

import click

from inspect_app import workflow
from inspect_app.cli._place import instance_option, opened
from inspect_app.documents import wording
from inspect_app.documents.tabular import harmless
from inspect_app.errors import UnusableInput
from inspect_app.model import Instrument, Outcome
from inspect_app.workflow import FleetDevice, Touched, Workplace

EXAMPLES: Final = """\b
Examples:
  inspect-app recall BX-LM-01
  inspect-app recall BX-LM-01 --since 2026-01-15 --verdict accepted
  inspect-app recall BX-LM-01 --csv > again.csv
"""
_COLUMNS: Final = (
    "serial", "device class", "maker", "lot", "verdict", "signed at", "quantity", "condition", "value", "unit",
    "standard uncertainty", "finding",
)  # fmt: skip


@click.command(short_help="List what an instrument touched since its last good calibration.", epilog=EXAMPLES)
@click.argument("serial")
@click.option("--since", metavar="DAY", help="Last good calibration, like 2026-01-15; else the newest on record.")
@click.option("--verdict", type=click.Choice([one.value for one in Outcome]), help="Those with this verdict alone.")
@click.option("--csv", "as_csv", is_flag=True, help="Print CSV, one line for each result.")
@instance_option
def command(serial: str, since: str | None, verdict: str | None, as_csv: bool, instance: Path | None) -> None:  # noqa: FBT001 (click hands flags over so)
    """List the inspections that the instrument with SERIAL was used in since its last good calibration.

    They are to be inspected again where the instrument is found out of calibration. Those that are not signed yet come
    first, then the last use first.
    """
    with opened(instance) as place:
        instrument = _instrument(place, serial)
        first_day = workflow.last_calibrated(instrument) if since is None else _day(since)
        outcome = None if verdict is None else Outcome(verdict)
        touched = workflow.recall_all(place, instrument.id, first_day, outcome=outcome)
        if as_csv:
            writer = csv.writer(sys.stdout)
            writer.writerow(_COLUMNS)
            writer.writerows(_csv_rows(touched))
            return
        click.echo(f"{instrument.name}, {instrument.serial}, since {first_day.isoformat()}:")
        signed = unsigned = 0
        for one in touched:
            click.echo(_line(one))
            signed += one.found.outcome is not None
            unsigned += one.found.outcome is None
        click.echo(f"{signed} signed inspections to look at again, {unsigned} not signed yet.")


def _instrument(place: Workplace, serial: str) -> Instrument:
    wanted = workflow.normalise_serial(serial)
    found = [one for one in workflow.instruments(place) if one.serial == wanted]
    if len(found) != 1:
        problem = "no instrument has it" if not found else f"{len(found)} kinds of instrument have it"
        raise UnusableInput(f"serial {serial[:64]}", problem, "Look at the instruments' page.")
    return found[0]


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise UnusableInput("--since", f"{text[:40]} is no day", "Write it like 2026-06-01.") from error


def _line(one: Touched) -> str:
    found = one.found
    signed = "" if found.signed_at is None else f", signed {wording.day(found.signed_at)}"
    lot = "" if found.lot is None else found.lot.number
    results = f"{len(one.results)} results" if len(one.results) != 1 else "1 result"
    return f"{found.device.serial}  {found.device.maker}  {lot}  {_verdict(found)}{signed}  {results}"


def _verdict(found: FleetDevice) -> str:
    return "not signed yet" if found.outcome is None else found.outcome.value


def _csv_rows(touched: Iterator[Touched]) -> Iterator[list[str | float]]:
    for one in touched:
        found = one.found
        head = [
            found.device.serial,
            found.device.device_class,
            found.device.maker,
            "" if found.lot is None else found.lot.number,
            _verdict(found),
            "" if found.signed_at is None else found.signed_at.isoformat(),
        ]
        for characteristic, result in one.results:
            yield [
                *(harmless(text) for text in head),
                harmless(characteristic.quantity_name),
                harmless(wording.condition_text(characteristic.condition)),
                result.quantity.value,
                result.quantity.unit,
                result.quantity.standard_uncertainty,
                "" if result.finding is None else result.finding.value,
            ]
