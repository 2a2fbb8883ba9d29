"""Reader studies as the record keeps them, and the act that lets one count at the bench."""

import enum
from dataclasses import dataclass
from datetime import datetime

from inspect_app.model.record import Instrument, Person


class StudyKind(enum.StrEnum):
    """What the table of a study holds: plain readings, elements of the bar target, or pass/fail looks."""

    READINGS = "readings"
    ELEMENTS = "elements"
    LOOKS = "looks"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReaderDoubt:
    """What one reader adds to a reading: standard uncertainty in per cent of it, with its degrees of freedom."""

    percent: float
    degrees_of_freedom: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ReaderErrors:
    """How often looks were wrong: of those at good items some rejected, of those at bad ones some accepted."""

    good: int
    good_rejected: int
    bad: int
    bad_accepted: int

    @property
    def false_reject(self) -> float:
        """The share of the looks at good items that rejected."""
        return self.good_rejected / self.good

    @property
    def false_accept(self) -> float:
        """The share of the looks at bad items that accepted."""
        return self.bad_accepted / self.bad


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyAdoption:
    """The act by which a study begins to count at the bench, with what it gives; or, with nothing, counts no longer.

    A study of elements gives the doubt of one reader, one of looks how often they are wrong.
    """

    study_number: str
    doubt: ReaderDoubt | None
    reason: str
    decided_at: datetime
    decided_by: Person
    errors: ReaderErrors | None = None

    @property
    def lets_count(self) -> bool:
        """Whether the study counts by it."""
        return self.doubt is not None or self.errors is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReaderStudy:
    """A study with its whole table.

    `layout` is the number from which its blinded order was laid out, empty where it was laid out otherwise.
    `adoptions` are the acts about it, oldest first.
    """

    number: str
    kind: StudyKind
    title: str
    layout: str
    table_name: str
    table: str
    instrument: Instrument | None
    remark: str
    kept_at: datetime
    kept_by: Person
    adoptions: tuple[StudyAdoption, ...] = ()
