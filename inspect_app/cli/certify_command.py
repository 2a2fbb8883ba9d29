"""``inspect-app certify``: issue the documents of concluded inspections."""

from pathlib import Path
from typing import Final

import click

from inspect_app import workflow
from inspect_app.cli._place import instance_option, opened, person_options, signed_in, table, write_file
from inspect_app.errors import NotAllowed, NotFound, UnusableInput
from inspect_app.model import Document, Outcome, Person
from inspect_app.workflow import LotDevice, Workplace

Row = tuple[str, str, str, str]
_NEW_FILE: Final = click.Path(path_type=Path, dir_okay=False)
_DOCUMENTED: Final = (Outcome.ACCEPTED, Outcome.REJECTED)
EXAMPLES: Final = """\b
Examples:
  inspect-app certify QD-00412 --as ada
  inspect-app certify --lot BSR-014-L01 --as ada
  inspect-app certify --lot BSR-014-L01 --as ada --zip lot.zip --merged lot.pdf
"""


@click.command(short_help="Issue certificates and rejection notices.", epilog=EXAMPLES)
@click.argument("serials", nargs=-1, metavar="[SERIAL]...")
@click.option("--lot", "lot_number", help="Every concluded device of this lot.")
@click.option("--processes", default=2, show_default=True, type=click.IntRange(1, 64), help="Documents made at once.")
@click.option("--zip", "archive", type=_NEW_FILE, help="Also write all documents of the lot into a ZIP archive.")
@click.option("--merged", type=_NEW_FILE, help="Also write them into one PDF, to be read or printed.")
@person_options
@instance_option
def command(
    serials: tuple[str, ...],
    lot_number: str | None,
    processes: int,
    archive: Path | None,
    merged: Path | None,
    login: str,
    password: str,
    instance: Path | None,
) -> None:
    """Issue the certificate of each accepted device, the rejection notice of each rejected one.

    Who acts approves them: an approver who did not sign the inspection, unless INSPECT_APP_SELF_APPROVAL is yes. What
    was issued before is not issued again, so that a stopped run is finished by another one. Held and open devices of a
    lot are told and passed over.
    """
    if bool(serials) == (lot_number is not None) or ((archive or merged) and lot_number is None):
        raise UnusableInput("what to certify", "give serials or one lot", "See inspect-app certify --help.")
    with opened(instance) as place:
        person = signed_in(place, login, password)
        if lot_number is None:
            rows = [_issue(place, person, _newest(place, one)) for one in serials]
        else:
            lot_id = _lot_id(place, lot_number)
            rows = _issue_lot(place, person, lot_id, processes)
            _collect(place, lot_id, archive, merged)
        click.echo(table(("serial", "verdict", "document", "file"), rows))


def _lot_id(place: Workplace, number: str) -> int:
    for summary in workflow.lots(place):
        if summary.lot.number == number.strip().upper():
            return summary.lot.id
    raise NotFound(f"lot {number}", "there is no such lot", "Take its number from the page of lots.")


def _issue_lot(place: Workplace, person: Person, lot_id: int, processes: int) -> list[Row]:
    waiting = len(workflow.awaiting_documents(place, lot_id))
    refused: dict[str, str] = {}
    with click.progressbar(length=waiting, label="Issuing", show_eta=True, hidden=waiting < 2) as progress:
        for step in workflow.issue_lot(place, person, lot_id, processes=processes):
            progress.update(1)
            if step.refusal:
                refused[step.serial] = step.refusal
    rows = [_row(place, device, device.document) for device in workflow.lot_devices(place, lot_id)]
    for refusal in refused.values():
        click.echo(refusal, err=True)
    return rows


def _collect(place: Workplace, lot_id: int, archive: Path | None, merged: Path | None) -> None:
    for path, collect in ((archive, workflow.zipped_lot), (merged, workflow.merged_lot)):
        if path is not None:
            write_file(path, collect(place, lot_id))


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


def _issue(place: Workplace, person: Person, device: LotDevice) -> Row:
    document = device.document
    if document is None and device.inspection_id is not None and device.outcome in _DOCUMENTED:
        document = workflow.issue_document(place, person, device.inspection_id)
    return _row(place, device, document)


def _row(place: Workplace, device: LotDevice, document: Document | None) -> Row:
    verdict = device.state.value if device.outcome is None else device.outcome.value
    if document is None:
        return device.device.serial, verdict, "", ""
    verdict += "" if document.end is None else f", {document.end.manner.value}"
    return device.device.serial, verdict, document.number, str(workflow.document_path(place, document))
