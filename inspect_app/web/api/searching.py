"""Operations that search the fleet: by what was signed, and what is not signed yet; the rights of the page."""

from typing import Final

from inspect_app import workflow
from inspect_app.storage.open_results import OpenInspection
from inspect_app.web import fleet
from inspect_app.web.api import answers, asked, bearer, judged
from inspect_app.web.api.operation import Call, Operation
from inspect_app.web.api.paging import address_behind, key_of
from inspect_app.workflow import FleetSearch

_FLEET: Final = "fleet"
_OPEN: Final = "open-fleet"
FleetPage = answers.Page[answers.FleetDeviceAnswer]
OpenPage = answers.Page[judged.OpenInspectionAnswer]


def _search_of(query: asked.OpenFleetQuery) -> FleetSearch:
    given = query.model_dump(mode="json", by_alias=True, exclude={"limit", "cursor"}, exclude_none=True)
    return workflow.fleet_search_of({name: str(value) for name, value in given.items() if value != ""})


def _fleet(call: Call) -> FleetPage:
    search = _search_of(call.query)
    after = fleet.cursor_of(str(key_of(_FLEET, call.query.cursor, str) or ""), search)
    found = workflow.part_of_fleet(bearer.place(), search, after=after, count=call.query.limit)
    following = fleet.cursor_text(found.following)
    return FleetPage(
        items=[answers.FleetDeviceAnswer.model_validate(one) for one in found.devices],
        next=None if following is None else address_behind(_FLEET, following),
    )


def _open_fleet(call: Call) -> OpenPage:
    limit, key = call.query.limit, key_of(_OPEN, call.query.cursor, int)
    before = None if key is None else int(key)
    found = workflow.open_in_fleet(bearer.place(), _search_of(call.query), before=before, count=limit + 1)
    shown = [_open_inspection(one) for one in found[:limit]]
    following = address_behind(_OPEN, shown[-1].inspection_id) if len(found) > limit else None
    return OpenPage(items=shown, next=following)


def _open_inspection(one: OpenInspection) -> judged.OpenInspectionAnswer:
    return judged.OpenInspectionAnswer.model_validate(
        {
            "device": one.found.device,
            "lot": one.found.lot,
            "inspection_id": one.found.inspection_id,
            "results": [
                judged.OpenResultAnswer(
                    check=characteristic.check,
                    quantity=characteristic.quantity_name,
                    condition=dict(characteristic.condition),
                    value=result.quantity.value,
                    unit=result.quantity.unit,
                    standard_uncertainty=result.quantity.standard_uncertainty,
                    measured_at=result.measured_at,
                )
                for characteristic, result in one.results
            ],
        }
    )


OPERATIONS: Final = (
    Operation(
        name="list_fleet",
        path="/fleet",
        summary="Devices by what was signed about them, as the page of devices searches them",
        act=_fleet,
        answer=FleetPage,
        query=asked.FleetQuery,
        statuses=(422,),
    ),
    Operation(
        name="list_open_fleet",
        path="/fleet/open",
        summary="Inspections that are not signed yet with their results, the one opened last first",
        act=_open_fleet,
        answer=OpenPage,
        query=asked.OpenFleetQuery,
        statuses=(422,),
    ),
)
