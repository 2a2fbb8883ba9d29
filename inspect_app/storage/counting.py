"""Which inspection of a device in a lot, which signature and which document count: the newest that still stands."""

from typing import Final

from sqlalchemy import select
from sqlalchemy.orm import aliased

from inspect_app.storage.tables import ArrivalRow, DocumentRow, InspectionRow, ReopeningRow, SignatureRow

_newer: Final = aliased(InspectionRow)
_later: Final = aliased(DocumentRow)

NEWEST_INSPECTION: Final = (
    (InspectionRow.lot_id == ArrivalRow.lot_id)
    & (InspectionRow.device_id == ArrivalRow.device_id)
    & ~select(_newer.id)
    .where(
        _newer.lot_id == InspectionRow.lot_id,
        _newer.device_id == InspectionRow.device_id,
        _newer.ordinal > InspectionRow.ordinal,
    )
    .exists()
)
"""An inspection that no newer pass of the same device in the same lot took the place of."""

COUNTING_SIGNATURE: Final = (SignatureRow.inspection_id == InspectionRow.id) & ~select(ReopeningRow.id).where(
    ReopeningRow.signature_id == SignatureRow.id
).exists()
"""A signature that was not taken back."""

NEWEST_DOCUMENT: Final = (DocumentRow.signature_id == SignatureRow.id) & ~select(_later.id).where(
    _later.signature_id == DocumentRow.signature_id, _later.id > DocumentRow.id
).exists()
"""The last document on a signature."""
