"""What the interface answers: the nouns of the record as pydantic models, read from the frozen values by attribute.

Every model is a promise to other programs: fields are added, never renamed or taken away, within /api/v1. Moments are
in ISO 8601 with zone, numbers carry their unit in their name or beside them.
"""

from collections.abc import Mapping
from datetime import UTC, date, datetime
from typing import Annotated, Generic, TypeVar

from pydantic import AfterValidator, AliasPath, BaseModel, BeforeValidator, ConfigDict, Field

from inspect_app.model import (
    DecisionRule,
    DocumentKind,
    EndManner,
    Outcome,
    Over,
    Role,
    Severity,
    StudyKind,
)

T = TypeVar("T")
Moment = Annotated[datetime, AfterValidator(lambda moment: moment.astimezone(UTC))]
Sha256 = Annotated[str, Field(pattern="^[0-9a-f]{64}$", description="SHA-256 of the bytes, in hexadecimal")]
Conditions = dict[str, str | int | float | list[int]]


class Answer(BaseModel):
    """Parent of all answers."""

    model_config = ConfigDict(from_attributes=True, frozen=True)


class Page(Answer, Generic[T]):
    """A part of a list, in the order of its keys; `next` is the address of the part behind it."""

    items: list[T]
    next: str | None = Field(description="None where this is the end; the same address stands in the header Link")


class PersonAnswer(Answer):
    """Somebody with an account, as the record names them."""

    login: str
    name: str


class AccountAnswer(PersonAnswer):
    """An account."""

    id: int
    role: Role
    is_active: bool


class DeviceAnswer(Answer):
    """The thing inspected: one serial number of one maker."""

    id: int
    maker: str
    serial: str
    device_class: str


class LotReference(Answer):
    """Devices of one class in a shipment, judged together."""

    id: int
    number: str
    device_class: str


class ShipmentReference(Answer):
    """What a supplier delivered against a contract at one time."""

    id: int
    reference: str
    contract_number: str
    supplier: str
    received_at: Moment
    received_by: PersonAnswer


class ShipmentAnswer(Answer):
    """A shipment with its lots."""

    shipment: ShipmentReference
    lots: list[LotReference]
    devices: int = Field(description="How many devices came")


class LotAnswer(Answer):
    """A lot, and how many of its devices stand where."""

    lot: LotReference
    shipment: ShipmentReference = Field(validation_alias=AliasPath("lot", "shipment"))
    devices: int = Field(validation_alias="total")
    accepted: int
    rejected: int
    held: int
    under_way: int = Field(validation_alias="open")
    untouched: int


class ArrivalAnswer(Answer):
    """A device as it came last, or as it came in a lot."""

    device: DeviceAnswer
    lot: LotReference
    note: str
    is_on_packing_list: bool = Field(validation_alias="is_on_list")
    inspection_id: int | None
    outcome: Outcome | None = Field(description="None while its newest inspection in the lot is not signed")
    document_number: str | None = Field(validation_alias=AliasPath("document", "number"), default=None)


class DocumentReference(Answer):
    """A document by its number."""

    number: str
    kind: DocumentKind
    issued_at: Moment


class CaptureAnswer(Answer):
    """A file kept unchanged under the digest of its bytes."""

    sha256: Sha256 = Field(validation_alias=AliasPath("file", "sha256"))
    name: str = Field(validation_alias=AliasPath("file", "name"))
    media_type: str = Field(validation_alias=AliasPath("file", "media_type"))
    size_bytes: int = Field(validation_alias=AliasPath("file", "size_bytes"))
    kept_at: Moment | None = Field(validation_alias=AliasPath("file", "kept_at"))
    kept_by: PersonAnswer


class CalibrationAnswer(Answer):
    """One calibration of an instrument."""

    certificate: str
    laboratory: str
    calibrated_on: date
    due_on: date


class InstrumentReference(Answer):
    """What was measured with."""

    id: int
    kind: str
    name: str
    serial: str


class InstrumentAnswer(InstrumentReference):
    """An instrument with its calibrations, oldest first."""

    calibrations: list[CalibrationAnswer]


