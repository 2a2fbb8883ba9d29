"""Rows to values and back; the only place that knows both."""

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from pydantic import TypeAdapter

from inspect_app.model import (
    About,
    AboutFleet,
    AboutInspection,
    AboutLot,
    AboutReturn,
    Calibration,
    Condition,
    Correction,
    Device,
    Document,
    DocumentEnd,
    Entry,
    Event,
    Evidence,
    Instrument,
    Judgement,
    Lot,
    Measured,
    Person,
    Shipment,
    Signature,
    Verdict,
)
from inspect_app.model.transcript import from_json_values, to_json_values
from inspect_app.storage.audit import canonical_json
from inspect_app.storage.tables import (
    AccountStateRow,
    CalibrationRow,
    CorrectionRow,
    DeviceRow,
    DocumentRow,
    EntryEvidenceRow,
    EntryRow,
    EventRow,
    EvidenceRow,
    InstrumentRow,
    LotRow,
    PersonRow,
    ReportRow,
    ShipmentRow,
    SignatureRow,
)

_JUDGEMENTS: TypeAdapter[tuple[Judgement, ...]] = TypeAdapter(tuple[Judgement, ...])
_VERDICT: TypeAdapter[Verdict] = TypeAdapter(Verdict)
_SCOPE: TypeAdapter[AboutFleet] = TypeAdapter(AboutFleet)


def condition_from(text: str) -> Condition:
    """Return a condition from its JSON."""
    values: dict[str, Any] = json.loads(text)
    return {name: tuple(value) if isinstance(value, list) else value for name, value in values.items()}


def person_of(row: PersonRow, state: AccountStateRow) -> Person:
    """Return an account as it stands."""
    return Person(id=row.id, login=row.login, name=state.name, role=state.role, is_active=state.is_active)


def device_of(row: DeviceRow, device_class: str) -> Device:
    """Return a device with the class of the lot that it is seen in."""
    return Device(id=row.id, maker=row.maker, serial=row.serial, device_class=device_class)


def shipment_of(row: ShipmentRow, received_by: Person) -> Shipment:
    """Return a shipment."""
    return Shipment(
        id=row.id,
        reference=row.reference,
        contract_number=row.contract_number,
        supplier=row.supplier,
        received_at=row.received_at,
        received_by=received_by,
    )


def lot_of(row: LotRow, shipment: Shipment) -> Lot:
    """Return a lot."""
    return Lot(id=row.id, number=row.number, device_class=row.device_class, shipment=shipment)


def calibration_of(row: CalibrationRow) -> Calibration:
    """Return a calibration."""
    return Calibration(
        certificate=row.certificate,
        laboratory=row.laboratory,
        calibrated_on=row.calibrated_on,
        due_on=row.due_on,
    )


def instrument_of(row: InstrumentRow, calibrations: Iterable[CalibrationRow]) -> Instrument:
    """Return an instrument with the calibrations given."""
    return Instrument(
        id=row.id,
        kind=row.kind,
        name=row.name,
        serial=row.serial,
        calibrations=tuple(calibration_of(calibration) for calibration in calibrations),
    )


def evidence_of(row: EvidenceRow) -> Evidence:
    """Return a kept file, before a step gave it a role."""
    return Evidence(
        sha256=row.sha256,
        name=row.name,
        media_type=row.media_type,
        size_bytes=row.size_bytes,
        kept_at=row.kept_at,
    )


def entry_evidence_of(row: EntryEvidenceRow, file: EvidenceRow) -> Evidence:
    """Return a kept file as a step names it."""
    return Evidence(
        sha256=row.sha256,
        name=row.name,
        media_type=file.media_type,
        size_bytes=file.size_bytes,
        role=row.role,
        kept_at=file.kept_at,
    )


