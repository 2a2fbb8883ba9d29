"""What a signature says, derived from the sealed rows: its verdict, its results one by one, its instruments."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from inspect_app.judge import StepResults, results_behind
from inspect_app.model import Finding, Judgement, Outcome
from inspect_app.storage.answered import (
    Answer,
    CharacteristicKey,
    answers_given,
    characteristic_key,
    conditions_of,
)
from inspect_app.storage.convert import assessment_from
from inspect_app.storage.tables import (
    FormRow,
    InspectionRow,
    LotRow,
    ShipmentRow,
    SignatureRow,
)

_WORST_FIRST: Final = tuple(
    Finding(name)
    for name in (
        "nonconforming", "conditional fail", "not measured", "inconclusive", "conditional pass", "conforming",
    )
)  # fmt: skip
Values = dict[str, Any]


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
    given = answers_given(session, [one.inspection_id for _, one in signed])
    return {row.id: given.answers_of(one.inspection_id, before=row.event_id) for row, one in signed}


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
    conditions = conditions_of(signed.form)
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
            yield (
                characteristic_key(signed.device_class, answer, result, conditions[answer.step_id]),
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


def _findings(judgements: Sequence[Judgement], steps: Sequence[StepResults]) -> Mapping[int, Finding]:
    """Return the worst finding of the judgements on each result, by its identity."""
    found: dict[int, Finding] = {}
    for judgement in judgements:
        for result in results_behind(judgement, steps):
            before = found.get(id(result), judgement.finding)
            found[id(result)] = min(before, judgement.finding, key=_WORST_FIRST.index)
    return found
