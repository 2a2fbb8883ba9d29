"""``inspect-app receive``: a shipment, by packing list or by serials."""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import click

from inspect_app import workflow
from inspect_app.cli._place import instance_option, opened, person_options, signed_in, table
from inspect_app.errors import UnusableInput
from inspect_app.workflow import AcceptedArrival, Arrival, PackedDevice, Workplace

EXAMPLES: Final = """\b
Examples:
  inspect-app receive BSR-014 DN-2026-118 --list packing_list.csv --as ines
  inspect-app receive bsr-014.toml DN-2026-119 --serial QD-00412 --serial QD-00413 \\
      --class "digital monocular, standard sensor" --as ines
"""


@click.command(short_help="Receive a shipment into lots.", epilog=EXAMPLES)
@click.argument("contract")
@click.argument("reference")
@click.option("--list", "packing_list", type=click.Path(path_type=Path), help="Packing list, CSV or XLSX.")
@click.option("--serial", "serials", multiple=True, help="A serial that arrived; repeated once per device.")
@click.option("--class", "device_class", help="Class of the devices whose class nothing else tells.")
@click.option(
    "--accept-unusual", is_flag=True, help="Receive serials that are not on the list or arrived before, noting it."
)
@person_options
@instance_option
def command(
    contract: str,
    reference: str,
    packing_list: Path | None,
    serials: tuple[str, ...],
    device_class: str | None,
    accept_unusual: bool,  # noqa: FBT001 (click hands flags over so)
    login: str,
    password: str,
    instance: Path | None,
) -> None:
    """Receive what a supplier delivered under CONTRACT with the delivery REFERENCE.

    CONTRACT is a number, or a TOML file that is adopted first. Serials given are compared with the packing list; with a
    list alone everything on it counts as arrived.
    """
    with opened(instance, may_begin=True) as place:
        person = signed_in(place, login, password)
        number = _adopted(place, contract)
        listed = _read(packing_list)
        arrivals = workflow.check_arrivals(place, number, listed, serials or [packed.serial for packed in listed])
        click.echo(table(("serial", "class", "remark"), [_line(arrival, device_class) for arrival in arrivals]))
        accepted = _accepted(arrivals, device_class, is_unusual_accepted=accept_unusual)
        shipment = workflow.receive_shipment(place, person, number, reference, accepted)
        lots = ", ".join(lot.number for lot in workflow.lots_of_shipment(place, shipment.id))
        click.echo(f"Received {len(accepted)} devices under {shipment.reference}: {lots}")


def _adopted(place: Workplace, contract: str) -> str:
    path = Path(contract)
    if path.suffix != ".toml":
        return contract
    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise UnusableInput(contract, f"it cannot be read ({error})", "Name a contract in TOML.") from error
    return workflow.adopt_contract(place, None, text, path.name).number


def _read(path: Path | None) -> tuple[PackedDevice, ...]:
    if path is None:
        return ()
    try:
        content = path.read_bytes()
    except OSError as error:
        raise UnusableInput(str(path), f"it cannot be read ({error.strerror})", "Name a CSV or XLSX file.") from error
    return workflow.read_packing_list(path.name, content)


def _remarks(arrival: Arrival) -> list[str]:
    remarks = []
    if arrival.is_missing:
        remarks.append("on the list, did not arrive")
    if not arrival.is_on_list:
        remarks.append("not on the packing list")
    if arrival.is_repeated:
        remarks.append("scanned more than once")
    for earlier in arrival.earlier:
        outcome = earlier.outcome.value if earlier.outcome is not None else "not concluded"
        remarks.append(f"arrived before in {earlier.lot_number}, {outcome}")
    return remarks


def _line(arrival: Arrival, device_class: str | None) -> tuple[str, str, str]:
    return arrival.serial, arrival.device_class or device_class or "?", "; ".join(_remarks(arrival))


def _accepted(
    arrivals: Sequence[Arrival], device_class: str | None, *, is_unusual_accepted: bool
) -> list[AcceptedArrival]:
    present = [arrival for arrival in arrivals if not arrival.is_missing]
    unusual = [arrival.serial for arrival in present if _remarks(arrival)]
    if unusual and not is_unusual_accepted:
        raise UnusableInput(
            f"serial {unusual[0]}",
            f"{len(unusual)} of {len(present)} serials are unusual, see the remarks",
            "Set them aside, or receive them with --accept-unusual.",
        )
    return [
        AcceptedArrival(
            serial=arrival.serial,
            device_class=arrival.device_class or device_class or "",
            note="; ".join(_remarks(arrival)),
            is_on_list=arrival.is_on_list,
        )
        for arrival in present
    ]