class DemandAnswer(Answer):
    """A demand of a contract: bounds in `unit`, or a table of spots."""

    clause: str
    title: str
    check: str
    quantity: str | None = Field(validation_alias="quantity_name", default=None, description="None for a spot table")
    unit: str | None = None
    at_least: float | None = None
    at_most: float | None = None
    condition: Conditions
    decision_rule: DecisionRule
    severity: Severity
    over: Over | None = Field(default=None, description="Which of several results it reads")


class DocumentEndAnswer(Answer):
    """Why a document no longer stands."""

    manner: EndManner
    reason: str
    ended_at: Moment
    ended_by: PersonAnswer
    successor: str | None


class DocumentAnswer(DocumentReference):
    """An issued document; its bytes are kept under their digest."""

    inspection_id: int | None = Field(
        validation_alias=AliasPath("about", "inspection_id"), default=None, description="None for a report"
    )
    lot_id: int | None = Field(
        validation_alias=AliasPath("about", "lot_id"), default=None, description="Of the lot that a report is about"
    )
    sha256: Sha256
    issued_by: PersonAnswer
    end: DocumentEndAnswer | None


class ListedDocumentAnswer(Answer):
    """An issued document with the device and the lot that it speaks of."""

    document: DocumentAnswer = Field(validation_alias=AliasPath("issued", "document"))
    device: DeviceAnswer | None = Field(validation_alias=AliasPath("issued", "device"))
    lot: LotReference | None = Field(validation_alias=AliasPath("issued", "lot"))


class ReturnAnswer(Answer):
    """Devices sent back to their supplier together."""

    id: int
    reference: str
    supplier: str
    remark: str
    sent_at: Moment
    sent_by: PersonAnswer
    serials: Annotated[list[str], BeforeValidator(lambda pairs: [serial for _, serial in pairs])] = Field(
        validation_alias="devices"
    )


class RateAnswer(Answer):
    """How many of how many, with the exact 95 % interval of the share; none where nothing was decided."""

    found: int
    of: int
    share: float | None
    interval: tuple[float, float] | None


class SupplierAnswer(Answer):
    """One supplier and device class; rates are of rejected lots and of devices rejected at their first inspection."""

    supplier: str
    device_class: str
    lots: int
    lots_rejected: RateAnswer
    devices: int
    devices_rejected: RateAnswer
    open_returns: Annotated[int, BeforeValidator(len)] = Field(description="Devices that wait to go back")


class ContractReference(Answer):
    """A contract in its newest revision."""

    number: str
    revision: str
    title: str
    buyer: str
    supplier: str
    device_classes: list[str]
    sha256: Sha256 = Field(validation_alias="digest")


class ContractAnswer(ContractReference):
    """A contract with its demands by device class, and its source."""

    note: str
    demands: Mapping[str, list[DemandAnswer]]
    source: str = Field(description="As it was adopted, in TOML")


class EventAnswer(Answer):
    """One link of the audit chain."""

    id: int
    at: Moment
    actor: str
    action: str
    subject: str
    detail: Mapping[str, str]
    digest: Sha256
    previous_digest: Sha256


class CharacteristicAnswer(Answer):
    """What can be measured of a class: a quantity of a check under a lasting condition, in a unit."""

    id: int
    device_class: str
    check: str
    quantity: str = Field(validation_alias="quantity_name")
    condition: Conditions
    unit: str


class FleetDeviceAnswer(Answer):
    """A device with a verdict that stands; with its result where a quantity is asked for."""

    device: DeviceAnswer
    lot: LotReference | None = Field(description="None for a serial that has no verdict yet, as all below")
    inspection_id: int | None
    outcome: Outcome | None
    signed_at: Moment | None
    signed_by: PersonAnswer | None
    value: float | None = Field(validation_alias=AliasPath("quantity", "value"), default=None)
    unit: str | None = Field(validation_alias=AliasPath("quantity", "unit"), default=None)
    standard_uncertainty: float | None = Field(
        validation_alias=AliasPath("quantity", "standard_uncertainty"), default=None, description="k = 1, in `unit`"
    )


class StudyAnswer(Answer):
    """A reader study with its whole table, as CSV."""

    number: str
    title: str
    kind: StudyKind
    layout: str
    table_name: str
    table: str
    instrument: InstrumentReference | None
    remark: str
    kept_at: Moment
    kept_by: PersonAnswer