def entry_of(
    row: EntryRow,
    recorded_by: Person,
    instruments: Sequence[Instrument],
    evidence: Sequence[Evidence],
    transcript: str | None,
    corrections: Sequence[Correction] = (),
) -> Entry:
    """Return an entry with what belongs to it; the newest correction counts."""
    computed = None if transcript is None else measured_from(transcript)
    return Entry(
        id=row.id,
        step_id=row.step_id,
        revision=row.revision,
        state=row.state,
        answers=answers_from(row.answers),
        conditions=json.loads(row.conditions),
        recorded_at=row.recorded_at,
        recorded_by=recorded_by,
        instruments=tuple(instruments),
        evidence=tuple(evidence),
        measured=corrections[-1].measured if corrections else computed,
        computed=computed if corrections else None,
        corrections=tuple(corrections),
        problem=row.problem,
        reason=row.reason,
    )


def correction_of(row: CorrectionRow, made_by: Person) -> Correction:
    """Return a correction."""
    return Correction(
        options=answers_from(row.options),
        measured=measured_from(row.transcript),
        reason=row.reason,
        made_at=row.made_at,
        made_by=made_by,
    )


def answers_text(answers: Mapping[str, Sequence[str]]) -> str:
    """Return answers as they are kept."""
    return canonical_json({name: list(texts) for name, texts in answers.items()})


def answers_from(text: str) -> dict[str, tuple[str, ...]]:
    """Return the answers that `answers_text` wrote."""
    return {name: tuple(texts) for name, texts in json.loads(text).items()}


def measured_text(measured: Measured) -> str:
    """Return a measurement as it is kept."""
    return canonical_json(to_json_values(measured))


def measured_from(text: str) -> Measured:
    """Return the measurement that `measured_text` wrote."""
    return from_json_values(json.loads(text))


def signature_of(row: SignatureRow, signed_by: Person) -> Signature:
    """Return a signature."""
    return Signature(signed_at=row.signed_at, signed_by=signed_by, outcome=row.outcome, remark=row.remark)


def assessment_text(judgements: tuple[Judgement, ...], verdict: Verdict) -> str:
    """Return judgements and verdict as they are frozen at signing."""
    values: dict[str, Any] = {
        "judgements": _JUDGEMENTS.dump_python(judgements, mode="json"),
        "verdict": _VERDICT.dump_python(verdict, mode="json"),
    }
    return canonical_json(values)


def assessment_from(text: str) -> tuple[tuple[Judgement, ...], Verdict]:
    """Return the judgements and the verdict that `assessment_text` wrote."""
    values = json.loads(text)
    return _JUDGEMENTS.validate_python(values["judgements"]), _VERDICT.validate_python(values["verdict"])


def document_of(
    row: DocumentRow, issued_by: Person, end: DocumentEnd | None = None, report: ReportRow | None = None
) -> Document:
    """Return an issued document; a report comes with the row that says what it is about."""
    return Document(
        number=row.number,
        kind=row.kind,
        about=_about(row, report),
        sha256=row.sha256,
        issued_at=row.issued_at,
        issued_by=issued_by,
        end=end,
    )


def _about(row: DocumentRow, report: ReportRow | None) -> About:
    if row.inspection_id is not None and row.signature_id is not None:
        return AboutInspection(inspection_id=row.inspection_id, signature_id=row.signature_id)
    if report is None:
        raise ValueError(f"nothing says what {row.number} is about")
    if report.lot_id is not None:
        return AboutLot(lot_id=report.lot_id)
    if report.return_shipment_id is not None:
        return AboutReturn(return_shipment_id=report.return_shipment_id)
    return scope_from(report)


def scope_from(report: ReportRow) -> AboutFleet:
    """Return what a fleet report is about."""
    return _SCOPE.validate_json(report.scope or "")


def scope_text(scope: AboutFleet) -> str:
    """Return what a fleet report is about as canonical JSON: the same text for the same scope."""
    return canonical_json(_SCOPE.dump_python(scope, mode="json"))


def event_of(row: EventRow) -> Event:
    """Return a link of the audit chain."""
    return Event(
        id=row.id,
        at=row.at,
        actor=row.actor,
        action=row.action,
        subject=row.subject,
        detail=json.loads(row.detail),
        digest=row.digest,
        previous_digest=row.previous_digest,
    )
