"""A delivery as rows of the record: received, recorded, judged by the real rules, signed, sent back."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any, Final

from demo_fleet.synthetic.deliveries import Delivery, SyntheticDevice
from demo_fleet.synthetic.makers import BATTERY, METHOD, NOISE, STEPS, Maker
from inspect_app import __version__, judge
from inspect_app.definitions import Contract, Form
from inspect_app.judge import StepResults
from inspect_app.model import Disposition, EntryState, Judgement, Limit, NonconformityStep, Outcome
from inspect_app.model.measured import Measured, Result
from inspect_app.quantity import Contribution, Quantity
from inspect_app.storage.answered import Answer
from inspect_app.storage.convert import assessment_text, measured_text
from inspect_app.storage.deriving import Listing, Signed, listing
from inspect_app.storage.tables import (
    ArrivalRow,
    DeviceRow,
    EntryInstrumentRow,
    EntryRow,
    InspectionRow,
    LotRow,
    MeasurementRow,
    NonconformityActRow,
    NonconformityRow,
    ReturnedDeviceRow,
    ReturnShipmentRow,
    SealedRow,
    ShipmentRow,
    SignatureRow,
)

RECORDED_AFTER: Final = timedelta(days=1)
SIGNED_AFTER: Final = timedelta(days=2)
RETURNED_AFTER: Final = timedelta(days=9)
PACE: Final = timedelta(minutes=2)
Rows = dict[type[SealedRow], list[dict[str, Any]]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """What the record holds before the first delivery: definitions with their keys, people, instruments by kind."""

    forms: dict[str, tuple[int, Form]]
    contracts: dict[str, tuple[int, Contract]]
    inspector_ids: tuple[int, ...]
    approver_id: int
    meter_ids: tuple[int, int]
    source_id: int
    logger_id: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SignedLot:
    """The signatures of a lot as rows, what each is listed by, and the places of the devices that were rejected."""

    rows: Rows
    listings: list[Listing]
    rejected: list[int]


@dataclass(slots=True, kw_only=True)
class Ledger:
    """Makes the rows of one delivery after the other, and counts their keys."""

    bench: Bench
    last: dict[str, int] = field(default_factory=dict)
    nonconformities_of_year: dict[int, int] = field(default_factory=dict)

    def received(self, delivery: Delivery) -> Rows:
        """Return shipment, lot, devices that are new, and arrivals."""
        maker, lot_id = delivery.maker, delivery.number
        sent = f"DN-{delivery.at:%Y}-{delivery.number:05d}"
        person = self.inspector(delivery)
        return {
            ShipmentRow: [
                {"id": lot_id, "contract_number": maker.contract, "reference": sent, "supplier": maker.name,
                 "received_at": delivery.at, "received_by_id": person},
            ],
            LotRow: [
                {"id": lot_id, "number": f"{maker.contract}-L{lot_id:04d}", "device_class": maker.device_class,
                 "shipment_id": lot_id},
            ],
            DeviceRow: [
                {"id": device.id, "maker": maker.name, "serial": device.serial}
                for device, is_new in zip(delivery.devices, delivery.is_new, strict=True) if is_new
            ],
            ArrivalRow: [
                {"id": self.next_key("arrival"), "lot_id": lot_id, "device_id": device.id, "position": position,
                 "note": "" if is_new else "came again", "is_on_list": True}
                for position, (device, is_new) in enumerate(zip(delivery.devices, delivery.is_new, strict=True), 1)
            ],
        }  # fmt: skip

    def recorded(self, delivery: Delivery) -> tuple[Rows, list[list[Answer]]]:
        """Return inspections with their entries, and the answers that each device got."""
        rows: Rows = {InspectionRow: [], EntryRow: [], EntryInstrumentRow: [], MeasurementRow: []}
        answered = []
        form_id, form = self.bench.forms[delivery.maker.device_class]
        contract_id, _ = self.bench.contracts[delivery.maker.contract]
        for place, (device, found) in enumerate(zip(delivery.devices, _found(delivery, form), strict=True)):
            at = delivery.at + RECORDED_AFTER + place * PACE
            inspection_id = self.next_key("inspection")
            rows[InspectionRow].append(
                {"id": inspection_id, "lot_id": delivery.number, "device_id": device.id, "ordinal": 1,
                 "form_id": form_id, "contract_id": contract_id, "opened_at": at,
                 "opened_by_id": self.inspector(delivery)}
            )  # fmt: skip
            answers = [
                Answer(entry_id=self.next_key("entry"), step_id=step_id, recorded_at=at,
                       instrument_ids=(self._instrument(step_id, delivery.meter),), measured=measured)
                for step_id, measured in found.items()
            ]  # fmt: skip
            for answer in answers:
                _record(rows, inspection_id, answer, self.inspector(delivery))
            answered.append(answers)
        return rows, answered

    def signed(self, delivery: Delivery, answered: Sequence[Sequence[Answer]]) -> SignedLot:
        """Return signatures with the nonconformities of rejected devices, and what each signature is listed by."""
        rows: Rows = {SignatureRow: [], NonconformityRow: []}
        listings, rejected = [], []
        first = self.last["inspection"] - len(answered)
        for place, answers in enumerate(answered):
            judgements = self._judge(delivery.maker, answers)
            verdict = judge.device_verdict(judgements)
            signed = self._signed(
                delivery, place, inspection_id=first + place + 1, judgements=judgements, outcome=verdict.outcome
            )
            listings.append(listing(signed, answers))
            rows[SignatureRow].append(
                {"id": signed.id, "inspection_id": signed.inspection_id, "ordinal": 1, "signed_at": signed.signed_at,
                 "signed_by_id": signed.signed_by_id, "outcome": verdict.outcome, "remark": "",
                 "assessment": assessment_text(judgements, verdict)}
            )  # fmt: skip
            if verdict.outcome is Outcome.REJECTED:
                rejected.append(place)
                rows[NonconformityRow] += self._nonconformities(signed, verdict.deciding)
        return SignedLot(rows=rows, listings=listings, rejected=rejected)

    def _judge(self, maker: Maker, answers: Sequence[Answer]) -> tuple[Judgement, ...]:
        _, form = self.bench.forms[maker.device_class]
        _, contract = self.bench.contracts[maker.contract]
        conditions = {step.id: step.condition for step in form.steps}
        steps = [
            StepResults(
                step_id=answer.step_id,
                check=answer.measured.check,
                condition=conditions[answer.step_id],
                measured=answer.measured,
            )
            for answer in answers
        ]
        return judge.judge_results(contract.limits[maker.device_class], (), steps)

    def _signed(
        self, delivery: Delivery, place: int, *, inspection_id: int, judgements: tuple[Judgement, ...], outcome: Outcome
    ) -> Signed:
        _, form = self.bench.forms[delivery.maker.device_class]
        return Signed(
            id=self.next_key("signature"),
            inspection_id=inspection_id,
            device_id=delivery.devices[place].id,
            lot_id=delivery.number,
            device_class=delivery.maker.device_class,
            supplier=delivery.maker.name,
            contract_number=delivery.maker.contract,
            outcome=outcome,
            signed_at=delivery.at + SIGNED_AFTER + place * PACE,
            signed_by_id=self.inspector(delivery),
            form=form.source,
            judgements=judgements,
        )

    def _nonconformities(self, signed: Signed, deciding: Sequence[Judgement]) -> Iterator[dict[str, Any]]:
        year = signed.signed_at.year
        for ordinal, judgement in enumerate(deciding, start=1):
            if isinstance(judgement.limit, Limit):
                number = self._next_nonconformity(year)
                yield {
                    "id": self.next_key("nonconformity"), "number": f"NC-{year}-{number:04d}", "year": year,
                    "sequence": number, "signature_id": signed.id, "ordinal": ordinal,
                    "clause": judgement.limit.clause, "title": judgement.limit.title,
                    "check_name": judgement.limit.check, "quantity_name": judgement.limit.quantity_name,
                    "severity": judgement.limit.severity, "step_id": judgement.step_id, "finding": judgement.reason,
                }  # fmt: skip

    def decided(self, delivery: Delivery, keys: Sequence[int], *, is_closing: bool) -> Rows:
        """Return the approver's decision on nonconformities: to send the device back, or that this was done."""
        at = delivery.at + RETURNED_AFTER + (PACE if is_closing else -PACE)
        step = NonconformityStep.CLOSED if is_closing else NonconformityStep.DISPOSED
        return {
            NonconformityActRow: [
                {"id": self.next_key("act"), "nonconformity_id": key, "ordinal": 2 if is_closing else 1, "step": step,
                 "severity": None, "disposition": None if is_closing else Disposition.RETURN, "valid_until": None,
                 "repeats": "[]", "reason": "sent back" if is_closing else "as the contract says",
                 "decided_at": at, "decided_by_id": self.bench.approver_id}
                for key in keys
            ]
        }  # fmt: skip

    def sent_back(self, delivery: Delivery, devices: Sequence[SyntheticDevice]) -> Rows:
        """Return the shipment that takes rejected devices back to their maker."""
        shipment_id = self.next_key("return")
        return {
            ReturnShipmentRow: [
                {"id": shipment_id, "supplier": delivery.maker.name, "reference": f"RET-{delivery.number:05d}",
                 "remark": "", "sent_at": delivery.at + RETURNED_AFTER, "sent_by_id": self.inspector(delivery)}
            ],
            ReturnedDeviceRow: [
                {"id": self.next_key("returned"), "return_shipment_id": shipment_id, "device_id": device.id}
                for device in devices
            ],
        }  # fmt: skip

    def next_key(self, name: str) -> int:
        """Count the keys of one kind of row on."""
        self.last[name] = self.last.get(name, 0) + 1
        return self.last[name]

    def _next_nonconformity(self, year: int) -> int:
        self.nonconformities_of_year[year] = self.nonconformities_of_year.get(year, 0) + 1
        return self.nonconformities_of_year[year]

    def inspector(self, delivery: Delivery) -> int:
        """Return the key of the inspector of a delivery."""
        return self.bench.inspector_ids[delivery.number % len(self.bench.inspector_ids)]

    def _instrument(self, step_id: str, meter: int) -> int:
        kinds = {NOISE: self.bench.source_id, BATTERY: self.bench.logger_id}
        return kinds.get(step_id, self.bench.meter_ids[meter])


