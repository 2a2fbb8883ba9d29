"""What pages show of judgements, sizes and events; the truth is written beside each."""

import pytest

from inspect_app.model import DecisionRule, Finding, Judgement, Limit
from inspect_app.quantity import Quantity
from inspect_app.web import shown


def judged(probability, *, finding=Finding.CONFORMING, margin=1.2):
    limit = Limit(
        clause="4.5",
        title="Latency",
        check="latency",
        quantity_name="latency_half",
        unit="ms",
        at_most=20.0,
        decision_rule=DecisionRule.GUARDED,
    )
    return Judgement(
        limit=limit,
        finding=finding,
        reason="because",
        quantity=Quantity(value=18.2, unit="ms", standard_uncertainty=0.3),
        acceptance_at_most=19.4,
        guard_band=0.6,
        margin=margin,
        probability_of_conformity=probability,
    )


def test_a_judgement_is_a_mark_a_word_and_numbers_to_one_place():
    """U is 2 × 0.3 = 0.60 ms: two significant digits, the value to the same place (GUM 7.2.6)."""
    row = shown.judgements([judged(0.98)])[0]

    assert (row.standing.mark, row.standing.word) == ("✓", "Conforms")
    assert row.value == "18.20 ± 0.60 ms"
    assert row.demand == "≤ 20 ms"
    assert row.margin == "1.20 ms"
    assert row.acceptance == "≤ 19.40 ms"


@pytest.mark.parametrize(
    ("probability", "words"), [(1.0, "above 99.9 %"), (0.0, "below 0.1 %"), (0.5, "50.0 %"), (None, "")]
)
def test_no_probability_is_printed_as_certain(probability, words):
    assert shown.judgements([judged(probability)])[0].probability == words


def test_doubt_comes_with_what_to_do_next():
    row = shown.judgements([judged(0.9, finding=Finding.INCONCLUSIVE)])[0]

    assert row.next_act == "Measure again, or take it to the contract officer."


@pytest.mark.parametrize(
    ("size_bytes", "words"),
    [(0, "0 B"), (1023, "1023 B"), (1024, "1.0 KiB"), (5 << 20, "5.0 MiB"), (3 << 30, "3.0 GiB")],
)
def test_sizes_are_told_in_binary_units(size_bytes, words):
    """IEC 80000-13: 1 KiB is 1024 B."""
    assert shown.size_text(size_bytes) == words


def test_what_an_event_tells_is_told_without_words_of_the_program():
    detail = {"sha256": "ab" * 32, "size_bytes": "2048", "serial": "TM-0001", "step": "look", "empty": ""}

    told = shown.detail_text(detail, {"look": "Look and function"})

    assert told == "digest abababababab…; 2.0 KiB; serial TM-0001; step Look and function"
