"""Reader studies on the pages: trials laid out blind, and tables evaluated; AIAG's example is in `test_gauge`."""

import csv
import io

import pytest

from tests.judge.test_gauge import trials
from tests.truth.studies import elements

LAYOUT = "/studies/trials?parts=P1,P2,P3&readers=Ann,Bea&repeats=2&seed=7"
AIAG = "part,reader,value\n" + "".join(f"{t.part},{t.reader},{t.value}\n" for t in trials())


def evaluate(visitor, kind, text, name="study.csv"):
    visitor.get("/studies/")
    return visitor.post("/studies/", {"kind": kind, "table": (io.BytesIO(text.encode()), name)})


def test_a_layout_gives_a_sheet_for_each_reader_and_a_key(inspector):
    assert inspector.get(LAYOUT).status_code == 200

    words = inspector.words()
    assert "Sheet of Ann" in words
    assert "Sheet of Bea" in words
    assert words.index("Sheet of Bea") < words.index("Key, for who leads the study only")
    assert "P1" not in words[: words.index("Key, for")].partition("Sheet of Ann")[2]


def test_the_table_to_fill_in_holds_every_trial_of_the_layout_once(inspector):
    rows = list(csv.DictReader(io.StringIO(inspector.get(LAYOUT.replace("trials?", "trials.csv?")).text)))

    assert len({row["code"] for row in rows}) == len(rows) == 12
    assert {(row["part"], row["reader"]) for row in rows} == {
        (p, r) for p in ("P1", "P2", "P3") for r in ("Ann", "Bea")
    }
    assert {row["value"] for row in rows} == {""}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("parts=P1&", "1 named. Name two at least"),
        ("parts=P1,P1,P2&", "one is named twice"),
        ("repeats=1", "1 asked for. Give two to ten"),
        ("repeats=x", "Give a whole number. You entered x."),
        ("readers=&", "Name the readers."),
    ],
)
def test_a_layout_that_tells_nothing_is_refused_beside_its_field(inspector, change, words):
    field = change.partition("=")[0]
    parts = [
        change.rstrip("&") if piece.startswith(f"{field}=") else piece for piece in LAYOUT.partition("?")[2].split("&")
    ]

    page = inspector.get("/studies/trials?" + "&".join(parts))

    assert page.status_code == 422
    assert words in inspector.words()


def test_readings_are_evaluated_with_plot_and_table(inspector):
    """AIAG's example, pooled: ndc 4, GRR 0.302372."""
    page = evaluate(inspector, "readings", AIAG)

    assert page.status_code == 200
    assert "Distinct categories: 4" in inspector.words()
    assert "90 readings of 10 parts by 3 readers" in inspector.words()
    assert "readers × parts 18 0.358982" in inspector.words()


def test_looks_are_evaluated(inspector):
    rows = "".join(f"{n},{reader},{'pass' if n % 2 else 'fail'},pass\n" for n in range(4) for reader in ("Ann", "Bea"))

    evaluate(inspector, "looks", "item,reader,verdict,reference\n" + rows)

    assert "Cohen's kappa 1.000" in inspector.words()
    assert "Ann: 2 of 4 wrong" in inspector.words()


@pytest.mark.parametrize(("kind", "text"), [("readings", "a,b\n1,2\n"), ("looks", "item,reader,verdict\n")])
def test_a_table_that_is_no_study_is_told_beside_its_field(inspector, kind, text):
    page = evaluate(inspector, kind, text)

    assert page.status_code == 422
    assert "study.csv" in inspector.words()


def keep(visitor, kind="elements", table=None, **changed):
    visitor.get("/studies/")
    content = io.BytesIO(elements() if table is None else table)
    fields = {"kind": kind, "title": "Bar target near starlight", "remark": "three evenings", "act": "keep"}
    return visitor.post("/studies/", {**fields, **changed, "table": (content, "study.csv")})


def test_a_study_is_kept_listed_and_shown_with_its_plot_and_its_table(inspector):
    page = keep(inspector)

    assert page.status_code == 200
    assert "Reader study RS-" in inspector.words()
    assert "Layout of the blinded order 7" in inspector.words()
    assert "16 readings of 4 parts by 2 readers" in inspector.words()
    assert "The same by average and range" in inspector.words()
    assert inspector.get(page.request.path + ".csv").data == elements()
    inspector.get("/studies/")
    assert "Bar target near starlight elements" in inspector.words()


def test_a_kept_study_needs_a_title(inspector):
    page = keep(inspector, title=" ")

    assert page.status_code == 422
    assert "title: it is empty" in inspector.words()


def test_an_approver_lets_a_study_count_and_ends_it(inspector, as_role):
    address = keep(inspector).request.path
    assert "Let it count" not in inspector.words()
    approver = as_role("app")

    approver.get(address)
    assert approver.post(f"{address}/adoption", {"reason": ""}).status_code == 422
    assert approver.post(f"{address}/adoption", {"reason": "our readers"}).status_code == 200
    assert "This study counts" in approver.words()
    assert "counts from then on, one reader 10.45 %. our readers" in approver.words()
    approver.get("/contracts/TST-1")
    assert "one reader by study RS-" in approver.words()
    assert approver.post(f"{address}/end", {"reason": "they left"}).status_code == 200
    assert "This study does not count at the bench." in approver.words()


def test_who_only_reads_is_offered_no_keeping(as_role):
    auditor = as_role("aud")
    auditor.get("/studies/")

    assert "Keep in the record" not in auditor.words()
    assert keep(auditor).status_code == 422
    assert "does not permit it" in auditor.words()
    auditor.get("/studies/")
    assert "No study is kept yet." in auditor.words()


def test_a_study_that_is_not_there_is_told(inspector):
    assert inspector.get("/studies/RS-1999-001").status_code == 404