def _found(delivery: Delivery, form: Form) -> Iterator[dict[str, Measured]]:
    """Yield what the bench found of each device, by name of the step."""
    checks = {step.id: step.check for step in form.steps}
    uncertainties: list[float] = delivery.uncertainties.tolist()
    budgets = [
        (Contribution(source="synthetic bench", distribution="normal", standard_uncertainty=u),) for u in uncertainties
    ]
    for values in delivery.values.tolist():
        results: dict[str, list[Result]] = {step: [] for step in STEPS}
        for trait, value, u, budget in zip(delivery.maker.traits, values, uncertainties, budgets, strict=True):
            results[trait.step].append(
                Result(
                    quantity_name=trait.quantity_name,
                    quantity=Quantity(value=value, unit=trait.unit, standard_uncertainty=u),
                    condition={"axis": trait.axis} if trait.axis else {},
                    budget=budget,
                )
            )
        yield {
            step: Measured(check=checks[step], method=METHOD, results=tuple(found)) for step, found in results.items()
        }


def _record(rows: Rows, inspection_id: int, answer: Answer, inspector_id: int) -> None:
    rows[EntryRow].append(
        {"id": answer.entry_id, "inspection_id": inspection_id, "step_id": answer.step_id, "revision": 1,
         "state": EntryState.RECORDED, "answers": "{}", "conditions": "{}", "problem": None, "reason": None,
         "recorded_at": answer.recorded_at, "recorded_by_id": inspector_id}
    )  # fmt: skip
    rows[EntryInstrumentRow] += [
        {"id": answer.entry_id, "entry_id": answer.entry_id, "position": 1, "instrument_id": instrument_id}
        for instrument_id in answer.instrument_ids
    ]
    rows[MeasurementRow].append(
        {"entry_id": answer.entry_id, "program_version": __version__, "transcript": measured_text(answer.measured)}
    )
