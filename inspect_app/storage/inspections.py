"""Inspections in the record: opened, answered step by step, signed, taken up again."""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from inspect_app.model import (
    Entry,
    EntryState,
    Evidence,
    Inspection,
    Judgement,
    Measured,
    Outcome,
    Person,
    Verdict,
)
from inspect_app.storage.arrivals import COUNTING_SIGNATURE
from inspect_app.storage.audit import Act, canonical_json
from inspect_app.storage.convert import (
    answers_text,
    assessment_from,
    assessment_text,
    device_of,
    entry_evidence_of,
    entry_of,
    lot_of,
    measured_text,
    shipment_of,
    signature_of,
)
from inspect_app.storage.instruments import instruments_of_entries
from inspect_app.storage.people import people
from inspect_app.storage.tables import (
    ArrivalRow,
    ContractRow,
    DeviceRow,
    EntryEvidenceRow,
    EntryInstrumentRow,
    EntryRow,
    EvidenceRow,
    FormRow,
    InspectionRow,
    LotRow,
    MeasurementRow,
    ReopeningRow,
    ShipmentRow,
    SignatureRow,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class NewEntry:
    """An entry to be appended."""

    step_id: str
    revision: int
    state: EntryState
    answers: Mapping[str, tuple[str, ...]]
    conditions: Mapping[str, str]
    instrument_ids: tuple[int, ...]
    evidence: tuple[Evidence, ...]
    problem: str | None
    reason: str | None
    measured: Measured | None
    program_version: str


def is_in_lot(session: Session, lot_id: int, device_id: int) -> bool:
    """Say whether a device arrived in a lot."""
    statement = select(ArrivalRow.id).where(ArrivalRow.lot_id == lot_id, ArrivalRow.device_id == device_id)
    return session.scalar(statement) is not None


def newest_id(session: Session, lot_id: int, device_id: int) -> int | None:
    """Return the key of the newest inspection of a device in a lot."""
    statement = (
        select(InspectionRow.id)
        .where(InspectionRow.lot_id == lot_id, InspectionRow.device_id == device_id)
        .order_by(InspectionRow.ordinal.desc())
        .limit(1)
    )
    return session.scalar(statement)


def add(act: Act, *, lot_id: int, device_id: int, form_id: int, contract_id: int, opened_by: Person) -> int:
    """Open an inspection and return its key."""
    which = (InspectionRow.lot_id == lot_id, InspectionRow.device_id == device_id)
    ordinal = (act.session.scalar(select(func.count()).where(*which)) or 0) + 1
    row = InspectionRow(
        lot_id=lot_id,
        device_id=device_id,
        ordinal=ordinal,
        form_id=form_id,
        contract_id=contract_id,
        opened_at=act.at,
        opened_by_id=opened_by.id,
    )
    return act.add(row).id


def inspections(session: Session, inspection_ids: Collection[int]) -> tuple[Inspection, ...]:
    """Return inspections with the newest entry of each step, newest inspection first."""
    statement = (
        select(InspectionRow, DeviceRow, LotRow, ShipmentRow, ArrivalRow.note, SignatureRow)
        .join(DeviceRow, DeviceRow.id == InspectionRow.device_id)
        .join(LotRow, LotRow.id == InspectionRow.lot_id)
        .join(ShipmentRow, ShipmentRow.id == LotRow.shipment_id)
        .join(ArrivalRow, (ArrivalRow.lot_id == LotRow.id) & (ArrivalRow.device_id == DeviceRow.id))
        .outerjoin(SignatureRow, COUNTING_SIGNATURE)
        .where(InspectionRow.id.in_(inspection_ids))
        .order_by(InspectionRow.id.desc())
    )
    rows = session.execute(statement).all()
    everybody = people(session)
    entries = _newest_entries(session, inspection_ids, everybody)
    pins = _pins(session, [row for row, *_ in rows])
    return tuple(
        Inspection(
            id=row.id,
            device=device_of(device, lot.device_class),
            lot=lot_of(lot, shipment_of(shipment, everybody[shipment.received_by_id])),
            form_revision=pins.forms[row.form_id][0],
            form_digest=pins.forms[row.form_id][1],
            contract_revision=pins.contracts[row.contract_id][0],
            contract_digest=pins.contracts[row.contract_id][1],
            opened_at=row.opened_at,
            opened_by=everybody[row.opened_by_id],
            entries=entries[row.id],
            signature=None if signature is None else signature_of(signature, everybody[signature.signed_by_id]),
            arrival_note=note,
        )
        for row, device, lot, shipment, note, signature in rows
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pins:
    forms: Mapping[int, tuple[str, str]]
    contracts: Mapping[int, tuple[str, str]]


def _pins(session: Session, rows: Sequence[InspectionRow]) -> _Pins:
    forms = select(FormRow.id, FormRow.revision, FormRow.digest).where(FormRow.id.in_({row.form_id for row in rows}))
    contracts = select(ContractRow.id, ContractRow.revision, ContractRow.digest).where(
        ContractRow.id.in_({row.contract_id for row in rows})
    )
    return _Pins(
        forms={key: (revision, digest) for key, revision, digest in session.execute(forms)},
        contracts={key: (revision, digest) for key, revision, digest in session.execute(contracts)},
    )


def inspections_of_device(session: Session, device_id: int) -> tuple[Inspection, ...]:
    """Return every inspection of a device, newest first."""
    return inspections(
        session, session.scalars(select(InspectionRow.id).where(InspectionRow.device_id == device_id)).all()
    )


def _newest_entries(
    session: Session, inspection_ids: Collection[int], everybody: Mapping[int, Person]
) -> Mapping[int, dict[str, Entry]]:
    newest = (
        select(EntryRow.inspection_id, EntryRow.step_id, func.max(EntryRow.revision).label("revision"))
        .where(EntryRow.inspection_id.in_(inspection_ids))
        .group_by(EntryRow.inspection_id, EntryRow.step_id)
        .subquery()
    )
    statement = (
        select(EntryRow)
        .join(
            newest,
            (newest.c.inspection_id == EntryRow.inspection_id)
            & (newest.c.step_id == EntryRow.step_id)
            & (newest.c.revision == EntryRow.revision),
        )
        .order_by(EntryRow.id)
    )
    rows = session.scalars(statement).all()
    found: dict[int, dict[str, Entry]] = defaultdict(dict)
    for row, entry in zip(rows, _entries(session, rows, everybody), strict=True):
        found[row.inspection_id][row.step_id] = entry
    return found


def entries_of_step(session: Session, inspection_id: int, step_id: str) -> tuple[Entry, ...]:
    """Return every revision of a step's entry, oldest first."""
    statement = (
        select(EntryRow)
        .where(EntryRow.inspection_id == inspection_id, EntryRow.step_id == step_id)
        .order_by(EntryRow.revision)
    )
    return _entries(session, session.scalars(statement).all(), people(session))


def newest_entry(session: Session, inspection_id: int, step_id: str) -> Entry | None:
    """Return the newest entry of one step."""
    statement = (
        select(EntryRow)
        .where(EntryRow.inspection_id == inspection_id, EntryRow.step_id == step_id)
        .order_by(EntryRow.revision.desc())
        .limit(1)
    )
    return next(iter(_entries(session, session.scalars(statement).all(), people(session))), None)


def _entries(session: Session, rows: Sequence[EntryRow], everybody: Mapping[int, Person]) -> tuple[Entry, ...]:
    keys = [row.id for row in rows]
    instruments = instruments_of_entries(session, keys)
    evidence = _evidence_of_entries(session, keys)
    measurements = select(MeasurementRow.entry_id, MeasurementRow.transcript).where(MeasurementRow.entry_id.in_(keys))
    transcripts = dict(session.execute(measurements).all())
    return tuple(
        entry_of(
            row,
            everybody[row.recorded_by_id],
            instruments.get(row.id, ()),
            evidence.get(row.id, ()),
            transcripts.get(row.id),
        )
        for row in rows
    )


def _evidence_of_entries(session: Session, entry_ids: Collection[int]) -> Mapping[int, list[Evidence]]:
    statement = (
        select(EntryEvidenceRow, EvidenceRow)
        .join(EvidenceRow, EvidenceRow.sha256 == EntryEvidenceRow.sha256)
        .where(EntryEvidenceRow.entry_id.in_(entry_ids))
        .order_by(EntryEvidenceRow.entry_id, EntryEvidenceRow.position)
    )
    found: dict[int, list[Evidence]] = defaultdict(list)
    for row, file in session.execute(statement):
        found[row.entry_id].append(entry_evidence_of(row, file))
    return found


def add_entry(act: Act, inspection_id: int, new: NewEntry, recorded_by: Person) -> Entry:
    """Append an entry with its instruments, files and measurement."""
    row = act.add(
        EntryRow(
            inspection_id=inspection_id,
            step_id=new.step_id,
            revision=new.revision,
            state=new.state,
            answers=answers_text(new.answers),
            conditions=canonical_json(dict(new.conditions)),
            problem=new.problem,
            reason=new.reason,
            recorded_at=act.at,
            recorded_by_id=recorded_by.id,
        )
    )
    for position, instrument_id in enumerate(new.instrument_ids, start=1):
        act.add(EntryInstrumentRow(entry_id=row.id, position=position, instrument_id=instrument_id))
    for position, file in enumerate(new.evidence, start=1):
        act.add(
            EntryEvidenceRow(entry_id=row.id, position=position, sha256=file.sha256, name=file.name, role=file.role)
        )
    if new.measured is not None:
        act.add(
            MeasurementRow(entry_id=row.id, program_version=new.program_version, transcript=measured_text(new.measured))
        )
    (entry,) = _entries(act.session, (row,), {recorded_by.id: recorded_by})
    return entry


def program_version_of(session: Session, entry_id: int) -> str | None:
    """Return the version of the program that measured an entry."""
    return session.scalar(select(MeasurementRow.program_version).where(MeasurementRow.entry_id == entry_id))


def add_signature(
    act: Act,
    inspection_id: int,
    *,
    signed_by: Person,
    remark: str,
    judgements: tuple[Judgement, ...],
    verdict: Verdict,
) -> None:
    """Sign an inspection; its judgements are frozen with it."""
    count = act.session.scalar(select(func.count()).where(SignatureRow.inspection_id == inspection_id)) or 0
    act.add(
        SignatureRow(
            inspection_id=inspection_id,
            ordinal=count + 1,
            signed_at=act.at,
            signed_by_id=signed_by.id,
            outcome=verdict.outcome,
            remark=remark,
            assessment=assessment_text(judgements, verdict),
        )
    )


def counting_signature(session: Session, inspection_id: int) -> SignatureRow | None:
    """Return the signature that counts."""
    statement = select(SignatureRow).join(InspectionRow, COUNTING_SIGNATURE).where(InspectionRow.id == inspection_id)
    return session.scalar(statement)


def frozen_assessment(session: Session, inspection_id: int) -> tuple[tuple[Judgement, ...], Verdict] | None:
    """Return the judgements and the verdict as they were signed; None for an inspection under way."""
    row = counting_signature(session, inspection_id)
    return None if row is None else assessment_from(row.assessment)


def add_reopening(act: Act, inspection_id: int, *, reopened_by: Person, reason: str) -> None:
    """Take the counting signature of an inspection back."""
    signature = counting_signature(act.session, inspection_id)
    if signature is None:
        raise ValueError(f"inspection {inspection_id} is not signed")
    act.add(ReopeningRow(signature_id=signature.id, reopened_at=act.at, reopened_by_id=reopened_by.id, reason=reason))


def outcomes(session: Session, inspection_ids: Collection[int]) -> dict[int, Outcome]:
    """Return the signed outcome of each inspection that has one."""
    statement = (
        select(InspectionRow.id, SignatureRow.outcome)
        .join(SignatureRow, COUNTING_SIGNATURE)
        .where(InspectionRow.id.in_(inspection_ids))
    )
    return dict(session.execute(statement).all())


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """When an inspection was opened, and by whom."""

    at: datetime
    by: Person


def openings(session: Session, inspection_ids: Collection[int]) -> dict[int, Opening]:
    """Return when and by whom inspections were opened."""
    everybody = people(session)
    statement = select(InspectionRow.id, InspectionRow.opened_at, InspectionRow.opened_by_id)
    rows = session.execute(statement.where(InspectionRow.id.in_(inspection_ids)))
    return {key: Opening(at=at, by=everybody[person_id]) for key, at, person_id in rows}
