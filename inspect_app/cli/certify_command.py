"""``inspect-app certify``: issue the documents of concluded inspections."""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import click

from inspect_app import workflow
from inspect_app.cli._place import instance_option, opened, person_options, signed_in, table
from inspect_app.errors import NotAllowed, NotFound, UnusableInput
from inspect_app.model import Outcome, Person
from inspect_app.workflow import LotDevice, Workplace

_DOCUMENTED: Final = (Outcome.ACCEPTED, Outcome.REJECTED)
EXAMPLES: Final = """\b
Examples:
  inspect-app certify QD-00412 --as ada
  inspect-app certify --lot BSR-014-L01 --as ada
"""


@click.command(short_help="Issue certificates and rejection notices.", epilog=EXAMPLES)
@click.argument("serials", nargs=-1, metavar="[SERIAL]...")
@click.option("--lot", "lot_number", help="Every concluded device of this lot.")
@person_options
@instance_option
def command(serials: tuple[str, ...], lot_number: str | None, login: str, password: str, instance: Path | None) -> None:
    """Issue the certificate of each accepted device, the rejection notice of each rejected one.

    Who acts approves them: an approver who did not sign the inspection, unless INSPECT_APP_SELF_APPROVAL is yes. What
    was issued before is not issued again. Held and open devices of a lot are told and passed over.
    """
    if bool(serials) == (lot_number is not None):
        raise UnusableInput("what to certify", "give serials or one lot", "See inspect-app certify --help.")
    with opened(instance) as place:
        person = signed_in(place, login, password)
        devices = _of_lot(place, lot_number) if lot_number is not None else [_newest(place, one) for one in serials]
        click.echo(table(("serial", "verdict", "document", "file"), _issue(place, person, devices)))


def _of_lot(place: Workplace, number: str) -> Sequence[LotDevice]:
    for summary in workflow.lots(place):
        if summary.lot.number == number.strip().upper():
            return workflow.lot_devices(place, summary.lot.id)
    raise NotFound(f"lot {number}", "there is no such lot", "Take its number from the page of lots.")


def _newest(place: Workplace, text: str) -> LotDevice:
    serial = workflow.normalise_serial(text)
    known = [device for device in workflow.find_devices(place, serial) if device.serial == serial]
    if not known:
        raise NotFound(f"serial {serial}", "it never arrived", "Check it, or receive it first.")
    if len(known) > 1:
        makers = ", ".join(device.maker for device in known)
        raise UnusableInput(f"serial {serial}", f"several makers use it: {makers}", "Name its lot with --lot.")
    lot = workflow.device_history(place, known[0].id).arrivals[0].lot
    device = next(one for one in workflow.lot_devices(place, lot.id) if one.device.id == known[0].id)
    if device.outcome is None:
        raise NotAllowed(serial, "its inspection is not signed", "Answer every step, then sign.")
    return device


def _issue(place: Workplace, person: Person, devices: Sequence[LotDevice]) -> list[tuple[str, str, str, str]]:
    rows = []
    with click.progressbar(devices, label="Issuing", hidden=len(devices) == 1) as progress:
        for device in progress:
            verdict = device.state.value if device.outcome is None else device.outcome.value
            number = path = ""
            document = device.document
            if document is None and device.inspection_id is not None and device.outcome in _DOCUMENTED:
                document = workflow.issue_document(place, person, device.inspection_id)
            if document is not None:
                number, path = document.number, str(workflow.document_path(place, document))
                verdict += "" if document.end is None else f", {document.end.manner.value}"
            rows.append((device.device.serial, verdict, number, path))
    return rows
