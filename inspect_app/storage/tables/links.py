"""The table of links between devices that are one and the same; append-only, the newest row of a pair counts."""

from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from inspect_app.model.device_past import LinkKind
from inspect_app.storage.tables.rows import DeviceKey, Key, PersonKey, SealedRow, chosen_from


class DeviceLinkRow(SealedRow):
    """What an approver said of two devices: the first is the later identity of the second, or it is not after all."""

    __tablename__ = "device_link"
    __table_args__ = (
        UniqueConstraint("device_id", "predecessor_id", "ordinal"),
        CheckConstraint("device_id <> predecessor_id", name="links_two_devices"),
    )

    id: Mapped[Key]
    device_id: Mapped[DeviceKey]
    predecessor_id: Mapped[int] = mapped_column(ForeignKey("device.id"), index=True)
    ordinal: Mapped[int]
    kind: Mapped[LinkKind] = mapped_column(chosen_from(LinkKind, "kind"))
    reason: Mapped[str]
    linked_at: Mapped[datetime]
    linked_by_id: Mapped[PersonKey]
