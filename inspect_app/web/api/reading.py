"""Operations that read: lists by cursor, and single things."""

from collections.abc import Callable
from typing import Any, Final

from flask import Response, send_file
from pydantic import BaseModel

from inspect_app import workflow
from inspect_app.errors import NotFound
from inspect_app.model import Inspection
from inspect_app.model.transcript import to_json_values
from inspect_app.storage.listing import Key
from inspect_app.web.api import answers, asked, bearer, judged
from inspect_app.web.api.operation import BYTES, Call, Operation
from inspect_app.web.api.paging import address_behind, key_of
from inspect_app.workflow import Assessment, Listing, Span

_PDF: Final = "application/pdf"


def _list(
    name: str,
    item: type[BaseModel],
    summary: str,
    *,
    query: type[asked.PageQuery] = asked.PageQuery,
    key: type = int,
    path: str = "",
) -> Operation:
    """Declare the operation that reads a list, at a path of its name unless it has one of its own."""
    listing = workflow.list_named(name)
    if listing.key_of is None:
        raise ValueError(f"{name} cannot be read on")
    return Operation(
        name=f"list_{name}",
        path=path or f"/{name}",
        summary=summary,
        act=_reader(listing, listing.key_of, item, key),
        answer=answers.Page[item],  # type: ignore[valid-type]  # pydantic makes the model of this item
        query=query,
        statuses=(422,),
    )


def _reader(
    listing: Listing[Any], last_key: Callable[[Any], Key], item: type[BaseModel], key: type
) -> Callable[[Call], BaseModel]:
    def read(call: Call) -> BaseModel:
        query = call.query
        span = Span(after=key_of(listing.name, query.cursor, key), count=query.limit + 1)
        where = query.model_dump(exclude={"limit", "cursor"}, exclude_none=True)
        rows = workflow.part_of_list(bearer.place(), listing, span, where, bearer.person())
        following = None
        if len(rows) > query.limit:
            following = address_behind(listing.name, last_key(rows[query.limit - 1]))
        page: type[BaseModel] = answers.Page[item]  # type: ignore[valid-type]  # as above
        return page(items=[item.model_validate(row) for row in rows[: query.limit]], next=following)

    return read


def _one_of(name: str, key: str, what: str) -> Any:
    """Return one row of a list by its number in the path."""
    listing, span = workflow.list_named(name), Span(after=int(key) - 1, count=1)
    for row in workflow.part_of_list(bearer.place(), listing, span, {}, bearer.person()):
        if listing.key_of is not None and listing.key_of(row) == int(key):
            return row
    raise NotFound(f"{what} {key}", "there is none of this number", f"See the list of {name}.")


def _shipment(call: Call) -> answers.ShipmentAnswer:
    return answers.ShipmentAnswer.model_validate(_one_of("shipments", call.path["key"], "shipment"))


def _lot(call: Call) -> answers.LotAnswer:
    return answers.LotAnswer.model_validate(workflow.lot(bearer.place(), call.path["key"]))


def _device(call: Call) -> judged.DeviceHistoryAnswer:
    return judged.DeviceHistoryAnswer.model_validate(workflow.device_history(bearer.place(), call.path["key"]))


def _instrument(call: Call) -> answers.InstrumentAnswer:
    return answers.InstrumentAnswer.model_validate(_one_of("instruments", call.path["key"], "instrument"))


def _contract(call: Call) -> answers.ContractAnswer:
    found = workflow.contract(bearer.place(), call.path["number"], call.query.revision)
    demands = {
        device_class: [
            answers.DemandAnswer.model_validate(one)
            for one in (*found.limits[device_class], *found.spot_allowances.get(device_class, ()))
        ]
        for device_class in found.device_classes
    }
    shown = answers.ContractReference.model_validate(found)
    return answers.ContractAnswer.model_construct(**dict(shown), note=found.note, demands=demands, source=found.source)


