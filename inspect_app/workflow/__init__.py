"""The use cases: one verb per function, each one transaction of the record."""

from inspect_app.workflow.accounts import (
    accounts,
    add_account,
    new_password,
    person,
    prove_password,
    set_active,
    set_password,
    sign_in,
)
from inspect_app.workflow.answers import StepAnswers, field_of
from inspect_app.workflow.concluding import conclude, unanswered_steps
from inspect_app.workflow.contracts import adopt_contract, contract, contracts
from inspect_app.workflow.evidence import evidence_preview, keep_file, open_evidence
from inspect_app.workflow.history import (
    DeviceArrival,
    DeviceHistory,
    InspectionHistory,
    device,
    device_history,
    events,
    find_devices,
)
from inspect_app.workflow.inspecting import (
    Assessment,
    contract_of,
    entry_history,
    form_of,
    inspection,
    judge_inspection,
    open_inspection,
    reopen,
)
from inspect_app.workflow.instruments import add_calibration, add_instrument, instruments
from inspect_app.workflow.issuing import (
    IssuedDocument,
    document,
    document_of,
    document_path,
    issue_document,
    issued_documents,
)
from inspect_app.workflow.keeping import VerifyReport, back_up, restore, verify
from inspect_app.workflow.lots import (
    DeviceState,
    LotDevice,
    LotSummary,
    OpenInspection,
    lot,
    lot_devices,
    lots,
    next_device,
    open_inspections,
)
from inspect_app.workflow.packing_list import PackedDevice, read_packing_list
from inspect_app.workflow.receiving import (
    AcceptedArrival,
    Arrival,
    EarlierArrival,
    check_arrivals,
    lots_of_shipment,
    receive_shipment,
)
from inspect_app.workflow.recording import record_step
from inspect_app.workflow.settings import Settings, read_settings
from inspect_app.workflow.typed_text import normalise_serial
from inspect_app.workflow.workplace import Workplace, close_workplace, may, open_workplace, secret_key

__all__ = [
    "AcceptedArrival",
    "Arrival",
    "Assessment",
    "DeviceArrival",
    "DeviceHistory",
    "DeviceState",
    "EarlierArrival",
    "InspectionHistory",
    "IssuedDocument",
    "LotDevice",
    "LotSummary",
    "OpenInspection",
    "PackedDevice",
    "Settings",
    "StepAnswers",
    "VerifyReport",
    "Workplace",
    "accounts",
    "add_account",
    "add_calibration",
    "add_instrument",
    "adopt_contract",
    "back_up",
    "check_arrivals",
    "close_workplace",
    "conclude",
    "contract",
    "contract_of",
    "contracts",
    "device",
    "device_history",
    "document",
    "document_of",
    "document_path",
    "entry_history",
    "events",
    "evidence_preview",
    "field_of",
    "find_devices",
    "form_of",
    "inspection",
    "instruments",
    "issue_document",
    "issued_documents",
    "judge_inspection",
    "keep_file",
    "lot",
    "lot_devices",
    "lots",
    "lots_of_shipment",
    "may",
    "new_password",
    "next_device",
    "normalise_serial",
    "open_evidence",
    "open_inspection",
    "open_inspections",
    "open_workplace",
    "person",
    "prove_password",
    "read_packing_list",
    "read_settings",
    "receive_shipment",
    "record_step",
    "reopen",
    "restore",
    "secret_key",
    "set_active",
    "set_password",
    "sign_in",
    "unanswered_steps",
    "verify",
]
