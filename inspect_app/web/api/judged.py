"""What the interface answers about inspections: entries, results, judgements, verdicts, nonconformities."""

from collections.abc import Mapping
from datetime import date
from typing import Annotated, Any

from pydantic import AliasPath, BeforeValidator, Field

from inspect_app.model import Disposition, EntryState, Finding, NonconformityStep, Outcome, Severity
from inspect_app.web.api.answers import (
    Answer,
    CharacteristicAnswer,
    Conditions,
    DemandAnswer,
    DeviceAnswer,
    DocumentReference,
    InstrumentReference,
    LotReference,
    Moment,
    PersonAnswer,
    Sha256,
)


class SignatureAnswer(Answer):
    """The end of an inspection."""

    signed_at: Moment
    signed_by: PersonAnswer
    outcome: Outcome
    remark: str


class ListedInspectionAnswer(Answer):
    """An inspection without its entries."""

    id: int
    device: DeviceAnswer
    lot: LotReference
    opened_at: Moment
    opened_by: PersonAnswer
    signature: SignatureAnswer | None


class VerdictAnswer(Answer):
    """The verdict on a device; while the inspection is not signed, as it would be now."""

    outcome: Outcome
    reason: str


class DeviceArrivalAnswer(Answer):
    """One time that a device arrived."""

    lot: LotReference
    note: str
    is_on_packing_list: bool = Field(validation_alias="is_on_list")


class PastInspectionAnswer(Answer):
    """One inspection of a device with what was decided and issued."""

    inspection: ListedInspectionAnswer
    verdict: VerdictAnswer = Field(validation_alias=AliasPath("assessment", "verdict"))
    documents: list[DocumentReference]


class DeviceHistoryAnswer(Answer):
    """A device with its arrivals and inspections, newest first."""

    device: DeviceAnswer
    arrivals: list[DeviceArrivalAnswer]
    inspections: list[PastInspectionAnswer]


class CaptureReference(Answer):
    """A kept file as a step names it, and its role in the step."""

    sha256: Sha256
    name: str
    media_type: str
    size_bytes: int
    role: str


class ResultAnswer(Answer):
    """One measured quantity under one condition."""

    quantity: str = Field(validation_alias="quantity_name")
    condition: Conditions
    value: float = Field(validation_alias=AliasPath("quantity", "value"))
    unit: str = Field(validation_alias=AliasPath("quantity", "unit"))
    standard_uncertainty: float = Field(
        validation_alias=AliasPath("quantity", "standard_uncertainty"), description="k = 1, in `unit`"
    )
    degrees_of_freedom: float | None = Field(
        validation_alias=AliasPath("quantity", "degrees_of_freedom"), description="None where they are without bound"
    )


class SignedResultAnswer(Answer):
    """A result of an inspection whose signature counts, and the worst finding that was decided on it."""

    device: DeviceAnswer
    lot: LotReference
    inspection_id: int = Field(validation_alias=AliasPath("result", "inspection_id"))
    characteristic: CharacteristicAnswer
    value: float = Field(validation_alias=AliasPath("result", "quantity", "value"))
    standard_uncertainty: float = Field(
        validation_alias=AliasPath("result", "quantity", "standard_uncertainty"),
        description="k = 1, in the unit of the characteristic",
    )
    degrees_of_freedom: float | None = Field(
        validation_alias=AliasPath("result", "quantity", "degrees_of_freedom"),
        description="None where they are without bound",
    )
    finding: Finding | None = Field(validation_alias=AliasPath("result", "finding"))
    measured_at: Moment = Field(validation_alias=AliasPath("result", "measured_at"))
    outcome: Outcome
    signed_at: Moment


class OpenResultAnswer(Answer):
    """A result that nobody signed yet."""

    check: str
    quantity: str
    condition: Conditions
    value: float
    unit: str
    standard_uncertainty: float = Field(description="k = 1, in `unit`")
    measured_at: Moment


class OpenInspectionAnswer(Answer):
    """An inspection that is not signed yet, with its results as they stand; they may still change."""

    device: DeviceAnswer
    lot: LotReference
    inspection_id: int
    results: list[OpenResultAnswer]


