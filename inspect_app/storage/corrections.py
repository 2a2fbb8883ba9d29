"""Corrections in the record: results that count in the place of computed ones, appended to the entry they speak of."""

from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from inspect_app.model import Correction, Measured, Person
from inspect_app.storage.audit import Act
from inspect_app.storage.convert import answers_text, correction_of, measured_text
from inspect_app.storage.tables import CorrectionRow


@dataclass(frozen=True, slots=True, kw_only=True)
class NewCorrection:
    """A correction to be appended."""

    options: Mapping[str, tuple[str, ...]]
    measured: Measured
    reason: str
    program_version: str


def corrections_of_entries(
    session: Session, entry_ids: Collection[int], everybody: Mapping[int, Person]
) -> Mapping[int, list[Correction]]:
    """Return the corrections of entries, oldest first, by entry."""
    statement = select(CorrectionRow).where(CorrectionRow.entry_id.in_(entry_ids)).order_by(CorrectionRow.ordinal)
    found: dict[int, list[Correction]] = defaultdict(list)
    for row in session.scalars(statement):
        found[row.entry_id].append(correction_of(row, everybody[row.made_by_id]))
    return found


def count_corrections(session: Session, entry_id: int) -> int:
    """Return how many corrections an entry has."""
    return session.scalar(select(func.count()).where(CorrectionRow.entry_id == entry_id)) or 0


def add_correction(act: Act, entry_id: int, new: NewCorrection, made_by: Person) -> None:
    """Append a correction to an entry."""
    act.add(
        CorrectionRow(
            entry_id=entry_id,
            ordinal=count_corrections(act.session, entry_id) + 1,
            options=answers_text(new.options),
            reason=new.reason,
            made_at=act.at,
            made_by_id=made_by.id,
            program_version=new.program_version,
            transcript=measured_text(new.measured),
        )
    )
