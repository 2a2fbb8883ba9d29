"""The tables of reader studies: what was read, and which study counts at the bench; append-only like all."""

from datetime import datetime

from sqlalchemy import ForeignKey
from sqlalchemy.orm import Mapped, mapped_column

from inspect_app.model import StudyKind
from inspect_app.storage.tables.rows import Key, PersonKey, SealedRow, Sha256, ShortText, chosen_from


class ReaderStudyRow(SealedRow):
    """A study; `table_text` is the whole table as it was handed in, `table_sha256` its digest."""

    __tablename__ = "reader_study"

    id: Mapped[Key]
    number: Mapped[ShortText] = mapped_column(unique=True)
    kind: Mapped[StudyKind] = mapped_column(chosen_from(StudyKind, "study_kind"))
    title: Mapped[ShortText]
    layout: Mapped[ShortText]
    table_name: Mapped[ShortText]
    table_text: Mapped[str]
    table_sha256: Mapped[Sha256] = mapped_column(unique=True)
    instrument_id: Mapped[int | None] = mapped_column(ForeignKey("instrument.id"))
    remark: Mapped[str]
    kept_at: Mapped[datetime]
    kept_by_id: Mapped[PersonKey]


class StudyAdoptionRow(SealedRow):
    """That a study counts at the bench, or no longer does; `doubt` is canonical JSON of what it then gives, or null."""

    __tablename__ = "study_adoption"

    id: Mapped[Key]
    study_id: Mapped[int] = mapped_column(ForeignKey("reader_study.id"), index=True)
    doubt: Mapped[str | None]
    reason: Mapped[str]
    decided_at: Mapped[datetime]
    decided_by_id: Mapped[PersonKey]