def _inspection(call: Call) -> judged.InspectionAnswer:
    found = workflow.inspection(bearer.place(), call.path["key"])
    return inspection_answer(found)


def inspection_answer(found: Inspection) -> judged.InspectionAnswer:
    """Return an inspection with its steps, entries and judgements."""
    place = bearer.place()
    assessment = workflow.judge_inspection(place, found)
    shown = judged.ListedInspectionAnswer.model_validate(found)
    return judged.InspectionAnswer.model_construct(
        **dict(shown),
        form_revision=found.form_revision,
        form_digest=found.form_digest,
        contract_revision=found.contract_revision,
        contract_digest=found.contract_digest,
        arrival_note=found.arrival_note,
        steps=[judged.StepAnswer.model_validate(step) for step in workflow.form_of(place, found).steps],
        entries=[judged.EntryAnswer.model_validate(entry) for entry in found.entries.values()],
        judgements=[judged.JudgementAnswer.model_validate(one) for one in assessment.judgements],
        verdict=judged.VerdictAnswer.model_validate(assessment.verdict),
    )


def _entry(call: Call) -> judged.StepJudged:
    return step_judged(workflow.inspection(bearer.place(), call.path["key"]), call.path["step_id"])


def step_judged(found: Inspection, step_id: str) -> judged.StepJudged:
    """Return what came of a step.

    Raises
    ------
    NotFound
        Nothing was entered for it.
    """
    entry = found.entries.get(step_id)
    if entry is None:
        raise NotFound(f"step {step_id[:40]}", "nothing is entered for it", "See the inspection's steps.")
    assessment: Assessment = workflow.judge_inspection(bearer.place(), found)
    return judged.StepJudged(
        entry=judged.EntryAnswer.model_validate(entry),
        judgements=[
            judged.JudgementAnswer.model_validate(one) for one in assessment.judgements if one.step_id == step_id
        ],
        verdict=judged.VerdictAnswer.model_validate(assessment.verdict),
    )


def _measurement(call: Call) -> judged.MeasurementAnswer:
    found = workflow.inspection(bearer.place(), call.path["key"]).entries.get(call.path["step_id"])
    if found is None or found.measured is None:
        raise NotFound(f"step {call.path['step_id'][:40]}", "nothing is measured for it", "See its entry.")
    return judged.MeasurementAnswer.model_validate(to_json_values(found.measured))


def _nonconformity(call: Call) -> judged.NonconformityAnswer:
    found = workflow.nonconformity(bearer.place(), call.path["number"])
    return judged.NonconformityAnswer.model_validate(found.nonconformity)


def _document(call: Call) -> answers.DocumentAnswer:
    return answers.DocumentAnswer.model_validate(workflow.document(bearer.place(), call.path["number"]))


def _document_bytes(call: Call) -> Response:
    found = workflow.document(bearer.place(), call.path["number"])
    path = workflow.document_path(bearer.place(), found)
    return send_file(path, mimetype=_PDF, etag=found.sha256, download_name=f"{found.number}.pdf", as_attachment=True)


def _capture(call: Call) -> answers.CaptureAnswer:
    return capture_answer(call.path["sha256"])


def capture_answer(sha256: str) -> answers.CaptureAnswer:
    """Return what is known of a kept file."""
    return answers.CaptureAnswer.model_validate(workflow.kept_capture(bearer.place(), sha256))


def _capture_bytes(call: Call) -> Response:
    sha256 = call.path["sha256"]
    path = workflow.open_evidence(bearer.place(), sha256)
    return send_file(path, mimetype=BYTES, etag=sha256, download_name=sha256, as_attachment=True)


