"""The page of a sampled lot: plans, draw, devices to fetch, changes with a reason, verdict, a lot that comes again."""

import re

import pytest

from inspect_app import workflow
from inspect_app.model import AboutLot, Severity, StudyKind
from inspect_app.workflow import AcceptedArrival, NewStudy
from tests.documents.reading import text_of
from tests.truth.studies import looks
from tests.web.test_inspections import answer_all
from tests.web.texts import CONTRACT
from tests.web.workbench import PASSWORD

PLANS = """
[[sampling]]
device_class = "test monocular"
severity = "major"
plan = "single"
edition = "105E"
level = "I"
aql = 6.5
"""


LOOKS_DEMANDED = """
[[limit]]
device_class = "test monocular"
clause = "9.1"
title = "As ordered"
check = "look"
quantity = "items_nonconforming"
unit = "1"
at_most = 0
decision_rule = "simple"
severity = "major"
"""


def receive(place, people, reference, demanded=""):
    contract = CONTRACT.replace('"TST-1"', '"TST-2"') + PLANS + demanded
    workflow.adopt_contract(place, None, contract, "sampled.toml")
    arrivals = [AcceptedArrival(serial=f"{reference}-{count}", device_class="test monocular") for count in range(1, 5)]
    shipment = workflow.receive_shipment(place, people["ina"], "TST-2", reference, arrivals)
    return workflow.lots_of_shipment(place, shipment.id)[0].id


@pytest.fixture
def sampled(place, people):
    """Receive four devices under a plan: letter A, n = 2, Ac 0 (MIL-STD-105E, Tables I and II-A)."""
    return receive(place, people, "SA")


@pytest.fixture
def drawn(sampled, inspector):
    inspector.get(f"/lots/{sampled}")
    inspector.post(f"/lots/{sampled}/draw")
    return sampled


def to_fetch(place, lot_id):
    return [one.device.device.serial for one in workflow.lot_sampling(place, lot_id).devices]


def outside(place, lot_id):
    return next(serial for serial in ("SA-1", "SA-2", "SA-3", "SA-4") if serial not in to_fetch(place, lot_id))


def inspect(place, people, lot_id, reading="1,4"):
    device = workflow.next_device(place, lot_id).device
    inspection = workflow.open_inspection(place, people["ina"], lot_id, device.id)
    answer_all(place, people["ina"], inspection, reading=reading)
    workflow.conclude(place, people["ina"], inspection.id, PASSWORD, device.serial)


def test_before_the_draw_the_page_shows_the_plan_and_offers_no_device(inspector, sampled):
    inspector.get(f"/lots/{sampled}")

    words = inspector.words()
    assert "105E, level I, AQL 6.5, letter A, plan of letter A" in words
    assert "normal Lots begin on normal inspection. 0 of 2 0 found; accept up to 0, reject from 1" in words
    assert "Draw the sample" in words
    assert "Begin" not in words
    assert "Take the next device" not in words


def test_the_drawn_devices_stand_on_the_page_in_their_order_with_the_seed(inspector, drawn, place):
    first, second = to_fetch(place, drawn)
    seed = workflow.lot_sampling(place, drawn).draw.seed

    words = inspector.words()
    assert "The sample is drawn. Fetch its devices." in words
    assert f"{first} {second}" in words
    assert seed in words
    assert inspector.text().count(">Begin<") == 2


def test_next_takes_the_first_device_drawn(inspector, drawn, place):
    inspector.get(f"/lots/{drawn}")
    page = inspector.post(f"/lots/{drawn}/next")

    inspection = workflow.open_inspections(place)[0]
    assert page.request.path.startswith(f"/bench/{inspection.inspection_id}/")
    assert inspection.device.serial == to_fetch(place, drawn)[0]


def test_a_device_outside_the_sample_is_refused_when_it_is_scanned(inspector, drawn, place):
    inspector.get(f"/lots/{drawn}")
    page = inspector.post(f"/lots/{drawn}/take", {"serial": outside(place, drawn)})

    assert page.status_code == 403
    assert "is not in the sample" in inspector.words()


def test_a_change_without_a_reason_comes_back_with_what_was_typed(inspector, drawn, place):
    other = outside(place, drawn)
    inspector.get(f"/lots/{drawn}")
    page = inspector.post(f"/lots/{drawn}/sample", {"added": other, "replaced": "", "reason": ""})

    assert page.status_code == 422
    assert inspector.value_of("added") == other
    assert "Write why the sample is changed." in inspector.words()
    assert len(to_fetch(place, drawn)) == 2


def test_a_change_with_a_reason_is_shown_with_it(inspector, drawn, place):
    other, (first, _) = outside(place, drawn), to_fetch(place, drawn)
    inspector.get(f"/lots/{drawn}")
    inspector.post(f"/lots/{drawn}/sample", {"added": other, "replaced": first, "reason": "crate locked"})

    assert to_fetch(place, drawn)[0] == other
    assert f"in place of {first}: crate locked" in inspector.words()


def test_a_serial_that_cannot_be_added_is_refused_beside_its_field(inspector, drawn, place):
    inspector.get(f"/lots/{drawn}")
    page = inspector.post(f"/lots/{drawn}/sample", {"added": "XX-9", "replaced": "", "reason": "why not"})

    assert page.status_code == 422
    assert 'id="added-error"' in inspector.text()
    assert "XX-9 is not in this lot" in inspector.words()


