"""What leaves the building: five kinds of document, what each is about, and how it ceases to stand."""

import enum
from dataclasses import dataclass
from datetime import date, datetime

from inspect_app.model.record import Person


class DocumentKind(enum.StrEnum):
    """What leaves the building; the first two are on one inspection, the others are reports."""

    CERTIFICATE = "certificate"
    REJECTION = "rejection notice"
    LOT_REPORT = "lot report"
    RETURN_LIST = "return list"
    FLEET_REPORT = "fleet report"

    @property
    def letter(self) -> str:
        """The letter that its numbers begin with."""
        return _LETTERS[self]


_LETTERS = {
    DocumentKind.CERTIFICATE: "C",
    DocumentKind.REJECTION: "R",
    DocumentKind.LOT_REPORT: "L",
    DocumentKind.RETURN_LIST: "S",
    DocumentKind.FLEET_REPORT: "F",
}


class EndManner(enum.StrEnum):
    """How a document ceased to stand."""

    SUPERSEDED = "superseded"
    REVOKED = "revoked"


@dataclass(frozen=True, slots=True, kw_only=True)
class DocumentEnd:
    """Why a document no longer stands; `successor` is the number of the one that superseded it."""

    manner: EndManner
    reason: str
    ended_at: datetime
    ended_by: Person
    successor: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AboutInspection:
    """A certificate or a rejection notice: the inspection, and the signature under it that the document rests on."""

    inspection_id: int
    signature_id: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AboutLot:
    """A lot report."""

    lot_id: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AboutReturn:
    """A return list: of the devices that went back together."""

    return_shipment_id: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AboutFleet:
    """A fleet report: of the lots that came under a contract, from a supplier, of a class, within days of receipt.

    What is empty or None does not narrow it down; both days count.
    """

    contract_number: str = ""
    supplier: str = ""
    device_class: str = ""
    received_from: date | None = None
    received_until: date | None = None


AboutReport = AboutLot | AboutReturn | AboutFleet
About = AboutInspection | AboutReport


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """An issued document; its bytes are kept under `sha256` and never made again. It stands while it has no `end`."""

    number: str
    kind: DocumentKind
    about: About
    sha256: str
    issued_at: datetime
    issued_by: Person
    end: DocumentEnd | None = None
