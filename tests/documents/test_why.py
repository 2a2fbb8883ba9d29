"""Why a judgement is what it is: the walk from capture to verdict holds together, and page and file say the same."""

import io
import re

import pikepdf
import pytest

from inspect_app import documents
from inspect_app.documents.why import why, why_text
from inspect_app.measure import measure
from inspect_app.model import Finding, Limit
from tests.documents import papers

STAGES = ["Capture", "Method", "Reading", "Limit", "Rule", "Result"]


@pytest.fixture(scope="module")
def paper():
    """Give a paper whose bar target and readout were really computed, from readings by hand."""
    by_hand = {
        "bar-target": {"axis": "horizontal", "reading": ["1,6", "2,1", "1,6"], "distance_m": "10"},
        "readout": {"bands_counted": ["6.1", "6.2", "6.1"], "strobe_hz": "500"},
    }
    done = []
    for step, measured, instrument in papers.runs():
        answers = by_hand.get(step.check)
        done.append((step, measured if answers is None else measure(step.check, {}, answers), instrument))
    return papers.paper(tuple(done))


@pytest.fixture(scope="module")
def judged(paper):
    """Give each judgement on a limit with its walk."""
    return [
        (one, why(one, paper.form, paper.contract, paper.inspection))
        for one in paper.judgements
        if isinstance(one.limit, Limit)
    ]


def number(text):
    return float(text.replace("\N{MINUS SIGN}", "-"))


def test_every_measured_judgement_is_walked_from_capture_to_result(judged):
    for judgement, walk in judged:
        if judgement.finding is not Finding.NOT_MEASURED:
            assert [stage.name for stage in (*walk.before, *walk.after)] == STAGES, walk.title


def test_each_budget_line_multiplies_out_and_the_lines_combine_to_the_uncertainty(judged):
    """GUM 5.1.2: contribution = input / divisor × sensitivity, and their squares add up; printed to three digits."""
    seen = 0
    for judgement, walk in judged:
        for budget in walk.budgets:
            rows = [[number(cell) for cell in (r.input, r.divisor, r.sensitivity, r.contribution)] for r in budget.rows]
            for given, divisor, sensitivity, contribution in rows:
                assert given / divisor * abs(sensitivity) == pytest.approx(contribution, rel=0.015)
            combined = number(re.search(r"u = ([\d.e+-]+)", budget.total)[1])
            assert sum(row[3] ** 2 for row in rows) ** 0.5 == pytest.approx(combined, rel=0.01)
            assert judgement.quantity is not None
            seen += 1
    assert seen >= 2


def test_the_walk_names_rule_guard_band_and_the_risk_of_the_decision(judged):
    """Readout against an upper limit, guarded: the walk tells k, w and what would have been accepted."""
    walk = next(walk for one, walk in judged if one.limit.check == "readout" and one.guard_band)

    rule, result = walk.after[1], walk.after[2]
    assert "Guarded acceptance." in rule.lines[0]
    assert "ILAC-G8" in rule.lines[0]
    assert re.fullmatch(r"Here w = [\d.]+ u = [\d.]+ ms; accepted if ≤ [\d.]+ ms\.", rule.lines[1])
    assert any(line.startswith("Probability that this decision is wrong") for line in result.lines)


def test_the_walks_of_all_judgements_are_attached_to_the_document():
    paper = papers.paper()
    with pikepdf.open(io.BytesIO(documents.render_certificate(paper))) as opened:
        text = opened.attachments["why.txt"].get_file().read_bytes().decode()

    for judgement in paper.judgements:
        walk = why(judgement, paper.form, paper.contract, paper.inspection)
        assert why_text(walk) in text
    assert text.count("Result: ") == len(paper.judgements)
