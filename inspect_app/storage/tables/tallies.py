"""The table of tallies: how many devices of a lot stand where; derived, and the one table whose rows are replaced.

A lot's row is written anew in the transaction of every act that changes it, and says nothing that the sealed rows do
not say already. So no event seals it and no trigger guards it: `tallies.problems` counts again and compares.
"""

from typing import Final

from sqlalchemy import ForeignKey
from sqlalchemy.orm import Mapped, mapped_column

from inspect_app.storage.tables.rows import Row

REPLACED: Final = frozenset({"lot_tally"})
"""The names of the tables that are not append-only."""


class LotTallyRow(Row):
    """How many devices of a lot stand where, by their newest inspection there and the signature that counts.

    `passes` are inspections, those of a device that came again after repair too, `signed` those of them that have a
    signature that counts; `first_decided` and `first_rejected` speak of first passes. `documented` are accepted or
    rejected devices that have their document.
    """

    __tablename__ = "lot_tally"

    lot_id: Mapped[int] = mapped_column(ForeignKey("lot.id"), primary_key=True, autoincrement=False)
    devices: Mapped[int]
    inspected: Mapped[int]
    accepted: Mapped[int]
    rejected: Mapped[int]
    held: Mapped[int]
    documented: Mapped[int]
    passes: Mapped[int]
    signed: Mapped[int]
    first_decided: Mapped[int]
    first_rejected: Mapped[int]
    nonconformities: Mapped[int]
    open_nonconformities: Mapped[int]
