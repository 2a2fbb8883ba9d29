"""The tables of what arrives: devices, shipments, lots, and which device came with which."""

from datetime import datetime

from sqlalchemy import ForeignKey, Index, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from inspect_app.storage.tables.rows import DeviceKey, Key, PersonKey, SealedRow, Serial, ShortText, yes_no


class DeviceRow(SealedRow):
    """One serial number of one maker; its class is that of the lot it came in."""

    __tablename__ = "device"
    __table_args__ = (UniqueConstraint("maker", "serial"), Index(None, "serial"))

    id: Mapped[Key]
    maker: Mapped[ShortText]
    serial: Mapped[Serial]


class ShipmentRow(SealedRow):
    """What a supplier delivered at one time."""

    __tablename__ = "shipment"
    __table_args__ = (UniqueConstraint("contract_number", "reference"),)

    id: Mapped[Key]
    contract_number: Mapped[ShortText]
    reference: Mapped[ShortText]
    supplier: Mapped[ShortText]
    received_at: Mapped[datetime]
    received_by_id: Mapped[PersonKey]


class LotRow(SealedRow):
    """Devices of one class in a shipment."""

    __tablename__ = "lot"
    __table_args__ = (UniqueConstraint("shipment_id", "device_class"),)

    id: Mapped[Key]
    number: Mapped[ShortText] = mapped_column(unique=True)
    device_class: Mapped[ShortText]
    shipment_id: Mapped[int] = mapped_column(ForeignKey("shipment.id"))


class ArrivalRow(SealedRow):
    """One device in one lot, with what was noted at the dock."""

    __tablename__ = "arrival"
    __table_args__ = (UniqueConstraint("lot_id", "device_id"), UniqueConstraint("lot_id", "position"))

    id: Mapped[Key]
    lot_id: Mapped[int] = mapped_column(ForeignKey("lot.id"))
    device_id: Mapped[DeviceKey]
    position: Mapped[int]
    note: Mapped[str]
    is_on_list: Mapped[bool] = mapped_column(yes_no("is_on_list"))
