"""Operations that write: shipments, captures, inspections, answers to their steps; by the same acts as the pages."""

from dataclasses import replace
from typing import Final

from flask import request

from inspect_app import workflow
from inspect_app.model import Entry, EntryState, Evidence, Scope
from inspect_app.web.api import answers, asked, bearer, judged
from inspect_app.web.api.operation import Call, Made, Operation, etag_of
from inspect_app.web.api.problems import Refused
from inspect_app.web.api.reading import capture_answer, inspection_answer, step_judged
from inspect_app.web.api.repeating import sent_bytes
from inspect_app.workflow import AcceptedArrival, Span, StepAnswers

_ROOT: Final = "/api/v1"


def _receive(call: Call) -> Made:
    body: asked.NewShipment = call.body
    arrivals = [
        AcceptedArrival(
            serial=one.serial, device_class=one.device_class, note=one.note, is_on_list=one.is_on_packing_list
        )
        for one in body.devices
    ]
    place, person = bearer.place(), bearer.person()
    shipment = workflow.receive_shipment(place, person, body.contract_number, body.reference, arrivals)
    span = Span(after=shipment.id - 1, count=1)
    (row,) = workflow.part_of_list(place, workflow.list_named("shipments"), span, {}, person)
    return Made(answer=answers.ShipmentAnswer.model_validate(row), location=f"{_ROOT}/shipments/{shipment.id}")


def _keep(call: Call) -> Made:
    kept = workflow.keep_file(bearer.place(), bearer.person(), call.query.name, sent_bytes())
    return Made(answer=capture_answer(kept.sha256), location=f"{_ROOT}/captures/{kept.sha256}")


def _open(call: Call) -> Made:
    body: asked.NewInspection = call.body
    found = workflow.open_inspection(bearer.place(), bearer.person(), body.lot_id, body.device_id)
    return Made(answer=inspection_answer(found), location=f"{_ROOT}/inspections/{found.id}")


def _record(call: Call) -> Made:
    body: asked.NewEntry = call.body
    place, key = bearer.place(), call.path["key"]
    newest = workflow.inspection(place, key).entries.get(body.step_id)
    entry = workflow.record_step(
        place, bearer.person(), key, body.step_id, _answers_of(body), _expected_revision(key, body, newest)
    )
    return Made(
        answer=step_judged(workflow.inspection(place, key), entry.step_id),
        location=f"{_ROOT}/inspections/{key}/entries/{entry.step_id}",
    )


def _answers_of(body: asked.NewEntry) -> StepAnswers:
    return StepAnswers(
        state=body.state,
        answers={name: (given,) if isinstance(given, str) else tuple(given) for name, given in body.answers.items()},
        conditions=body.conditions,
        instrument_ids=tuple(body.instrument_ids),
        evidence=tuple(_capture_of(one) for one in body.captures),
        reason=body.reason,
    )


def _capture_of(named: asked.CaptureOfStep) -> Evidence:
    kept = workflow.kept_capture(bearer.place(), named.sha256).file
    return replace(kept, role=named.role, name=named.name or kept.name)


def _expected_revision(key: int, body: asked.NewEntry, newest: Entry | None) -> int:
    """Return the revision that the answers follow: as said in the body or by If-Match, or one's own draft, or none."""
    if request.if_match:
        current = "" if newest is None else step_judged(workflow.inspection(bearer.place(), key), newest.step_id)
        tag = "" if isinstance(current, str) else etag_of(current.model_dump_json())
        if newest is None or not (request.if_match.star_tag or request.if_match.contains(tag)):
            raise Refused(412, "If-Match", "the entry is not as you saw it", "Read it again, then decide.")
        return newest.revision
    if body.expected_revision is not None:
        return body.expected_revision
    is_own_draft = newest is not None and (newest.state, newest.recorded_by.id) == (
        EntryState.DRAFT,
        bearer.person().id,
    )
    return newest.revision if newest is not None and is_own_draft else 0


OPERATIONS: Final = (
    Operation(
        name="receive_shipment",
        method="POST",
        path="/shipments",
        summary="Receive a shipment; one lot is made for each class of device",
        act=_receive,
        answer=answers.ShipmentAnswer,
        body=asked.NewShipment,
        scope=Scope.RECEIVE,
    ),
    Operation(
        name="keep_capture",
        method="POST",
        path="/captures",
        summary="Keep a file unchanged; the same bytes are kept once",
        act=_keep,
        answer=answers.CaptureAnswer,
        query=asked.CaptureQuery,
        scope=Scope.INSPECT,
    ),
    Operation(
        name="open_inspection",
        method="POST",
        path="/inspections",
        summary="Open the inspection of a device of a lot, or go on with the open one",
        act=_open,
        answer=judged.InspectionAnswer,
        body=asked.NewInspection,
        scope=Scope.INSPECT,
    ),
    Operation(
        name="record_entry",
        method="POST",
        path="/inspections/<key:key>/entries",
        summary="Answer a step: measured at once, and judged; what cannot be recorded is kept as a draft",
        act=_record,
        answer=judged.StepJudged,
        body=asked.NewEntry,
        scope=Scope.INSPECT,
        statuses=(409, 412),
    ),
)
