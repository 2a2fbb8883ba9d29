"""The tables of the record: typed rows without behaviour, append-only all but those in `REPLACED`.

Every table that is not derived carries the event that wrote the row, and each event seals the rows that it wrote with a
digest (see `audit`); what is derived is proved by deriving it again. Nothing sealed is ever updated: what changes over
time, such as an account's password, is a newer row.
"""

from inspect_app.storage.tables.arrivals import ArrivalRow, DeviceRow, LotRow, ShipmentRow
from inspect_app.storage.tables.definitions import ContractRow, FormRow
from inspect_app.storage.tables.documents import AuthorityRow, DocumentEndRow, DocumentRow
from inspect_app.storage.tables.inspections import (
    CorrectionRow,
    EntryEvidenceRow,
    EntryInstrumentRow,
    EntryRow,
    EvidenceRow,
    InspectionRow,
    MeasurementRow,
    ReopeningRow,
    SignatureRow,
)
from inspect_app.storage.tables.instruments import CalibrationRow, InstrumentRow
from inspect_app.storage.tables.links import DeviceLinkRow
from inspect_app.storage.tables.lots import (
    LotVerdictRow,
    ResubmissionRow,
    SampleChangeRow,
    SampleDrawRow,
    SwitchingRulingRow,
)
from inspect_app.storage.tables.nonconformities import (
    NonconformityActRow,
    NonconformityRow,
    ReturnedDeviceRow,
    ReturnShipmentRow,
)
from inspect_app.storage.tables.people import AccountStateRow, PersonRow
from inspect_app.storage.tables.readings import ReadingRow
from inspect_app.storage.tables.references import (
    ReferenceClearanceRow,
    ReferenceFileRow,
    ReferenceLimitsRow,
    ReferenceReadingRow,
    ReferenceRow,
)
from inspect_app.storage.tables.reports import ReportRow
from inspect_app.storage.tables.results import (
    KEYS_OF_SIGNATURE,
    CharacteristicRow,
    DeviceVerdictRow,
    InstrumentUseRow,
    ResultRow,
)
from inspect_app.storage.tables.rows import EventRow, Row, SealedRow
from inspect_app.storage.tables.sent import LeftOutRow, PairingEndRow, PairingRow, SentCaptureRow
from inspect_app.storage.tables.studies import ReaderStudyRow, StudyAdoptionRow
from inspect_app.storage.tables.tallies import REPLACED, LotTallyRow
from inspect_app.storage.tables.tokens import AnsweredRequestRow, TokenEndRow, TokenRow
from inspect_app.storage.tables.views import SavedViewRow

__all__ = [
    "KEYS_OF_SIGNATURE",
    "REPLACED",
    "AccountStateRow",
    "AnsweredRequestRow",
    "ArrivalRow",
    "AuthorityRow",
    "CalibrationRow",
    "CharacteristicRow",
    "ContractRow",
    "CorrectionRow",
    "DeviceLinkRow",
    "DeviceRow",
    "DeviceVerdictRow",
    "DocumentEndRow",
    "DocumentRow",
    "EntryEvidenceRow",
    "EntryInstrumentRow",
    "EntryRow",
    "EventRow",
    "EvidenceRow",
    "FormRow",
    "InspectionRow",
    "InstrumentRow",
    "InstrumentUseRow",
    "LeftOutRow",
    "LotRow",
    "LotTallyRow",
    "LotVerdictRow",
    "MeasurementRow",
    "NonconformityActRow",
    "NonconformityRow",
    "PairingEndRow",
    "PairingRow",
    "PersonRow",
    "ReaderStudyRow",
    "ReadingRow",
    "ReferenceClearanceRow",
    "ReferenceFileRow",
    "ReferenceLimitsRow",
    "ReferenceReadingRow",
    "ReferenceRow",
    "ReopeningRow",
    "ReportRow",
    "ResubmissionRow",
    "ResultRow",
    "ReturnShipmentRow",
    "ReturnedDeviceRow",
    "Row",
    "SampleChangeRow",
    "SampleDrawRow",
    "SavedViewRow",
    "SealedRow",
    "SentCaptureRow",
    "ShipmentRow",
    "SignatureRow",
    "StudyAdoptionRow",
    "SwitchingRulingRow",
    "TokenEndRow",
    "TokenRow",
]
