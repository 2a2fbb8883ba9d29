"""Lists taken away from their pages: every list page leads to its files, narrowed as the page is."""

import csv
import io
import re

import openpyxl
import pytest

from inspect_app.workflow import LISTS

LINK = re.compile(r'<a href="(/export/[^"]+)" download>')
PAGES = {
    "/": "shipments",
    "/lots/": "lots",
    "/devices?serial=TM": "fleet",
    "/suppliers/": "suppliers",
    "/instruments": "instruments",
    "/contracts": "contracts",
    "/accounts": "accounts",
}


def links(visitor):
    return [found.replace("&amp;", "&") for found in LINK.findall(visitor.text())]


@pytest.mark.parametrize(("path", "name"), PAGES.items())
def test_a_page_with_a_list_leads_to_its_files(as_role, inspection, path, name):
    auditor = as_role("aud")
    auditor.get(path)
    found = [link for link in links(auditor) if f"/export/{name}." in link]

    assert len(found) == 3
    for link in found:
        answer = auditor.get(link)
        assert answer.status_code == 200
        assert answer.headers["Content-Disposition"].startswith(f"attachment; filename={name}.")


def test_a_file_is_narrowed_as_its_page_is(inspector, lot):
    inspector.get("/devices?serial=0002")
    as_csv = next(link for link in links(inspector) if ".csv" in link)

    rows = list(csv.DictReader(io.StringIO(inspector.get(as_csv).get_data().decode("utf-8-sig"))))

    assert [row["serial"] for row in rows] == ["TM-0002"]


def test_the_order_and_the_page_do_not_narrow_a_file(inspector, lot):
    answer = inspector.get("/export/lots.xlsx?sort=number&page=2")

    sheet = openpyxl.load_workbook(io.BytesIO(answer.get_data())).active
    assert sheet.max_row == 2


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/export/secrets.csv", 404),
        ("/export/lots.pdf", 404),
        ("/export/lots.csv?colour=red", 422),
        ("/export/accounts.csv", 403),
    ],
)
def test_what_cannot_be_taken_away_is_refused_in_words(inspector, path, status):
    answer = inspector.get(path)

    assert answer.status_code == status
    assert inspector.heading()


def test_nobody_takes_a_list_away_without_signing_in(visitor):
    for name in LISTS:
        assert visitor.get(f"/export/{name}.csv").request.path == "/sign-in"
