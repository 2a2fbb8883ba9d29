"""The study command on tables as people save them."""

import json

import pytest

from inspect_app.cli import main
from tests.judge.test_gauge import trials
from tests.truth import studies


@pytest.fixture
def run(tmp_path, capsys):
    def run(kind, text, *more):
        path = tmp_path / "study.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        status = main(["study", kind, str(path), *more])
        return status, *capsys.readouterr()

    return run


def readings(rows):
    return "part,reader,value\n" + "".join(f"{part},{reader},{value}\n" for part, reader, value in rows)


AIAG = readings((t.part, t.reader, t.value) for t in trials())
LOOKS = "item,reader,verdict,reference\n" + "".join(
    f"{item},{reader},{verdict},{reference}\n"
    for item, (ann, bea, reference) in enumerate(
        [("pass", "pass", "pass")] * 20 + [("pass", "fail", "pass")] * 5 + [("fail", "pass", "fail")] * 10
        + [("fail", "fail", "fail")] * 15
    )
    for reader, verdict in (("Ann", ann), ("Bea", bea))
)  # fmt: skip


def test_a_gauge_study_is_told_with_its_table_and_what_feeds_back(run):
    """AIAG's example, pooled: GRR 27.86 %, ndc 4."""
    status, out, err = run("gauge", AIAG)

    assert (status, err) == (0, "")
    assert "The interaction is pooled with the repeats." in out
    assert "27.9 % of the total" in out
    assert "distinct categories: 4" in out
    assert "Standard uncertainty of one reading, as far as reading goes: 0.302372" in out
    assert "gauge: 0.305766, 26.7 % of the total" in out.split("By average and range:")[1]


def test_a_gauge_study_as_json_with_the_interaction_kept(run):
    _, out, _ = run("gauge", AIAG, "--pool-above", "1", "--json")

    told = json.loads(out)
    assert told["gauge"] == pytest.approx(0.313217, abs=1e-5)
    assert told["set_to_zero"] == ["interaction"]
    assert told["reader_uncertainty_percent"] is None


def test_elements_of_the_bar_target_feed_the_form_in_per_cent(run):
    """Algebra, as `tests.truth.studies` explains it."""
    _, out, _ = run("gauge", studies.elements(), "--elements", "--json")

    assert json.loads(out)["gauge"] == pytest.approx(studies.GAUGE, rel=1e-9)
    assert json.loads(out)["reader_uncertainty_percent"] == pytest.approx(studies.PERCENT, rel=1e-9)


def test_agreement_tells_kappa_and_who_was_wrong_how_often(run):
    """The fifty proposals: kappa 0.40; Ann is never wrong (below 5.8 %), Bea 15 times."""
    status, out, _ = run("agreement", LOOKS)
    told = json.loads(run("agreement", LOOKS, "--json")[1])

    assert status == 0
    assert "Cohen's kappa 0.400, standard error 0.127" in out
    assert "Ann: 0 of 50 wrong, below 5.8 % with 95 % confidence" in out
    assert told["wrong"]["Bea"]["wrong"] == 15


def test_three_readers_are_judged_by_fleiss(run):
    """Algebra: 2 items, 3 readers; 3-0 and 1-2. P = (1 + 1/3)/2, P_e = (4/6)² + (2/6)² = 5/9, kappa = 1/4."""
    verdicts = {"a": "yyy", "b": "ynn"}
    rows = [
        f"{item},{reader},{word}" for item, words in verdicts.items() for reader, word in zip("ABC", words, strict=True)
    ]
    text = "\n".join(["item,reader,verdict", *rows])

    told = json.loads(run("agreement", text, "--json")[1])

    assert told["method"] == "Fleiss"
    assert told["kappa"] == pytest.approx(0.25, abs=1e-12)


@pytest.mark.parametrize(
    ("kind", "text", "words"),
    [
        ("gauge", "", "the column part is missing"),
        ("gauge", "part,reader\n1,A\n", "the column value is missing. Name the columns part,reader,value"),
        ("gauge", "part,reader,value\n", "it has no rows"),
        ("gauge", "part,reader,value\n1,A,\n", "row 2: value is empty"),
        ("gauge", "part,reader,value\n1,A,x\n", "reading 1: this is not a number"),
        ("gauge", "part,reader,value\n1,A,3\n", "it has 1 parts"),
        ("gauge", "part;reader;value\n1;A;3\n", "the column part is missing"),
        ("gauge", b"part,reader,value\n1,\xff,3\n", "is not UTF-8 text"),
        ("gauge", b"x" * 1_200_000, "is larger than 1 MB"),
        ("agreement", "item,reader,verdict\n1,A,y\n1,A,n\n", "item 1: A judged it twice"),
        ("agreement", "item,reader,verdict\n1,A,y\n2,A,y\n1,B,n\n", "B did not judge 2"),
        ("agreement", "item,reader,verdict\n1,A,y\n2,A,y\n", "items and readers do not match"),
    ],
)
def test_a_table_that_is_no_study_is_told_in_one_line(run, kind, text, words):
    status, out, err = run(kind, text)

    assert (status, out) == (2, "")
    assert words in err
    assert err.count("\n") == 1


def test_a_missing_file_is_told(capsys):
    assert main(["study", "gauge", "nowhere.csv"]) == 2
    assert "nowhere.csv: cannot be read" in capsys.readouterr().err


@pytest.mark.parametrize("kind", ["gauge", "agreement"])
def test_each_kind_explains_itself_with_examples(capsys, kind):
    main(["study", kind, "--help"])

    assert f"inspect-app study {kind}" in capsys.readouterr().out.split("Examples:")[1]
