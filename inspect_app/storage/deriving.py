"""What a signature says, derived from the sealed rows: its verdict, its results one by one, its instruments."""

import json
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any, Final, NamedTuple

from sqlalchemy import select
from sqlalchemy.orm import Session

from inspect_app.definitions import read_form_text
from inspect_app.judge import StepResults, results_behind
from inspect_app.model import EntryState, Finding, Judgement, Measured, Outcome
from inspect_app.model.characteristic import CARRIED_OVER, lasting_condition
from inspect_app.model.transcript import from_json_values
from inspect_app.storage.audit import canonical_json
from inspect_app.storage.convert import assessment_from
from inspect_app.storage.tables import (
    CorrectionRow,
    EntryInstrumentRow,
    EntryRow,
    FormRow,
    InspectionRow,
    LotRow,
    MeasurementRow,
    ShipmentRow,
    SignatureRow,
)

_WORST_FIRST: Final = tuple(
    Finding(name)
    for name in (
        "nonconforming", "conditional fail", "not measured", "inconclusive", "conditional pass", "conforming",
    )
)  # fmt: skip
_BULKY: Final = ("files", "traces", "features", "outlines", "warnings")
Values = dict[str, Any]


class CharacteristicKey(NamedTuple):
    """What makes a characteristic this one, as its row keeps it."""

    device_class: str
    check_name: str
    quantity_name: str
    condition: str
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """The rows that one signature is listed by; each result with its characteristic."""

    signature_id: int
    verdict: Values
    results: tuple[tuple[CharacteristicKey, Values], ...]
    uses: tuple[Values, ...]

    @property
    def characteristics(self) -> tuple[CharacteristicKey, ...]:
        """Those of its results, each once, in their order."""
        return tuple(dict.fromkeys(key for key, _ in self.results))


