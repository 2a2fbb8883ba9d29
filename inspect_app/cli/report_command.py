"""``inspect-app report``: issue the report of a lot, of a return shipment, or of the fleet."""

from datetime import datetime
from pathlib import Path
from typing import Final

import click

from inspect_app import workflow
from inspect_app.cli._place import instance_option, opened, person_options, signed_in, write_file
from inspect_app.errors import NotFound, UnusableInput
from inspect_app.model import AboutFleet, AboutLot, AboutReport, AboutReturn
from inspect_app.workflow import Workplace

_DAY: Final = click.DateTime(formats=["%Y-%m-%d"])
_NEW_FILE: Final = click.Path(path_type=Path, dir_okay=False)
EXAMPLES: Final = """\b
Examples:
  inspect-app report lot BSR-014-L01 --as ada
  inspect-app report return RT-1 --as ada
  inspect-app report fleet --contract BSR-014 --from 2026-01-01 --until 2026-12-31 --as ada
  inspect-app report fleet --supplier "Quillmere Devices" --as ada --draft look.pdf
"""


@click.command(short_help="Issue the report of a lot, of a return or of the fleet.", epilog=EXAMPLES)
@click.argument("kind", type=click.Choice(["lot", "return", "fleet"]))
@click.argument("name", required=False, default="")
@click.option("--contract", default="", help="Fleet: lots under this contract only.")
@click.option("--supplier", default="", help="Fleet, return: of this supplier only.")
@click.option("--class", "device_class", default="", help="Fleet: lots of this device class only.")
@click.option("--from", "start", type=_DAY, help="Fleet: lots received on this day or later.")
@click.option("--until", "end", type=_DAY, help="Fleet: lots received on this day or earlier.")
@click.option("--draft", type=_NEW_FILE, help="Write it to this file unsealed, and issue nothing.")
@person_options
@instance_option
def command(
    kind: str,
    name: str,
    contract: str,
    supplier: str,
    device_class: str,
    start: datetime | None,
    end: datetime | None,
    draft: Path | None,
    login: str,
    password: str,
    instance: Path | None,
) -> None:
    """Issue a report from the record as it stands: sealed, numbered and kept like a certificate.

    NAME is the number of a lot, or the reference of a return shipment. Where a report on the same stands already, it is
    named and nothing is issued: supersede it to have it made anew.
    """
    if (kind == "fleet") == bool(name):
        raise UnusableInput("name", "a lot or a return has one, the fleet has none", "See inspect-app report --help.")
    fleet = AboutFleet(
        contract_number=contract,
        supplier=supplier,
        device_class=device_class,
        received_from=None if start is None else start.date(),
        received_until=None if end is None else end.date(),
    )
    with opened(instance) as place:
        person = signed_in(place, login, password)
        about = _about(place, kind, name, fleet)
        if draft is not None:
            write_file(draft, workflow.draft_report(place, person, about))
            return
        document = workflow.issue_report(place, person, about)
        click.echo(f"{document.number} {document.kind}: {workflow.document_path(place, document)}")


def _about(place: Workplace, kind: str, name: str, fleet: AboutFleet) -> AboutReport:
    if kind == "fleet":
        return fleet
    if kind == "lot":
        for summary in workflow.lots(place):
            if summary.lot.number == name.strip().upper():
                return AboutLot(lot_id=summary.lot.id)
        raise NotFound(f"lot {name}", "there is no such lot", "Take its number from the page of lots.")
    found = [one for one in workflow.returns(place) if one.reference == name.strip()]
    found = [one for one in found if one.supplier == fleet.supplier] if fleet.supplier else found
    if not found:
        raise NotFound(f"return {name}", "there is no such return", "Take its reference from the page of returns.")
    if len(found) > 1:
        raise UnusableInput(f"return {name}", "several suppliers have one", "Name it with --supplier.")
    return AboutReturn(return_shipment_id=found[0].id)
