"""The table of reports: what a document is about that rests on no single inspection; append-only like all."""

from sqlalchemy import CheckConstraint, ForeignKey
from sqlalchemy.orm import Mapped, mapped_column

from inspect_app.storage.tables.rows import Key, SealedRow

_IS_ONE = " + ".join(
    f"CASE WHEN {column} IS NULL THEN 0 ELSE 1 END" for column in ("lot_id", "return_shipment_id", "scope")
)


class ReportRow(SealedRow):
    """What a lot report, a return list or a fleet report is about; `scope` is canonical JSON."""

    __tablename__ = "report"
    __table_args__ = (CheckConstraint(f"{_IS_ONE} = 1", name="is_about_one"),)

    id: Mapped[Key]
    document_id: Mapped[int] = mapped_column(ForeignKey("document.id"), unique=True)
    lot_id: Mapped[int | None] = mapped_column(ForeignKey("lot.id"), index=True)
    return_shipment_id: Mapped[int | None] = mapped_column(ForeignKey("return_shipment.id"), index=True)
    scope: Mapped[str | None]