@dataclass(frozen=True, slots=True, kw_only=True)
class Signed:
    """A signature with what it stands under; `form` is the text of the form that was asked."""

    id: int
    inspection_id: int
    device_id: int
    lot_id: int
    device_class: str
    supplier: str
    contract_number: str
    outcome: Outcome
    signed_at: datetime
    signed_by_id: int
    form: str
    judgements: tuple[Judgement, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """An entry as it stood when it was signed: the result that counts, where, when and with what it was recorded."""

    entry_id: int
    step_id: str
    recorded_at: datetime
    instrument_ids: tuple[int, ...]
    measured: Measured


def listings(session: Session, signature_ids: Sequence[int]) -> Iterator[Listing]:
    """Yield what signatures say, in the order of their keys, read from the sealed rows."""
    signed = _signed(session, signature_ids)
    answers = _answers(session, signed)
    for row, one in signed:
        yield listing(one, answers[row.id])


def listing(signed: Signed, answers: Sequence[Answer]) -> Listing:
    """Return the rows that a signature is listed by, from the entries that it signed, in the order of their steps."""
    answers = sorted(answers, key=lambda answer: answer.step_id)
    used: dict[int, datetime] = {}
    for answer in answers:
        for instrument_id in answer.instrument_ids:
            used[instrument_id] = max(answer.recorded_at, used.get(instrument_id, answer.recorded_at))
    return Listing(
        signature_id=signed.id,
        verdict=_verdict_values(signed),
        results=tuple(_results(signed, answers)),
        uses=tuple(
            {"signature_id": signed.id, "instrument_id": instrument_id, "last_used_at": used[instrument_id]}
            for instrument_id in sorted(used)
        ),
    )


def _signed(session: Session, signature_ids: Sequence[int]) -> list[tuple[SignatureRow, Signed]]:
    statement = (
        select(SignatureRow, InspectionRow, LotRow, ShipmentRow, FormRow.source)
        .join(InspectionRow, InspectionRow.id == SignatureRow.inspection_id)
        .join(LotRow, LotRow.id == InspectionRow.lot_id)
        .join(ShipmentRow, ShipmentRow.id == LotRow.shipment_id)
        .join(FormRow, FormRow.id == InspectionRow.form_id)
        .where(SignatureRow.id.in_(signature_ids))
        .order_by(SignatureRow.id)
    )
    return [
        (
            signature,
            Signed(
                id=signature.id,
                inspection_id=inspection.id,
                device_id=inspection.device_id,
                lot_id=lot.id,
                device_class=lot.device_class,
                supplier=shipment.supplier,
                contract_number=shipment.contract_number,
                outcome=signature.outcome,
                signed_at=signature.signed_at,
                signed_by_id=signature.signed_by_id,
                form=form,
                judgements=assessment_from(signature.assessment)[0],
            ),
        )
        for signature, inspection, lot, shipment, form in session.execute(statement)
    ]


def _answers(session: Session, signed: Sequence[tuple[SignatureRow, Signed]]) -> Mapping[int, list[Answer]]:
    """Return, for each signature, the entries that it signed and that gave results of their own."""
    entries = _entries(session, [one.inspection_id for _, one in signed])
    entry_ids = [row.id for rows in entries.values() for row, _ in rows]
    corrected, instruments = _corrections(session, entry_ids), _instruments(session, entry_ids)
    found: dict[int, list[Answer]] = defaultdict(list)
    for signature, one in signed:
        before = signature.event_id
        newest = {row.step_id: (row, text) for row, text in entries[one.inspection_id] if row.event_id < before}
        for row, transcript in newest.values():
            texts = [text for event_id, text in corrected[row.id] if event_id < before]
            if _counts(row) and transcript is not None:
                found[one.id].append(
                    Answer(
                        entry_id=row.id,
                        step_id=row.step_id,
                        recorded_at=row.recorded_at,
                        instrument_ids=tuple(instruments[row.id]),
                        measured=_results_of(texts[-1] if texts else transcript),
                    )
                )
    return found


def _counts(row: EntryRow) -> bool:
    is_carried_over = row.revision == 1 and (row.reason or "").startswith(CARRIED_OVER)
    return row.state is EntryState.RECORDED and row.problem is None and not is_carried_over


def _entries(session: Session, inspection_ids: Sequence[int]) -> Mapping[int, list[tuple[EntryRow, str | None]]]:
    statement = (
        select(EntryRow, MeasurementRow.transcript)
        .outerjoin(MeasurementRow, MeasurementRow.entry_id == EntryRow.id)
        .where(EntryRow.inspection_id.in_(inspection_ids))
        .order_by(EntryRow.inspection_id, EntryRow.step_id, EntryRow.revision)
    )
    found: dict[int, list[tuple[EntryRow, str | None]]] = defaultdict(list)
    for row, transcript in session.execute(statement):
        found[row.inspection_id].append((row, transcript))
    return found


def _corrections(session: Session, entry_ids: Sequence[int]) -> Mapping[int, list[tuple[int, str]]]:
    statement = (
        select(CorrectionRow.entry_id, CorrectionRow.event_id, CorrectionRow.transcript)
        .where(CorrectionRow.entry_id.in_(entry_ids))
        .order_by(CorrectionRow.ordinal)
    )
    found: dict[int, list[tuple[int, str]]] = defaultdict(list)
    for entry_id, event_id, transcript in session.execute(statement):
        found[entry_id].append((event_id, transcript))
    return found


def _results_of(transcript: str) -> Measured:
    """Return a measurement without its curves and pictures, which are most of it and are not asked for."""
    return from_json_values({**json.loads(transcript), **dict.fromkeys(_BULKY, ())})


def _instruments(session: Session, entry_ids: Sequence[int]) -> Mapping[int, list[int]]:
    statement = (
        select(EntryInstrumentRow.entry_id, EntryInstrumentRow.instrument_id)
        .where(EntryInstrumentRow.entry_id.in_(entry_ids))
        .order_by(EntryInstrumentRow.entry_id, EntryInstrumentRow.position)
    )
    found: dict[int, list[int]] = defaultdict(list)
    for entry_id, instrument_id in session.execute(statement):
        found[entry_id].append(instrument_id)
    return found


def _verdict_values(signed: Signed) -> Values:
    return {
        "signature_id": signed.id,
        "inspection_id": signed.inspection_id,
        "device_id": signed.device_id,
        "lot_id": signed.lot_id,
        "device_class": signed.device_class,
        "supplier": signed.supplier,
        "contract_number": signed.contract_number,
        "outcome": signed.outcome,
        "signed_at": signed.signed_at,
        "signed_by_id": signed.signed_by_id,
    }


def _results(signed: Signed, answers: Sequence[Answer]) -> Iterator[tuple[CharacteristicKey, Values]]:
    conditions = _conditions(signed.form)
    steps = tuple(
        StepResults(
            step_id=answer.step_id,
            check=answer.measured.check,
            condition=conditions[answer.step_id],
            measured=answer.measured,
        )
        for answer in answers
    )
    findings = _findings(signed.judgements, steps)
    for answer in answers:
        for ordinal, result in enumerate(answer.measured.results, start=1):
            condition = lasting_condition(conditions[answer.step_id], result.condition)
            key = CharacteristicKey(
                device_class=signed.device_class,
                check_name=answer.measured.check,
                quantity_name=result.quantity_name,
                condition=canonical_json(condition),
                unit=result.quantity.unit,
            )
            yield (
                key,
                {
                    "signature_id": signed.id,
                    "entry_id": answer.entry_id,
                    "ordinal": ordinal,
                    "device_id": signed.device_id,
                    "measured_at": answer.recorded_at,
                    "value": result.quantity.value,
                    "standard_uncertainty": result.quantity.standard_uncertainty,
                    "degrees_of_freedom": result.quantity.degrees_of_freedom,
                    "finding": findings.get(id(result)),
                },
            )


@lru_cache(maxsize=64)
def _conditions(form: str) -> Mapping[str, Mapping[str, Any]]:
    """Return the nominal condition of each step of a form, by its id."""
    return {step.id: step.condition for step in read_form_text(form, "a form of the record").steps}


def _findings(judgements: Sequence[Judgement], steps: Sequence[StepResults]) -> Mapping[int, Finding]:
    """Return the worst finding of the judgements on each result, by its identity."""
    found: dict[int, Finding] = {}
    for judgement in judgements:
        for result in results_behind(judgement, steps):
            before = found.get(id(result), judgement.finding)
            found[id(result)] = min(before, judgement.finding, key=_WORST_FIRST.index)
    return found