def test_a_rejected_sample_asks_what_follows_and_records_it(inspector, drawn, place, people):
    inspect(place, people, drawn, reading="-2,1")
    inspector.get(f"/lots/{drawn}")
    assert "The sample says: ✗ Rejected" in inspector.words()
    assert "Take the lot in" not in inspector.words()

    unanswered = inspector.post(f"/lots/{drawn}/verdict", {"remark": ""})
    assert unanswered.status_code == 422
    assert "What follows?: nothing is chosen. Choose one." in inspector.words()
    inspector.post(f"/lots/{drawn}/verdict", {"follow_up": "screen", "remark": "keep the good ones"})

    words = inspector.words()
    assert (
        "✗ Rejected 2026-06-01 12:00 UTC, Ina Vestergard Screen the rest: inspect every device, keep the good ones."
        in words
    )
    assert inspector.text().count(">Begin<") == 3


def test_a_lot_that_comes_again_is_linked_both_ways_and_tightened(inspector, drawn, place, people):
    inspect(place, people, drawn, reading="-2,1")
    inspector.get(f"/lots/{drawn}")
    inspector.post(f"/lots/{drawn}/verdict", {"follow_up": "resubmit"})
    again = receive(place, people, "SB")
    number = workflow.lot(place, drawn).lot.number

    inspector.get(f"/lots/{again}")
    inspector.post(f"/lots/{again}/resubmission", {"earlier": number, "reason": "sorted"})

    assert f"This lot is lot {number} come again: sorted" in inspector.words()
    assert "tightened A lot that comes again is looked at on tightened inspection." in inspector.words()
    inspector.get(f"/lots/{drawn}")
    assert f"It came again as lot {workflow.lot(place, again).lot.number}" in inspector.words()


def test_the_curve_is_drawn_again_with_wrong_verdicts(inspector, sampled):
    """Truth: n = 2, Ac 0: 2.53 % are accepted 95 times in 100; one in ten falsely rejected: 0.95 x 0.81 = 0.77."""
    inspector.get(f"/lots/{sampled}")
    assert "with 2.532 in 100, 95 % of the lots are accepted" in inspector.words()
    assert "with wrong verdicts" not in inspector.words()

    inspector.get(f"/lots/{sampled}", query_string={"false_reject": "10", "false_accept": "0"})

    assert "lot, as seen" in inspector.words()
    assert re.search(r"2\.532 76\.95", inspector.words())


def test_a_chance_that_is_none_is_refused_in_words(inspector, sampled):
    inspector.get(f"/lots/{sampled}", query_string={"false_reject": "110"})

    assert "must be between 0 and 100 %" in inspector.words()


def test_an_auditor_sees_the_sample_and_may_not_change_it(as_role, drawn):
    auditor = as_role("aud")
    auditor.get(f"/lots/{drawn}")

    assert "Devices to fetch" in auditor.words()
    assert "Change the sample" not in auditor.words()
    assert auditor.post(f"/lots/{drawn}/sample", {"added": "SA-1", "reason": "x"}).status_code == 403


@pytest.fixture
def by_look(place, people):
    """Receive four devices under a plan whose major nonconformities are found by looks too."""
    return receive(place, people, "SA", LOOKS_DEMANDED)


@pytest.fixture
def looked(place, people):
    """Let a study of looks count: 5 of 50 looks at good items rejected, 10 of 50 at bad ones accepted."""
    new = NewStudy(kind=StudyKind.LOOKS, title="Looks", table_name="looks.csv", table=looks())
    number = workflow.keep_study(place, people["ina"], new)
    workflow.adopt_study(place, people["app"], number, "the readers of this bench")
    return number


def seen(visitor):
    return re.findall(r"As seen: ([\d.]+) % of the good devices are rejected and ([\d.]+) %", visitor.words())


def test_a_study_of_looks_gives_the_rates_and_is_named_beside_the_curve(inspector, place, by_look, looked):
    """Truth: the table of the study; its contract demands looks of the major class."""
    assert workflow.look_errors(place, by_look).severities == {Severity.MAJOR}
    inspector.get(f"/lots/{by_look}")
    assert f"Draw them by {looked}" in inspector.words()
    assert seen(inspector) == []

    inspector.get(f"/lots/{by_look}?by=readers")

    assert set(seen(inspector)) == {("10", "20")}
    assert f"by reader study {looked}: 5 of 50 looks at good items rejected" in inspector.words()


def test_what_is_typed_goes_before_the_study(inspector, by_look, looked):
    inspector.get(f"/lots/{by_look}?by=readers&false_reject=1&false_accept=2")

    assert set(seen(inspector)) == {("1", "2")}
    assert "are rejected and 2 % of the bad ones accepted." in inspector.words()


def test_where_no_look_is_demanded_the_study_is_not_offered(inspector, place, sampled, looked):
    inspector.get(f"/lots/{sampled}?by=readers")

    assert workflow.look_errors(place, sampled) is None
    assert seen(inspector) == []
    assert looked not in inspector.words()


def test_without_a_study_that_counts_none_is_offered(inspector, by_look):
    inspector.get(f"/lots/{by_look}?by=readers")

    assert seen(inspector) == []
    assert "Draw them by" not in inspector.words()


def test_the_report_of_a_lot_names_the_study_beside_its_curve(place, people, by_look, looked):
    report = workflow.issue_report(place, people["app"], AboutLot(lot_id=by_look))

    said = " ".join(text_of(workflow.document_path(place, report).read_bytes()).split())
    assert f"by reader study {looked}: 5 of 50 looks at good items rejected" in said
