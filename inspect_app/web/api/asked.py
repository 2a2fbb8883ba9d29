"""What programs ask and send: queries and bodies as pydantic models; what is not declared is refused, not left out."""

from typing import Annotated, Final

from pydantic import BaseModel, ConfigDict, Field

from inspect_app.model import EntryState, Outcome

MOST_ITEMS: Final = 200
LARGEST_KEY: Final = 2**31 - 1  # of the record's whole numbers
Key = Annotated[int, Field(ge=1, le=LARGEST_KEY)]
Line = Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f]+$")]
Serial = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[^\x00-\x1f\x7f]+$")]
Remark = Annotated[str, Field(max_length=4000, pattern=r"^[^\x00]*$")]
Find = Annotated[str, Field(max_length=200, pattern=r"^[^\x00-\x1f\x7f]*$")]
Texts = Annotated[list[Remark], Field(max_length=500)]


class Asked(BaseModel):
    """Parent of all that programs send."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Nothing(Asked):
    """No query."""


class PageQuery(Asked):
    """Which part of a list."""

    limit: int = Field(default=50, ge=1, le=MOST_ITEMS, description="How many items at most")
    cursor: Annotated[str, Field(max_length=400, pattern=r"^[A-Za-z0-9_-]+$")] | None = Field(
        default=None, description="From `next` of the part before"
    )


class FindQuery(PageQuery):
    """Which documents."""

    find: Find | None = Field(default=None, description="Text in number, serial or lot")


class LotQuery(PageQuery):
    """Which lots."""

    find: Find | None = Field(default=None, description="Text in number, class, contract or delivery note")
    state: Annotated[str, Field(pattern="^open$")] | None = Field(
        default=None, description="`open` for lots that are not concluded yet"
    )


class DeviceQuery(PageQuery):
    """Which devices."""

    serial: Find | None = Field(default=None, description="Text in the serial")
    lot: Find | None = Field(default=None, description="Number of the lot in which they came")


Day = Annotated[str, Field(pattern=r"^\d{4}-\d{2}-\d{2}$")]
Value = Annotated[float, Field(gt=-1e300, lt=1e300)]


class ResultQuery(PageQuery):
    """Which results."""

    serial: Find | None = Field(default=None, description="The whole serial")
    lot: Find | None = Field(default=None, description="Number of the lot")


class OpenFleetQuery(PageQuery):
    """Which inspections under way."""

    serial: Find | None = Field(default=None, description="Text in the serial")
    device_class: Find | None = Field(default=None, alias="class")
    supplier: Find | None = None
    contract: Find | None = Field(default=None, description="Its number")
    lot: Find | None = Field(default=None, description="Its number")
    inspector: Key | None = Field(default=None, description="Key of the account that signed, or opened what is open")
    instrument: Key | None = Field(default=None, description="Key of an instrument that was used")
    quantity: Key | None = Field(default=None, description="Key of a characteristic; its results are told")
    at_least: Value | None = Field(default=None, alias="from", description="Bound of the result, in its unit")
    at_most: Value | None = Field(default=None, alias="to", description="Bound of the result, in its unit")


class FleetQuery(OpenFleetQuery):
    """Which signed inspections, and in which order."""

    verdict: Outcome | None = None
    since: Day | None = Field(default=None, description="First day of signing, such as 2026-06-01")
    until: Day | None = Field(default=None, description="Last day of signing, that day included")
    order: Annotated[str, Field(pattern="^back$")] | None = Field(
        default=None,
        description="`back` turns it round: by serial, or by result, or by use of the instrument, or newest first",
    )


class ContractQuery(Asked):
    """Which revision of a contract."""

    revision: Line | None = Field(default=None, description="The newest where it is left out")


class CaptureQuery(Asked):
    """What a file is called at the bench."""

    name: Line = Field(description="Its name, with the ending that says what it is")


class ArrivedDevice(Asked):
    """One serial as it is received."""

    serial: Serial
    device_class: Line
    note: Remark = ""
    is_on_packing_list: bool = True


class NewShipment(Asked):
    """A shipment to be received: one lot is made for each class of device."""

    contract_number: Line
    reference: Line = Field(description="Of the delivery note; the same devices under it again change nothing")
    devices: list[ArrivedDevice] = Field(min_length=1, max_length=10_000)


class NewInspection(Asked):
    """A device of a lot, whose inspection is opened, or gone on with where it is open."""

    lot_id: Key
    device_id: Key


class CaptureOfStep(Asked):
    """A kept file, and what it is to the step."""

    sha256: Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
    role: Line = Field(default="scene", description="A role that the check takes, or `photo`")
    name: Line | None = Field(default=None, description="The name under which it was kept where it is left out")


class NewEntry(Asked):
    """Answers to one step: captures, readings, conditions, instruments."""

    step_id: Line
    state: EntryState = EntryState.RECORDED
    answers: dict[Line, Remark | Texts] = Field(default={}, description="By the names of the step's questions")
    conditions: dict[Line, Remark] = Field(default={}, description="By the names of the step's windows")
    instrument_ids: list[Key] = Field(default=[], max_length=50)
    captures: list[CaptureOfStep] = Field(default=[], max_length=500)
    reason: Remark | None = None
    expected_revision: Annotated[int, Field(ge=0, le=LARGEST_KEY)] | None = Field(
        default=None,
        description="Of the newest entry that was seen; left out, answers are appended to none or to one's own draft",
    )
