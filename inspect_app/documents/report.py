"""Everything that a report shows, in words: of a lot, of a return, of the fleet; one value for all three."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from inspect_app.documents.figures import Figure
from inspect_app.documents.imprint import Imprint
from inspect_app.model import DocumentKind, Outcome

MOST_PRINTED: Final = 400
"""Rows of one table on paper, ten pages of them; all rows are attached."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportTable:
    """A table of texts.

    Parameters
    ----------
    name : str
        Of the attached file with all rows.
    columns : sequence of str
        Their headings.
    shares : sequence of int
        Widths of the columns, in any common measure.
    rows : sequence of sequence of str
        The first column names its row.
    """

    name: str
    columns: Sequence[str]
    shares: Sequence[int]
    rows: Sequence[Sequence[str]]

    def __post_init__(self) -> None:
        if len(self.columns) != len(self.shares) or any(len(row) != len(self.columns) for row in self.rows):
            raise ValueError(f"the rows of table {self.name} do not fit its columns")

    @property
    def printed(self) -> Sequence[Sequence[str]]:
        """The rows that stand on paper."""
        return self.rows[:MOST_PRINTED]

    @property
    def left_out(self) -> int:
        """How many rows are attached only."""
        return max(0, len(self.rows) - MOST_PRINTED)

    @property
    def widths_percent(self) -> tuple[float, ...]:
        """Widths of the columns on paper."""
        return tuple(round(100 * share / sum(self.shares), 2) for share in self.shares)


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One part of a report; without rows its table is told as `empty`."""

    heading: str
    remark: str = ""
    lines: Sequence[str] = ()
    table: ReportTable | None = None
    empty: str = "None."
    figures: Sequence[Figure] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Report(Imprint):
    """What a report is made from; the same report gives the same bytes.

    Parameters
    ----------
    kind : DocumentKind
        One of the three kinds of report.
    subject : str
        What it is about, such as ``lot BSR-014-L01``; stands on every page.
    word : str
        The one word, or two, that say how it stands.
    outcome : Outcome
        Rejected is printed white on black.
    lines : sequence of str
        What is to be known at a glance.
    facts : sequence of (str, str)
        Pairs of name and text.
    sections : sequence of Section
        The rest, in the order of printing.
    remarks : sequence of str
        What the contracts concerned want said on every document.
    """

    kind: DocumentKind
    subject: str
    word: str
    outcome: Outcome
    lines: Sequence[str]
    facts: Sequence[tuple[str, str]]
    sections: Sequence[Section]
    remarks: Sequence[str] = ()

    @property
    def tables(self) -> tuple[ReportTable, ...]:
        """All tables, in the order of printing."""
        return tuple(section.table for section in self.sections if section.table is not None)

    @property
    def figures(self) -> tuple[Figure, ...]:
        """All figures, in the order of printing."""
        return tuple(figure for section in self.sections for figure in section.figures)
