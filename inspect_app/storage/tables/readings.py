"""The table of readings that several readers take apart from one another; append-only."""

from datetime import datetime

from sqlalchemy import UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from inspect_app.storage.tables.rows import InspectionKey, Key, PersonKey, SealedRow, ShortText


class ReadingRow(SealedRow):
    """What one reader read; `after_revision` is that of the entry that was recorded before, 0 where none was."""

    __tablename__ = "reading"
    __table_args__ = (
        UniqueConstraint(
            "inspection_id", "step_id", "after_revision", "reader_id", "ordinal", name="uq_reading_reader_and_ordinal"
        ),  # named here: by the convention it would be longer than PostgreSQL's 63 characters
    )

    id: Mapped[Key]
    inspection_id: Mapped[InspectionKey]
    step_id: Mapped[ShortText]
    after_revision: Mapped[int]
    reader_id: Mapped[PersonKey] = mapped_column(index=True)
    ordinal: Mapped[int]
    text: Mapped[str]
    read_at: Mapped[datetime]
