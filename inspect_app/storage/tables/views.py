"""The table of saved views: addresses of pages that somebody named, each for themselves; append-only like all."""

from datetime import datetime

from sqlalchemy import UniqueConstraint
from sqlalchemy.orm import Mapped

from inspect_app.storage.tables.rows import Key, PersonKey, SealedRow, ShortText


class SavedViewRow(SealedRow):
    """A named address; the newest row of a name counts, and one without an address says that it is kept no longer."""

    __tablename__ = "saved_view"
    __table_args__ = (UniqueConstraint("person_id", "ordinal"),)

    id: Mapped[Key]
    person_id: Mapped[PersonKey]
    ordinal: Mapped[int]
    name: Mapped[ShortText]
    address: Mapped[str | None]
    saved_at: Mapped[datetime]
