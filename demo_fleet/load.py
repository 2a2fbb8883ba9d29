"""Take the demo fleet through the whole job, from receiving to documents; what is done already stays as it is."""

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from demo_fleet.fleet import SHIPMENTS, PlannedDevice, PlannedShipment
from demo_fleet.house import ACCOUNTS, CONTRACTS, INSTRUMENTS, ISSUER
from demo_fleet.inspection import Bench, inspect
from demo_fleet.sampled import decide_lots, draw_samples, report_lots
from demo_fleet.watched import watch
from inspect_app import workflow
from inspect_app.model import Document, Inspection, Instrument, Lot, Outcome, Person, Role, Verdict
from inspect_app.workflow import Workplace

DAYS_BEFORE_THE_FIRST_SHIPMENT: Final = 2
DRAWN_AFTER: Final = timedelta(hours=2)
INSPECTED_AFTER: Final = timedelta(days=1)
SIGNED_AFTER: Final = timedelta(days=2)
DECIDED_AFTER: Final = timedelta(days=2, hours=2)
REPORTED_AFTER: Final = timedelta(days=4, hours=2)
MOST_PROCESSES: Final = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoAccount:
    """An account of the demo; its password is known only on the run that made it."""

    login: str
    name: str
    role: Role
    password: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoDevice:
    """What became of one arrival."""

    planned: PlannedDevice
    lot: Lot
    verdict: Verdict
    document: Document | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoRun:
    """What one run of the demo found and did."""

    devices: tuple[DemoDevice, ...]
    inspected: int
    new_accounts: tuple[DemoAccount, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Arrival:
    planned: PlannedDevice
    lot: Lot
    device_id: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Crew:
    """The people of the demo, with the inspector's password while it is known."""

    inspector: Person
    approver: Person
    reader: Person
    password: str | None
    new_accounts: tuple[DemoAccount, ...] = field(default=())


Progress = Callable[[int, int], None]
"""Told how many of how many devices are done."""


def load(instance: Path | None, told: Progress) -> DemoRun:
    """Load the fleet, or finish loading it; a second run changes nothing.

    Parameters
    ----------
    instance : Path or None
        Folder of the record; None takes the usual one.
    told : callable
        Called with the devices done and all of them.

    Returns
    -------
    DemoRun
        Every arrival with its verdict and document.
    """
    with _opened(instance, _days_ago(SHIPMENTS[0].received_days_ago + DAYS_BEFORE_THE_FIRST_SHIPMENT)) as place:
        crew = _crew(place)
        for path in CONTRACTS:
            workflow.adopt_contract(place, None, path.read_text(encoding="utf-8"), path.name)
        _equip(place)
        watch(place, crew.inspector, crew.approver, place.clock())
    total = sum(len(shipment.devices) for shipment in SHIPMENTS)
    devices: list[DemoDevice] = []
    inspected = 0
    for shipment in SHIPMENTS:
        offset = len(devices)
        arrivals = _receive(instance, crew, shipment)
        concluded: dict[int, DemoDevice] = {}
        for begun, wave in _waves(instance, crew, shipment, arrivals):
            known, before = inspected, offset + len(concluded)
            inspected += _inspect_all(instance, crew, wave, begun, lambda done, at=before: told(at + done, total))
            if inspected > known:
                crew = _with_password(instance, crew)
            concluded |= _conclude_all(instance, crew, wave, begun)
        _report(instance, crew, shipment, arrivals)
        devices += [concluded[arrival.device_id] for arrival in arrivals]
        told(len(devices), total)
    return DemoRun(devices=tuple(devices), inspected=inspected, new_accounts=crew.new_accounts)


def _days_ago(days: float) -> datetime:
    return datetime.now(UTC) - timedelta(days=days)


@contextmanager
def _opened(instance: Path | None, started: datetime) -> Iterator[Workplace]:
    """Open the record with a clock that stands at a past moment and runs on from it."""
    begun = datetime.now(UTC)
    place = workflow.open_workplace(instance)
    settings = replace(place.settings, issuer=ISSUER)
    try:
        yield replace(place, settings=settings, clock=lambda: started + (datetime.now(UTC) - begun))
    finally:
        workflow.close_workplace(place)


def _crew(place: Workplace) -> _Crew:
    known = {account.login: account for account in workflow.accounts(place)}
    new = tuple(
        DemoAccount(login=login, name=name, role=role, password=workflow.new_password())
        for login, name, role in ACCOUNTS
        if login not in known
    )
    for account in new:
        known[account.login] = workflow.add_account(
            place, None, account.login, account.name, account.role, account.password
        )
    inspector = known[ACCOUNTS[0][0]]
    password = next((account.password for account in new if account.login == inspector.login), None)
    approver = known[ACCOUNTS[1][0]]
    reader = known[ACCOUNTS[-1][0]]
    return _Crew(inspector=inspector, approver=approver, reader=reader, password=password, new_accounts=new)


def _with_password(instance: Path | None, crew: _Crew) -> _Crew:
    """Give the inspector a new password where a stopped run left work behind and the old one is not known."""
    if crew.password is not None:
        return crew
    password = workflow.new_password()
    with _opened(instance, datetime.now(UTC)) as place:
        workflow.set_password(place, None, crew.inspector.id, password)
    inspector = crew.inspector
    renewed = DemoAccount(login=inspector.login, name=inspector.name, role=inspector.role, password=password)
    return replace(crew, password=password, new_accounts=(*crew.new_accounts, renewed))


def _equip(place: Workplace) -> None:
    today = datetime.now(UTC).date()
    for planned in INSTRUMENTS:
        held = workflow.add_instrument(place, None, planned.kind, planned.name, planned.serial)
        if not held.calibrations:
            workflow.add_calibration(place, None, held.id, planned.calibration(today))


def _receive(instance: Path | None, crew: _Crew, shipment: PlannedShipment) -> tuple[_Arrival, ...]:
    with _opened(instance, _days_ago(shipment.received_days_ago)) as place:
        listed = workflow.read_packing_list(shipment.packing_list.name, shipment.packing_list.read_bytes())
        classes = {device.serial: device for device in shipment.devices}
        checked = workflow.check_arrivals(place, shipment.contract_number, listed, [*classes])
        accepted = [
            workflow.AcceptedArrival(
                serial=arrival.serial,
                device_class=arrival.device_class or classes[arrival.serial].device_class,
                note=classes[arrival.serial].note,
                is_on_list=arrival.is_on_list,
            )
            for arrival in checked
            if not arrival.is_missing
        ]
        received = workflow.receive_shipment(
            place, crew.inspector, shipment.contract_number, shipment.reference, accepted
        )
        found = {
            held.device.serial: (lot, held.device.id)
            for lot in workflow.lots_of_shipment(place, received.id)
            for held in workflow.lot_devices(place, lot.id)
        }
    return tuple(
        _Arrival(planned=planned, lot=found[planned.serial][0], device_id=found[planned.serial][1])
        for planned in shipment.devices
    )


def _waves(
    instance: Path | None, crew: _Crew, shipment: PlannedShipment, arrivals: Sequence[_Arrival]
) -> Iterator[tuple[datetime, tuple[_Arrival, ...]]]:
    """Give what is inspected before the verdicts on sampled lots, then the rest, each with the day it begins from."""
    lots = _lots(arrivals)
    received = _days_ago(shipment.received_days_ago)
    with _opened(instance, received + DRAWN_AFTER) as place:
        chosen = draw_samples(place, crew.inspector, lots)
    yield received, tuple(arrival for arrival in arrivals if arrival.device_id in chosen)
    with _opened(instance, received + DECIDED_AFTER) as place:
        decide_lots(place, crew.inspector, lots)
    left = tuple(arrival for arrival in arrivals if arrival.device_id not in chosen)
    if left:
        yield received + SIGNED_AFTER, left


def _report(instance: Path | None, crew: _Crew, shipment: PlannedShipment, arrivals: Sequence[_Arrival]) -> None:
    with _opened(instance, _days_ago(shipment.received_days_ago) + REPORTED_AFTER) as place:
        report_lots(place, crew.approver, _lots(arrivals))


def _lots(arrivals: Sequence[_Arrival]) -> tuple[Lot, ...]:
    return tuple({arrival.lot.id: arrival.lot for arrival in arrivals}.values())


def _inspect_all(
    instance: Path | None,
    crew: _Crew,
    arrivals: Sequence[_Arrival],
    begun: datetime,
    told: Callable[[int], None],
) -> int:
    """Inspect what is not concluded yet, a device a process; return how many there were."""
    with _opened(instance, datetime.now(UTC)) as place:
        left = [arrival for arrival in arrivals if not _is_concluded(place, arrival)]
    done = len(arrivals) - len(left)
    if not left:
        return 0
    started = begun + INSPECTED_AFTER
    processes = min(MOST_PROCESSES, os.cpu_count() or 1)
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        tasks = [
            pool.submit(_inspect_one, instance, (crew.inspector, crew.reader), arrival, started) for arrival in left
        ]
        for task in as_completed(tasks):
            task.result()
            done += 1
            told(done)
    return len(left)


def _is_concluded(place: Workplace, arrival: _Arrival) -> bool:
    states = {held.device.id: held.state for held in workflow.lot_devices(place, arrival.lot.id)}
    return states[arrival.device_id] is workflow.DeviceState.CONCLUDED


def _inspect_one(instance: Path | None, readers: tuple[Person, Person], arrival: _Arrival, started: datetime) -> None:
    inspector, _ = readers
    with _opened(instance, started) as place, TemporaryDirectory() as captures:
        opened = workflow.open_inspection(place, inspector, arrival.lot.id, arrival.device_id)
        bench = Bench(
            workplace=place,
            inspector=inspector,
            readers=readers,
            instruments=_instruments(place),
            captures_folder=Path(captures),
            today=started.date(),
        )
        inspect(bench, opened, arrival.planned.truth, arrival.planned.mishap)


def _instruments(place: Workplace) -> tuple[Instrument, ...]:
    ours = {planned.serial for planned in INSTRUMENTS}
    return tuple(instrument for instrument in workflow.instruments(place) if instrument.serial in ours)


def _conclude_all(
    instance: Path | None, crew: _Crew, arrivals: Sequence[_Arrival], begun: datetime
) -> dict[int, DemoDevice]:
    with _opened(instance, begun + SIGNED_AFTER) as place:
        return {arrival.device_id: _conclude(place, crew, arrival) for arrival in arrivals}


def _conclude(place: Workplace, crew: _Crew, arrival: _Arrival) -> DemoDevice:
    inspected = _newest_inspection(place, arrival)
    if inspected.signature is None and crew.password is not None:
        workflow.conclude(
            place, crew.inspector, inspected.id, crew.password, arrival.planned.serial, arrival.planned.note
        )
        inspected = workflow.inspection(place, inspected.id)
    verdict = workflow.judge_inspection(place, inspected).verdict
    document = workflow.document_of(place, inspected.id)
    if document is None and inspected.signature is not None and verdict.outcome is not Outcome.HELD:
        document = workflow.issue_document(place, crew.approver, inspected.id)
    return DemoDevice(planned=arrival.planned, lot=arrival.lot, verdict=verdict, document=document)


def _newest_inspection(place: Workplace, arrival: _Arrival) -> Inspection:
    keys = {held.device.id: held.inspection_id for held in workflow.lot_devices(place, arrival.lot.id)}
    key = keys[arrival.device_id]
    if key is None:
        raise LookupError(f"{arrival.planned.serial} was not inspected")
    return workflow.inspection(place, key)
