"""The list that goes with a return shipment: which devices go back, because of what, and what is asked."""

from collections.abc import Sequence
from typing import Final

from inspect_app.documents import Report, ReportTable, Section, wording
from inspect_app.errors import NotFound
from inspect_app.model import (
    AboutReturn,
    Disposition,
    Document,
    DocumentKind,
    Nonconformity,
    NonconformityStep,
    Outcome,
    ReturnShipment,
)
from inspect_app.storage import documents, nonconformities
from inspect_app.workflow.arriving.contracts import notes_on
from inspect_app.workflow.outcomes.nonconformities import GOES_BACK, returns
from inspect_app.workflow.papers.gathering import Numbered, imprinted
from inspect_app.workflow.workplace import Workplace, reading

_ASKED: Final = {
    Disposition.RETURN: "Returned: what caused the nonconformity, and whether it will be credited.",
    Disposition.REPAIR: "To be repaired: what was done, and when the device comes back to be inspected again.",
    Disposition.REPLACE: "To be replaced: the serial of the device that comes instead, and when.",
}
_CAUTIONS: Final = (
    "Lithium cells: the carrier's and local rules on packing and declaring them hold; never send a damaged one.",
    "Intensifier tubes: power off and caps on before they are packed.",
)


def return_subject(workplace: Workplace, about: AboutReturn) -> str:
    """Return what a return list is about, in words.

    Raises
    ------
    NotFound
        There is no such return shipment.
    """
    found = _shipment(workplace, about)
    return f"return {found.reference} to {found.supplier}"


def return_list(workplace: Workplace, about: AboutReturn, numbered: Numbered) -> Report:
    """Return all that the list shows; what was decided after the devices had left is not on it."""
    shipment = _shipment(workplace, about)
    keys = {device_id for device_id, _ in shipment.devices}
    with reading(workplace) as session:
        found = nonconformities.nonconformities(session, device_ids=keys)[::-1]
        why = [one for one in found if _disposition(one, shipment) in GOES_BACK]
        remarks = notes_on(session, (one.lot.shipment.contract_number for one in why))
        notices = documents.documents_of_inspections(session, {one.inspection_id for one in why})
    devices = len(shipment.devices)
    return Report(
        **imprinted(workplace, numbered),
        kind=DocumentKind.RETURN_LIST,
        subject=return_subject(workplace, about),
        word=f"{devices} {'device' if devices == 1 else 'devices'}",
        outcome=Outcome.HELD,
        lines=(
            (
                f"Sent back {wording.minute(shipment.sent_at)} by {shipment.sent_by.name},"
                f" because of {len(why)} {'nonconformity' if len(why) == 1 else 'nonconformities'}."
            ),
        ),
        facts=(
            ("Reference", shipment.reference),
            ("Supplier", shipment.supplier),
            ("Sent", wording.day(shipment.sent_at)),
            ("Remark", shipment.remark or "none"),
        ),
        sections=(
            _content(shipment, why),
            _nonconformities(shipment, why, {key: issued[0] for key, issued in notices.items()}),
            Section(heading="What is asked", lines=_asked(shipment, why)),
            Section(heading="Cautions", lines=(*_CAUTIONS, wording.CAUTIONS_IN_FULL)),
        ),
        remarks=remarks,
    )


def _shipment(workplace: Workplace, about: AboutReturn) -> ReturnShipment:
    for one in returns(workplace):
        if one.id == about.return_shipment_id:
            return one
    raise NotFound(f"return {about.return_shipment_id}", "there is no such return", "Choose one from the list.")


def _disposition(one: Nonconformity, shipment: ReturnShipment) -> Disposition | None:
    """Return the disposition that counted when the devices were sent."""
    decided = [act for act in one.acts if act.step is NonconformityStep.DISPOSED and act.at <= shipment.sent_at]
    is_closed = any(act.step is NonconformityStep.CLOSED and act.at <= shipment.sent_at for act in one.acts)
    return decided[-1].disposition if decided and not is_closed else None


def _content(shipment: ReturnShipment, why: Sequence[Nonconformity]) -> Section:
    rows = []
    for place, (device_id, serial) in enumerate(shipment.devices, start=1):
        mine = [one for one in why if one.device.id == device_id]
        device_class = mine[0].device.device_class if mine else "–"
        lot = mine[0].lot.number if mine else "–"
        numbers = ", ".join(one.number for one in mine) or "–"
        rows.append((str(place), serial, device_class, lot, numbers, "", ""))
    return Section(
        heading="Content",
        remark="to be ticked off by whoever packs and by whoever unpacks",
        table=ReportTable(
            name="content",
            columns=("No.", "Serial", "Device class", "Lot", "Nonconformities", "Packed", "Unpacked"),
            shares=(2, 6, 10, 5, 8, 3, 3),
            rows=rows,
        ),
    )


def _nonconformities(shipment: ReturnShipment, why: Sequence[Nonconformity], notices: dict[int, Document]) -> Section:
    return Section(
        heading="Nonconformities",
        table=ReportTable(
            name="nonconformities",
            columns=("Number", "Serial", "Demand", "Class", "Found", "Decided", "Notice"),
            shares=(5, 5, 9, 3, 12, 4, 5),
            rows=[
                (
                    one.number,
                    one.device.serial,
                    f"{one.clause} {one.title}",
                    one.severity.value,
                    one.finding,
                    str(_disposition(one, shipment) or "–"),
                    notices[one.inspection_id].number if one.inspection_id in notices else "–",
                )
                for one in why
            ],
        ),
    )


def _asked(shipment: ReturnShipment, why: Sequence[Nonconformity]) -> tuple[str, ...]:
    decided = {_disposition(one, shipment) for one in why}
    return (
        f"{shipment.supplier} is asked to confirm receipt, and to state for each device:",
        *(words for disposition, words in _ASKED.items() if disposition in decided),
    )
