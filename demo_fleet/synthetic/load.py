"""Write the synthetic fleet into an empty record: in one transaction, every act sealed, every list filled."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from demo_fleet.house import ACCOUNTS
from demo_fleet.load import DemoAccount
from demo_fleet.synthetic.deliveries import BEGAN, Deliveries, Delivery
from demo_fleet.synthetic.ledger import RECORDED_AFTER, RETURNED_AFTER, SIGNED_AFTER, Bench, Ledger, Rows
from demo_fleet.synthetic.makers import MAKERS, NOTE, contract_text, form_text
from inspect_app import storage, workflow
from inspect_app.definitions import Form, read_form_text
from inspect_app.errors import NotAllowed, UnusableInput
from inspect_app.model import Role
from inspect_app.storage import results, snapshot, sources
from inspect_app.storage.audit import Chain, chaining, last_event
from inspect_app.storage.tables import CalibrationRow, NonconformityRow
from inspect_app.workflow import Workplace
from inspect_app.workflow.workplace import CONSOLE

MOST_DEVICES: Final = 1_000_000
_SECOND_INSPECTOR: Final = ("inspector-2", "Wenna Harbottle", Role.INSPECTOR)
_INSTRUMENTS: Final = (
    ("illuminance meter", "Illuminance meter, dark bench", "SY-LM-01"),
    ("illuminance meter", "Illuminance meter, spare", "SY-LM-02"),
    ("uniform source", "Integrating sphere, 2856 K", "SY-US-01"),
    ("battery logger", "Battery logger, four channels", "SY-LG-01"),
)
_CALIBRATED_EVERY: Final = timedelta(days=365)
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class SyntheticRun:
    """What was written: counts, and the accounts with their passwords."""

    devices: int
    inspections: int
    results: int
    lots: int
    accounts: tuple[DemoAccount, ...]


def load(instance: Path | None, devices: int, told: Progress) -> SyntheticRun:
    """Write a synthetic fleet of so many devices; the devices and their results are the same on every run.

    Raises
    ------
    UnusableInput
        The number of devices makes no fleet.
    NotAllowed
        The record is not empty.
    """
    if not 1 <= devices <= MOST_DEVICES:
        raise UnusableInput("--devices", f"{devices} makes no fleet", f"Give 1 to {MOST_DEVICES}.")
    place = workflow.open_workplace(instance)
    try:
        return _load(replace(place, clock=lambda: BEGAN - timedelta(days=3)), devices, told)
    finally:
        workflow.close_workplace(place)


def _load(place: Workplace, devices: int, told: Progress) -> SyntheticRun:
    with place.database.reading() as session:
        if last_event(session) is not None:
            raise NotAllowed(
                str(place.settings.instance), "its record is not empty", "Name another folder with --instance."
            )
    forms = {
        form.device_class: form for form in (read_form_text(form_text(maker), "synthetic.toml") for maker in MAKERS)
    }
    place = replace(place, forms={**place.forms, **forms})
    accounts = _people(place)
    bench = _furnish(place, forms)
    ledger = Ledger(bench=bench)
    deliveries = Deliveries(devices=devices)
    inspected = done = 0
    with chaining(place.database) as chain:
        calibrated = BEGAN - timedelta(days=2)
        for delivery in deliveries:
            while calibrated <= delivery.at:
                _calibrate(chain, bench, ledger, calibrated)
                calibrated += _CALIBRATED_EVERY
            _take_in(chain, ledger, deliveries, delivery)
            inspected += len(delivery.devices) * delivery.is_inspected
            done += sum(delivery.is_new)
            told(done, devices)
        snapshot.advance_sequences(chain.session.connection())
    per_device = len(MAKERS[0].traits)
    return SyntheticRun(
        devices=done, inspections=inspected, results=inspected * per_device, lots=delivery.number, accounts=accounts
    )


def _people(place: Workplace) -> tuple[DemoAccount, ...]:
    made = tuple(
        DemoAccount(login=login, name=name, role=role, password=workflow.new_password())
        for login, name, role in (*ACCOUNTS, _SECOND_INSPECTOR)
    )
    for one in made:
        workflow.add_account(place, None, one.login, one.name, one.role, one.password)
    return made


def _furnish(place: Workplace, forms: dict[str, Form]) -> Bench:
    contracts = {
        maker.contract: workflow.adopt_contract(place, None, contract_text(maker), f"{maker.contract}.toml")
        for maker in MAKERS
    }
    instruments = [workflow.add_instrument(place, None, *one).id for one in _INSTRUMENTS]
    with storage.acting(place.database, actor=CONSOLE, action="form kept", at=place.clock()) as act:
        kept = {
            name: sources.add_form(
                act, device_class=name, revision=form.revision, digest=form.digest, text=form.source
            ).id
            for name, form in forms.items()
        }
        known = {source.name: source.id for source in sources.newest_contracts(act.session)}
        act.tell("synthetic fleet", note=NOTE)
    people = {person.login: person.id for person in workflow.accounts(place)}
    return Bench(
        forms={name: (kept[name], form) for name, form in forms.items()},
        contracts={number: (known[number], contract) for number, contract in contracts.items()},
        inspector_ids=(people["inspector"], people[_SECOND_INSPECTOR[0]]),
        approver_id=people["approver"],
        meter_ids=(instruments[0], instruments[1]),
        source_id=instruments[2],
        logger_id=instruments[3],
    )


def _calibrate(chain: Chain, bench: Bench, ledger: Ledger, at: datetime) -> None:
    on = at.date()
    rows = [
        {"id": ledger.next_key("calibration"), "instrument_id": instrument_id,
         "certificate": f"CAL-{on:%Y}-{instrument_id}", "laboratory": "Holm Reach Calibration (invented)",
         "calibrated_on": on, "due_on": on + _CALIBRATED_EVERY}
        for instrument_id in (*bench.meter_ids, bench.source_id, bench.logger_id)
    ]  # fmt: skip
    chain.append(
        actor="administrator", action="calibration added", at=at, subject="every instrument", detail={"note": NOTE},
        rows={CalibrationRow: rows},
    )  # fmt: skip


def _take_in(chain: Chain, ledger: Ledger, deliveries: Deliveries, delivery: Delivery) -> None:
    inspector = "inspector" if ledger.inspector(delivery) == ledger.bench.inspector_ids[0] else _SECOND_INSPECTOR[0]

    def append(actor: str, action: str, at: datetime, rows: Rows) -> None:
        subject = f"lot {delivery.maker.contract}-L{delivery.number:04d}"
        chain.append(actor=actor, action=action, at=at, subject=subject, detail={"note": "synthetic"}, rows=rows)

    append(inspector, "shipment received", delivery.at, ledger.received(delivery))
    if not delivery.is_inspected:
        return
    recorded, answered = ledger.recorded(delivery)
    append(inspector, "steps recorded", delivery.at + RECORDED_AFTER, recorded)
    signed = ledger.signed(delivery, answered)
    append(inspector, "inspections signed", delivery.at + SIGNED_AFTER, signed.rows)
    results.append(chain.session, signed.listings)
    if not signed.rejected:
        return
    sent = delivery.at + RETURNED_AFTER
    keys = [row["id"] for row in signed.rows[NonconformityRow]]
    devices = [delivery.devices[place] for place in signed.rejected]
    append("approver", "nonconformities disposed", sent, ledger.decided(delivery, keys, is_closing=False))
    append(inspector, "devices sent back", sent, ledger.sent_back(delivery, devices))
    append("approver", "nonconformities closed", sent, ledger.decided(delivery, keys, is_closing=True))
    for device in devices:
        deliveries.sent_back(delivery.maker, sent, device)