class EntryAnswer(Answer):
    """The newest answers to one step, and what was measured from them."""

    step_id: str
    revision: int
    state: EntryState
    answers: Mapping[str, list[str]]
    conditions: Mapping[str, str]
    instruments: list[InstrumentReference]
    captures: list[CaptureReference] = Field(validation_alias="evidence")
    results: list[ResultAnswer] = Field(validation_alias=AliasPath("measured", "results"), default=[])
    warnings: list[str] = Field(validation_alias=AliasPath("measured", "warnings"), default=[])
    is_corrected: Annotated[bool, BeforeValidator(lambda correction: correction is not None)] = Field(
        validation_alias="counting_correction",
        description="Whether a person's correction counts in the place of the computed result",
    )
    problem: str | None = Field(description="Why there is no result")
    reason: str | None
    recorded_at: Moment
    recorded_by: PersonAnswer


class JudgementAnswer(Answer):
    """One demand of the contract, decided; figures are in the unit of the demand."""

    demand: DemandAnswer = Field(validation_alias="limit")
    finding: Finding
    reason: str
    step_id: str | None
    condition: Conditions
    value: float | None = Field(validation_alias=AliasPath("quantity", "value"), default=None)
    unit: str | None = Field(validation_alias=AliasPath("quantity", "unit"), default=None)
    standard_uncertainty: float | None = Field(
        validation_alias=AliasPath("quantity", "standard_uncertainty"), default=None
    )
    acceptance_at_least: float | None
    acceptance_at_most: float | None
    guard_band: float
    coverage_factor: float | None
    margin: float | None
    probability_of_conformity: float | None
    specific_risk: float | None


class QuestionAnswer(Answer):
    """One thing that a step asks, by the name under which it is answered."""

    name: str
    label: str
    kind: str
    unit: str | None
    choices: list[str]
    is_optional: bool
    way: str


class WindowAnswer(Answer):
    """A condition that is read at the bench, and between what it must lie."""

    name: str
    unit: str
    label: str
    low: float
    high: float
    before_and_after: bool = Field(description="Read twice: its names end in _before and _after")


class StepAnswer(Answer):
    """One check under stated conditions, as the form asks it."""

    id: str
    title: str
    check: str
    instruction: str
    instruments: list[str] = Field(description="Kinds that are to be named")
    windows: list[WindowAnswer]
    questions: list[QuestionAnswer]


class InspectionAnswer(ListedInspectionAnswer):
    """An inspection with all that was entered, measured and judged."""

    form_revision: str
    form_digest: Sha256
    contract_revision: str
    contract_digest: Sha256
    arrival_note: str
    steps: list[StepAnswer]
    entries: list[EntryAnswer]
    judgements: list[JudgementAnswer]
    verdict: VerdictAnswer


class StepJudged(Answer):
    """What came of a step: the entry, the judgements that rest on it, and the verdict as it stands now."""

    entry: EntryAnswer
    judgements: list[JudgementAnswer]
    verdict: VerdictAnswer


class NonconformityActAnswer(Answer):
    """One decision about a nonconformity."""

    step: NonconformityStep
    reason: str
    at: Moment
    by: PersonAnswer
    severity: Severity | None
    disposition: Disposition | None
    valid_until: date | None
    repeats: list[str]


class NonconformityAnswer(Answer):
    """A demand that a device did not meet, and what was decided since."""

    id: int
    number: str
    inspection_id: int
    device: DeviceAnswer
    lot: LotReference
    clause: str
    title: str
    check: str
    quantity: str = Field(validation_alias="quantity_name")
    severity: Severity = Field(description="The class that counts now")
    contract_severity: Severity
    step_id: str | None
    finding: str
    found_at: Moment
    found_by: PersonAnswer
    is_closed: bool
    acts: list[NonconformityActAnswer]


class MeasurementAnswer(Answer):
    """A measurement in full, as `inspect-app measure --json` prints it: budgets, curves, features, outlines."""

    check: str
    method: str
    files: list[dict[str, str]]
    results: list[dict[str, Any]]
    traces: list[dict[str, Any]]
    features: list[dict[str, Any]]
    outlines: list[dict[str, Any]]
    warnings: list[str]
