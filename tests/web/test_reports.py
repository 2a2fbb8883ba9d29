"""Reports on the pages: looked at, issued by an approver, found among the documents, superseded there."""

import pytest

from inspect_app import workflow
from inspect_app.model import AboutFleet, AboutLot
from tests.web.workbench import PASSWORD


@pytest.fixture
def approver(as_role):
    return as_role("app")


def issue(visitor, address, password=PASSWORD):
    visitor.get(address)
    return visitor.post(address, {"password": password})


def test_the_page_of_a_lot_leads_to_its_report_and_an_approver_issues_it(approver, lot):
    approver.get(f"/lots/{lot.id}")
    assert f"/reports/?lot={lot.id}" in approver.page.text

    page = issue(approver, f"/reports/?lot={lot.id}")

    assert page.request.path == "/documents/L-2026-0001"
    assert f"lot {lot.number}" in approver.words()
    approver.get("/documents/")
    assert f"L-2026-0001 lot report {lot.number}" in approver.words()
    approver.get(f"/reports/?lot={lot.id}")
    assert "L-2026-0001 stands." in approver.words()


def test_a_report_is_looked_at_as_a_draft_by_who_may_not_issue_it(inspector, lot, place):
    inspector.get(f"/reports/?lot={lot.id}")
    assert "An approver issues it, on this page." in inspector.words()

    draft = inspector.get(f"/reports/draft.pdf?lot={lot.id}")

    assert draft.get_data().startswith(b"%PDF-")
    inspector.get(f"/reports/?lot={lot.id}")
    assert inspector.post(f"/reports/?lot={lot.id}", {"password": PASSWORD}).status_code == 403
    assert workflow.issued_documents(place) == ()


def test_the_fleet_is_narrowed_down_in_the_address_and_superseded_on_the_page_of_its_report(approver, lot, place):
    scope = AboutFleet(contract_number=lot.shipment.contract_number)
    issue(approver, f"/reports/?contract={scope.contract_number}&from=&until=")

    approver.get("/documents/F-2026-0001")
    page = approver.post("/documents/F-2026-0001/supersede", {"reason": "a lot came", "password": PASSWORD})

    assert page.request.path == "/documents/F-2026-0002"
    assert [one.number for one in workflow.documents_about(place, scope)] == ["F-2026-0002", "F-2026-0001"]


def test_a_wrong_password_issues_nothing(approver, lot, place):
    page = issue(approver, f"/reports/?lot={lot.id}", "not the password")

    assert page.status_code == 422
    assert workflow.documents_about(place, AboutLot(lot_id=lot.id)) == ()


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("/reports/?from=yesterday", "Write the day as year-month-day"),
        ("/reports/?contract=NONE", "Not a valid choice"),
        ("/reports/?until=2020-01-01", "no lot was received"),
    ],
)
def test_what_cannot_be_reported_is_told_at_its_field(approver, lot, address, words):
    approver.get(address)

    assert words in approver.words()


@pytest.mark.parametrize("address", ["/reports/?lot=99", "/reports/?shipment=x", "/reports/draft.pdf?lot=99"])
def test_a_report_on_nothing_is_not_found(approver, address):
    assert approver.get(address).status_code == 404
