"""What programs read: everything that a person may read, as described, page by page, without reading it twice."""

import base64
import re

import jsonschema
import pytest

from inspect_app import workflow
from inspect_app.model import Scope
from inspect_app.web import create_app
from inspect_app.web.api import OPERATIONS
from tests.truth import workplaces
from tests.web.api.program import ROOT, Program, secret_of

READING = [one for one in OPERATIONS if not one.is_post]


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """Live through everything, and tell which inspection rejected a device."""
    with workplaces.bench(tmp_path_factory.mktemp("read") / "instance") as bench:
        yield bench, workplaces.live_and_reject_one(bench)


@pytest.fixture(scope="module")
def lived(told):
    return told[0]


@pytest.fixture(scope="module")
def rejected(told):
    return told[1]


@pytest.fixture(scope="module")
def auditor(lived):
    app = create_app({"WORKPLACE": lived.place, "RATELIMIT_ENABLED": False})
    return Program(app.test_client(), secret_of(lived.place, "otto", Scope.READ))


@pytest.fixture(scope="module")
def description(auditor):
    return auditor.get("/openapi.json").get_json()


@pytest.fixture(scope="module")
def named(lived):
    """Name one thing of each kind that there is; the first inspection is of the first device, certified."""
    document = next(one.document for one in workflow.issued_documents(lived.place) if one.device is not None)
    return {
        "key": 1,
        "number": {"contracts": "TST-001", "documents": document.number, "nonconformities": "NC-2026-0001"},
        "step_id": "noise",
        "sha256": document.sha256,
    }


def address(operation, named):
    collection = operation.path.split("/")[1]

    def value(found):
        given = named[found[1]]
        return str(given[collection] if isinstance(given, dict) else given)

    return re.sub(r"<\w+:(\w+)>", value, operation.path)


@pytest.mark.parametrize("operation", READING, ids=lambda one: one.name)
def test_what_there_is_is_read_as_described(auditor, description, named, operation):
    """Truth: the description, by JSON Schema 2020-12."""
    answer = auditor.get(address(operation, named))

    assert answer.status_code == 200, answer.get_data(as_text=True)
    assert answer.mimetype == operation.media_type
    if operation.answer is not None:
        path = ROOT + re.sub(r"<\w+:(\w+)>", r"{\1}", operation.path)
        content = description["paths"][path]["get"]["responses"]["200"]["content"]
        schema = {**content[operation.media_type]["schema"], "components": description["components"]}
        jsonschema.Draft202012Validator(schema).validate(answer.get_json())


def test_an_inspection_tells_what_was_measured_and_what_follows(auditor, rejected):
    """Truth: 1,1 at 10 m is 20 cy/mrad and 0,1 is 10 (MIL-STD-150A); the contract wants 20 at least."""
    told = auditor.get(f"/inspections/{rejected}").get_json()

    resolution = next(one for one in told["judgements"] if one["demand"]["clause"] == "4.1")
    entry = next(one for one in told["entries"] if one["step_id"] == "bar-target.horizontal")
    result = next(one for one in entry["results"] if one["quantity"] == "angular_resolution")
    assert (resolution["finding"], resolution["demand"]["at_least"]) == ("nonconforming", 20)
    assert (result["value"], result["unit"]) == (pytest.approx(10), "cy/mrad")
    assert told["verdict"]["outcome"] == told["signature"]["outcome"] == "rejected"


def test_the_bytes_of_a_document_and_of_a_capture_are_those_that_are_kept(lived, auditor, named):
    number, digest = named["number"]["documents"], named["sha256"]

    as_document = auditor.get(f"/documents/{number}/content")
    as_capture = auditor.get(f"/captures/{digest}/content")

    assert as_document.get_data() == as_capture.get_data() == workflow.open_evidence(lived.place, digest).read_bytes()
    assert as_capture.headers["Content-Disposition"].startswith("attachment")


@pytest.mark.parametrize("name", [one.path for one in READING if one.name.startswith("list_")])
def test_following_next_gives_each_item_once_and_ends(auditor, name):
    whole = auditor.get(f"{name}?limit=200").get_json()
    assert whole["next"] is None

    found, following = [], f"{name}?limit=1"
    while following:
        answer = auditor.get(following)
        found += answer.get_json()["items"]
        following = answer.get_json()["next"]
        assert answer.headers.get("Link") == (f'<{following}>; rel="next"' if following else None)

    assert found == whole["items"]


@pytest.mark.parametrize(
    "held", ["nonsense", '["lots", 1]', "{}", '["devices", "x"]', '["devices", 1e30]', '["devices"]']
)
def test_a_cursor_of_another_list_or_of_nobody_is_refused(auditor, held):
    cursor = base64.urlsafe_b64encode(held.encode()).decode().rstrip("=")

    answer = auditor.get(f"/devices?cursor={cursor}")

    assert (answer.status_code, answer.get_json()["where"]) == (422, "cursor")