_KEY: Final = "/<key:key>"
OPERATIONS: Final = (
    _list("suppliers", answers.SupplierAnswer, "Suppliers with their rates", key=str),
    _list("contracts", answers.ContractReference, "Contracts in their newest revisions", key=str),
    Operation(
        name="read_contract",
        path="/contracts/<name:number>",
        summary="One revision of a contract with its demands",
        act=_contract,
        answer=answers.ContractAnswer,
        query=asked.ContractQuery,
    ),
    _list("shipments", answers.ShipmentAnswer, "Shipments in the order in which they came"),
    Operation(
        name="read_shipment",
        path=f"/shipments{_KEY}",
        summary="A shipment with its lots",
        act=_shipment,
        answer=answers.ShipmentAnswer,
    ),
    _list("lots", answers.LotAnswer, "Lots with how far they have come", query=asked.LotQuery),
    Operation(name="read_lot", path=f"/lots{_KEY}", summary="A lot", act=_lot, answer=answers.LotAnswer),
    _list(
        "devices", answers.ArrivalAnswer, "Devices as they came last, or as they came in a lot", query=asked.DeviceQuery
    ),
    Operation(
        name="read_device",
        path=f"/devices{_KEY}",
        summary="A device with its arrivals and inspections",
        act=_device,
        answer=judged.DeviceHistoryAnswer,
    ),
    _list("inspections", judged.ListedInspectionAnswer, "Inspections in the order in which they were opened"),
    Operation(
        name="read_inspection",
        path=f"/inspections{_KEY}",
        summary="An inspection with steps, entries, results, judgements and verdict",
        act=_inspection,
        answer=judged.InspectionAnswer,
    ),
    Operation(
        name="read_entry",
        path=f"/inspections{_KEY}/entries/<name:step_id>",
        summary="The newest entry of a step with its judgements",
        act=_entry,
        answer=judged.StepJudged,
    ),
    Operation(
        name="read_measurement",
        path=f"/inspections{_KEY}/entries/<name:step_id>/measurement",
        summary="What was measured for a step, with budgets and curves",
        act=_measurement,
        answer=judged.MeasurementAnswer,
    ),
    _list("characteristics", answers.CharacteristicAnswer, "What can be measured of each class"),
    _list(
        "signed-results",
        judged.SignedResultAnswer,
        "Results of signed inspections, in the order of signing",
        query=asked.ResultQuery,
        path="/results",
    ),
    _list("nonconformities", judged.NonconformityAnswer, "Nonconformities in the order in which they were found"),
    Operation(
        name="read_nonconformity",
        path="/nonconformities/<name:number>",
        summary="A nonconformity with what was decided about it",
        act=_nonconformity,
        answer=judged.NonconformityAnswer,
    ),
    _list("returns", answers.ReturnAnswer, "Devices sent back to their suppliers"),
    _list("documents", answers.ListedDocumentAnswer, "Issued documents in their order", query=asked.FindQuery),
    Operation(
        name="read_document",
        path="/documents/<name:number>",
        summary="A document and whether it stands",
        act=_document,
        answer=answers.DocumentAnswer,
    ),
    Operation(
        name="read_document_bytes",
        path="/documents/<name:number>/content",
        summary="The bytes of a document as they were issued",
        act=_document_bytes,
        media_type=_PDF,
    ),
    _list("captures", answers.CaptureAnswer, "Kept files in the order of their digests", key=str),
    Operation(
        name="read_capture",
        path="/captures/<sha256:sha256>",
        summary="A kept file",
        act=_capture,
        answer=answers.CaptureAnswer,
    ),
    Operation(
        name="read_capture_bytes",
        path="/captures/<sha256:sha256>/content",
        summary="The bytes of a kept file",
        act=_capture_bytes,
        media_type=BYTES,
    ),
    _list("instruments", answers.InstrumentAnswer, "Instruments with their calibrations"),
    Operation(
        name="read_instrument",
        path=f"/instruments{_KEY}",
        summary="An instrument with its calibrations",
        act=_instrument,
        answer=answers.InstrumentAnswer,
    ),
    _list("studies", answers.StudyAnswer, "Reader studies with their tables", key=str),
    _list("accounts", answers.AccountAnswer, "Accounts, for administrators and auditors"),
    _list("events", answers.EventAnswer, "The audit chain, for administrators and auditors"),
)
