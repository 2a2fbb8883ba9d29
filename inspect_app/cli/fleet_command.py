"""``inspect-app fleet``: devices searched by what was signed about them, with counts and exact rates."""

import json
from pathlib import Path
from typing import Any, Final

import click

from inspect_app import workflow
from inspect_app.cli._place import instance_option, opened, table
from inspect_app.documents import wording
from inspect_app.errors import UnusableInput
from inspect_app.model import Outcome
from inspect_app.quantity import format_quantity
from inspect_app.web import fleet
from inspect_app.workflow import FleetDevice, FleetFound, Workplace

EXAMPLES: Final = """\b
Examples:
  inspect-app fleet --class "digital monocular, large sensor" --verdict rejected
  inspect-app fleet --quantities
  inspect-app fleet --quantity 12 --from 0.4 --to 0.5 --count 20
  inspect-app fleet --instrument BX-LM-01 --since 2026-01-01 --json
"""
_OPTIONS: Final = (
    ("serial", "Part of a serial."),
    ("class", "Device class."),
    ("supplier", "Supplier."),
    ("contract", "Contract number."),
    ("lot", "Lot number."),
    ("verdict", "accepted, rejected or held."),
    ("since", "Signed on this day or later, like 2026-06-01."),
    ("until", "Signed on this day or before."),
    ("inspector", "Login of who signed."),
    ("instrument", "Serial of an instrument that was used."),
    ("quantity", "Key of a quantity, as --quantities lists them; the list is then sorted by result."),
    ("from", "Result at least, in the quantity's unit."),
    ("to", "Result at most."),
)


def _searching(command: Any) -> Any:
    for name, words in reversed(_OPTIONS):
        command = click.option(f"--{name}", f"by_{name}", metavar=name.upper(), help=words)(command)
    return command


@click.command(short_help="Search the fleet, with counts and rates.", epilog=EXAMPLES)
@_searching
@click.option("--backwards", is_flag=True, help="Turn the order of the list round.")
@click.option("--count", type=click.IntRange(1, 1000), default=50, show_default=True, help="How many are listed.")
@click.option("--all", "counts_all", is_flag=True, help="Count all that fit, however many.")
@click.option("--quantities", is_flag=True, help="List the quantities that were measured, and stop.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@instance_option
def command(
    backwards: bool,  # noqa: FBT001 (click hands flags over so)
    count: int,
    counts_all: bool,  # noqa: FBT001 (likewise)
    quantities: bool,  # noqa: FBT001 (likewise)
    as_json: bool,  # noqa: FBT001 (likewise)
    instance: Path | None,
    **given: str | None,
) -> None:
    """Search devices by what was signed about them; list them, and count their verdicts with exact intervals."""
    with opened(instance) as place:
        if quantities:
            for one in workflow.searchable(place, given["by_class"] or "").characteristics:
                click.echo(f"{one.id:6}  {fleet.characteristic_words(one)}: {one.device_class}")
            return
        asked = {name: str(given[f"by_{name}"]).strip() for name, _ in _OPTIONS if given[f"by_{name}"]}
        asked |= {"order": "back"} if backwards else {}
        search = workflow.fleet_search_of(_with_keys(place, asked))
        found = workflow.search_fleet(place, search, count=count, counts_all=counts_all)
    click.echo(json.dumps(_values(found)) if as_json else "\n".join(_lines(found)))


def _with_keys(place: Workplace, asked: dict[str, str]) -> dict[str, str]:
    """Put keys in the place of the login and the serial that people know."""
    people = {person.login: person.id for person in workflow.accounts(place)}
    instruments = {instrument.serial: instrument.id for instrument in workflow.instruments(place)}
    for name, known in (("inspector", people), ("instrument", instruments)):
        if name in asked:
            if asked[name] not in known:
                raise UnusableInput(f"--{name}", f"{asked[name][:40]} is not on record", f"Use {_some(known)}.")
            asked[name] = str(known[asked[name]])
    return asked


def _some(known: dict[str, int]) -> str:
    return "one of " + ", ".join(sorted(known)[:8]) if known else "another option: there is none"


def _lines(found: FleetFound) -> list[str]:
    if not (found.page.devices or found.unsigned):
        return ["No device fits."]
    lines = [
        table(
            ("serial", "class", "maker", "lot", "verdict", "signed", "result"),
            [_row(one) for one in (*found.page.devices, *found.unsigned)],
        )
    ]
    if found.has_more_unsigned:
        lines.append(f"and more that are not signed yet; here {len(found.unsigned)}")
    if found.page.following is not None:
        lines.append(f"and more; --count lists up to 1000, here {len(found.page.devices)}")
    if found.counted:
        which = (
            f"the first {found.counted} verdicts (--all counts all)"
            if found.is_cut_off
            else f"{found.counted} verdicts"
        )
        lines.append(f"Of {which}, with exact 95 % intervals:")
        lines += [
            f"  {outcome.value}: {found.outcomes.get(outcome, 0)}, {fleet.rate_text(found, outcome)}"
            for outcome in Outcome
        ]
    return lines


def _row(one: FleetDevice) -> tuple[str, ...]:
    return (
        one.device.serial,
        one.device.device_class,
        one.device.maker,
        "" if one.lot is None else one.lot.number,
        "not signed yet" if one.outcome is None else one.outcome.value,
        "" if one.signed_at is None else wording.day(one.signed_at),
        "" if one.quantity is None else format_quantity(one.quantity),
    )


def _values(found: FleetFound) -> dict[str, Any]:
    return {
        "devices": [_device_values(one) for one in found.page.devices],
        "not_signed_yet": [_device_values(one) for one in found.unsigned],
        "counted": found.counted,
        "is_cut_off": found.is_cut_off,
        "rates": {
            outcome.value: {"found": found.outcomes.get(outcome, 0), "interval": found.rate(outcome).interval}
            for outcome in Outcome
        },
    }


def _device_values(one: FleetDevice) -> dict[str, Any]:
    return {
        "serial": one.device.serial,
        "device_class": one.device.device_class,
        "maker": one.device.maker,
        "lot": None if one.lot is None else one.lot.number,
        "inspection": one.inspection_id,
        "verdict": one.outcome,
        "signed_at": None if one.signed_at is None else one.signed_at.isoformat(),
        "value": None if one.quantity is None else one.quantity.value,
        "unit": None if one.quantity is None else one.quantity.unit,
        "standard_uncertainty": None if one.quantity is None else one.quantity.standard_uncertainty,
    }