def test_what_did_not_change_is_not_sent_again(auditor):
    first = auditor.get("/lots")

    again = auditor.get("/lots", If_None_Match=first.headers["ETag"])

    assert (again.status_code, again.get_data()) == (304, b"")
    assert auditor.get("/lots", If_None_Match='"other"').status_code == 200
    assert first.headers["Cache-Control"] == "private, no-cache"


def test_a_list_is_narrowed_as_its_page_is(auditor):
    def serials(query):
        return [one["device"]["serial"] for one in auditor.get(f"/devices?{query}").get_json()["items"]]

    (lot,) = auditor.get("/lots?find=DN-REJECTED").get_json()["items"]
    assert serials("serial=bm-91") == serials(f"lot={lot['lot']['number']}") == ["BM-910", "BM-911"]
    assert auditor.get("/devices?colour=red").status_code == 422
    assert auditor.get("/devices?lot=a&lot=b").status_code == 422


def test_an_inspector_reads_neither_accounts_nor_the_whole_audit_chain(lived, auditor):
    inspector = Program(auditor.client, secret_of(lived.place, "ines", Scope.READ))

    assert inspector.get("/accounts").status_code == inspector.get("/events").status_code == 403
    assert len(auditor.get("/accounts").get_json()["items"]) == len(workflow.accounts(lived.place))


def test_times_are_told_with_their_zone(auditor):
    (shipment, *_) = auditor.get("/shipments").get_json()["items"]

    assert re.fullmatch(r"2026-03-02T08:\d\d:\d\dZ", shipment["shipment"]["received_at"])


def test_results_tell_what_was_signed_and_the_open_fleet_what_was_not(lived, auditor, rejected):
    """Truth: 0,1 at 10 m is 10 cy/mrad (MIL-STD-150A); BM-002 was signed as held and taken up again.

    The limit speaks of both axes, and one of them decided it.
    """
    found = auditor.get("/results?serial=bm-910").get_json()["items"]
    read = [one for one in found if one["characteristic"]["quantity"] == "angular_resolution"]
    assert [one["value"] for one in read] == pytest.approx([10, 10])
    assert {one["characteristic"]["unit"] for one in read} == {"cy/mrad"}
    assert {one["finding"] for one in read} == {None, "nonconforming"}
    assert {(one["inspection_id"], one["outcome"]) for one in read} == {(rejected, "rejected")}
    assert auditor.get("/results?serial=BM-002").get_json()["items"] == []

    (taken_up,) = auditor.get("/fleet/open?serial=BM-002").get_json()["items"]
    assert {one["unit"] for one in taken_up["results"] if one["quantity"] == "angular_resolution"} == {"cy/mrad"}


def test_the_fleet_is_searched_as_its_page_is(lived, auditor):
    def serials(query, path="/fleet"):
        return [one["device"]["serial"] for one in auditor.get(f"{path}?{query}").get_json()["items"]]

    (key,) = {
        one["id"]
        for one in auditor.get("/characteristics").get_json()["items"]
        if one["quantity"] == "angular_resolution" and one["condition"]["axis"] == "vertical"
    }
    assert serials("verdict=rejected") == ["BM-910"]
    assert serials(f"quantity={key}&from=5&to=15") == ["BM-910"]
    assert serials(f"quantity={key}&order=back") == ["BM-001", "BM-910"]
    assert serials("class=other") == []
    assert serials(f"quantity={key}&from=100", "/fleet/open") == []


@pytest.mark.parametrize(
    ("asked", "where"),
    [
        ("from=1", "quantity"),
        ("quantity=1&from=2&to=1", "range"),
        ("since=2026-13-01", "since"),
        ("until=yesterday", "until"),
        ("verdict=fine", "verdict"),
        ("cursor=WyJmbGVldCIsICJ4Il0", "after"),
        ("cursor=WyJmbGVldCIsICIwMDAxLTAxLTAxVDAwOjAwOjAwKzE0OjAwfjEiXQ", "after"),
        ("device_class=bench+monocular", "device_class"),
    ],
)
def test_a_search_that_cannot_be_asked_is_a_problem_that_says_where(auditor, asked, where):
    """The cursors hold a text that is no moment, and a moment that no calendar has in UTC."""
    answer = auditor.get(f"/fleet?{asked}")

    assert (answer.status_code, answer.mimetype) == (422, "application/problem+json")
    assert answer.get_json()["where"] == where


def test_the_last_day_of_the_calendar_can_be_asked_for(auditor):
    assert auditor.get("/fleet?until=9999-12-31").status_code == 200
