"""What the report of a sampled lot prints, all of it in words."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from inspect_app.documents.figures import Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class LotClassLine:
    """One class of nonconformity of a lot, in words."""

    severity: str
    plan: str
    stringency: str
    decided: str
    numbers: str
    standing: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LotReport:
    """All that the report prints, in words; `facts` are pairs of name and text, `sample` rows of serial and state."""

    issuer: str
    lot_number: str
    facts: Sequence[tuple[str, str]]
    outcome: str
    outcome_reason: str
    classes: Sequence[LotClassLine]
    draw: str
    sample: Sequence[tuple[str, str, str]]
    figures: Sequence[Figure]
    printed_at: datetime
