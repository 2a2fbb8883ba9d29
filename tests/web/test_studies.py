"""Reader studies on the pages: trials laid out blind, and tables evaluated; AIAG's example is in `test_gauge`."""

import csv
import io

import pytest

from tests.judge.test_gauge import trials

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
        ("repeats=x", "Not a valid integer value"),
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
    assert "distinct categories: 4" in inspector.words()
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
