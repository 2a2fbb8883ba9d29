"""``inspect-app history``: all that happened to a device."""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

import click

from inspect_app import workflow
from inspect_app.cli._place import instance_option, opened
from inspect_app.errors import NotFound
from inspect_app.model import Device
from inspect_app.model.device_past import Happening
from inspect_app.workflow import DeviceHistory, InspectionHistory

EXAMPLES: Final = """\b
Examples:
  inspect-app history QD-00412
  inspect-app history 412
  inspect-app history QD-00412 --maker "Quillmere Devices"
"""


@click.command(short_help="Tell the whole history of a serial.", epilog=EXAMPLES)
@click.argument("serial")
@click.option("--maker", help="Of several devices with this serial, that of one maker.")
@instance_option
def command(serial: str, maker: str | None, instance: Path | None) -> None:
    """Tell shipments, inspections, judgements, documents and events of a SERIAL, newest first.

    Part of a serial lists the devices that it fits.
    """
    with opened(instance) as place:
        found = workflow.find_devices(place, serial)
        if not found:
            raise NotFound(f"serial {serial[:64]}", "no device fits", "Give fewer characters of it.")
        exact = [device for device in found if device.serial == workflow.normalise_serial(serial)]
        chosen = exact or list(found)
        if maker is not None:
            chosen = [device for device in chosen if device.maker.casefold() == maker.strip().casefold()]
            if not chosen:
                raise NotFound(
                    f"serial {serial[:64]}", "this maker has none such", "Leave --maker out to see whose it is."
                )
        if len(chosen) > 1:
            click.echo("\n".join(_device(device) for device in chosen))
            return
        told = workflow.device_history(place, chosen[0].id)
        click.echo("\n".join(_lines(told, workflow.timeline(place, told))))


def _device(device: Device) -> str:
    return f"{device.serial}  {device.device_class}, {device.maker}"


def _lines(history: DeviceHistory, happenings: Sequence[Happening]) -> Iterator[str]:
    yield _device(history.device)
    yield f"custody: {workflow.custody_of(happenings)}"
    for arrival in history.arrivals:
        shipment = arrival.lot.shipment
        note = f" ({arrival.note})" if arrival.note else ""
        yield f"arrived {shipment.received_at:%Y-%m-%d} under {shipment.reference} in lot {arrival.lot.number}{note}"
    for past in history.inspections:
        yield from _inspection(past)
    yield "timeline"
    for one in happenings:
        detail = f": {one.detail}" if one.detail else ""
        yield f"  {one.at:%Y-%m-%d %H:%M} UTC  {one.title}{detail} ({one.by})"
    yield "events"
    for event in history.events:
        yield f"  {event.at:%Y-%m-%d %H:%M:%S} UTC  {event.actor}  {event.action}  {event.subject}"


def _inspection(past: InspectionHistory) -> Iterator[str]:
    signature, verdict = past.inspection.signature, past.assessment.verdict
    how = "under way" if signature is None else f"signed {signature.signed_at:%Y-%m-%d} by {signature.signed_by.name}"
    yield f"inspection {past.inspection.id}, {how}: {verdict.outcome.value}. {verdict.reason}"
    for judgement in past.assessment.judgements:
        yield f"  {judgement.limit.clause} {judgement.limit.title}: {judgement.finding.value}. {judgement.reason}"
    for document in past.documents:
        yield f"  {document.kind.value} {document.number}, {document.issued_at:%Y-%m-%d}"
