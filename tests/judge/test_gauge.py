"""Gauge R&R by analysis of variance: the AIAG example (data from memory, giving the printed table), and algebra."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.judge.gauge import Trial, gauge_study

# AIAG, Measurement Systems Analysis: 10 parts, 3 appraisers, 3 trials each
AIAG = {
    "A": (
        (0.29, -0.56, 1.34, 0.47, -0.80, 0.02, 0.59, -0.31, 2.26, -1.36),
        (0.41, -0.68, 1.17, 0.50, -0.92, -0.11, 0.75, -0.20, 1.99, -1.25),
        (0.64, -0.58, 1.27, 0.64, -0.84, -0.21, 0.66, -0.17, 2.01, -1.31),
    ),
    "B": (
        (0.08, -0.47, 1.19, 0.01, -0.56, -0.20, 0.47, -0.63, 1.80, -1.68),
        (0.25, -1.22, 0.94, 1.03, -1.20, 0.22, 0.55, 0.08, 2.12, -1.62),
        (0.07, -0.68, 1.34, 0.20, -1.28, 0.06, 0.83, -0.34, 2.19, -1.50),
    ),
    "C": (
        (0.04, -1.38, 0.88, 0.14, -1.46, -0.29, 0.02, -0.46, 1.77, -1.49),
        (-0.11, -1.13, 1.09, 0.20, -1.07, -0.67, 0.01, -0.56, 1.45, -1.77),
        (-0.15, -0.96, 0.67, 0.11, -1.45, -0.49, 0.21, -0.49, 1.87, -2.16),
    ),
}
PRINTED = 1e-5


def trials(table=None):
    return [
        Trial(part=f"part {number}", reader=reader, value=value)
        for reader, rounds in (table or AIAG).items()
        for values in rounds
        for number, value in enumerate(values, start=1)
    ]


def test_the_analysis_of_variance_is_the_printed_one():
    """AIAG's table, F against the interaction; the interaction against the repeats."""
    reader, part, both, rest = gauge_study(trials()).table

    assert [line.degrees_of_freedom for line in (reader, part, both, rest)] == [2, 9, 18, 60]
    assert [line.sum_of_squares for line in (reader, part, both, rest)] == pytest.approx(
        [3.16726, 88.36193, 0.35898, 2.75893], abs=PRINTED
    )
    assert (reader.f, part.f, both.f) == pytest.approx((79.406, 492.291, 0.434), abs=5e-4)
    assert both.p == pytest.approx(0.974, abs=5e-4)


def test_pooled_it_gives_the_published_spreads():
    found = gauge_study(trials())

    assert found.is_pooled
    assert found.floored == ()
    assert (found.repeatability, found.reproducibility, found.gauge, found.part, found.total) == pytest.approx(
        (0.199933, 0.226838, 0.302372, 1.042327, 1.085300), abs=PRINTED
    )
    assert found.percent_of_total == pytest.approx(27.86, abs=5e-3)
    assert found.categories == 4


def test_with_the_interaction_kept_a_negative_component_is_set_to_zero_and_told():
    found = gauge_study(trials(), pool_above=1.0)

    assert not found.is_pooled
    assert found.floored == ("interaction",)
    assert (found.repeatability, found.reproducibility, found.gauge, found.part, found.total) == pytest.approx(
        (0.214435, 0.228304, 0.313217, 1.043395, 1.089393), abs=PRINTED
    )
    assert found.categories == 4


def test_its_degrees_of_freedom_are_few_where_readers_are():
    """Satterthwaite (GUM G.4.1) on AIAG's mean squares, by hand.

    Pooled GRR² = 1.58363/30 + (1 - 1/30) 0.0399733 with 2 and 78 degrees; with the interaction kept and its component
    zero GRR² = 1.58363/30 - 0.01994/30 + 0.0459822 with 2, 18 and 60.
    """
    pooled = (1.58363 / 30, 2), (29 / 30 * 0.0399733, 78)
    kept = (1.58363 / 30, 2), (-0.01994 / 30, 18), (0.0459822, 60)

    for terms, found in ((pooled, gauge_study(trials())), (kept, gauge_study(trials(), pool_above=1.0))):
        by_hand = sum(term for term, _ in terms) ** 2 / sum(term**2 / freedom for term, freedom in terms)
        assert found.degrees_of_freedom == pytest.approx(by_hand, rel=1e-3)
        assert 5 < by_hand < 7


def test_of_a_tolerance_it_takes_six_spreads():
    assert gauge_study(trials()).percent_of_tolerance(8) == pytest.approx(100 * 6 * 0.302372 / 8, abs=1e-3)


@settings(max_examples=25)
@given(st.floats(0.1, 50), st.floats(-100, 100))
def test_gain_and_offset_of_the_readings_change_spreads_as_algebra_says(gain, offset):
    moved = [Trial(part=t.part, reader=t.reader, value=gain * t.value + offset) for t in trials()]

    plain, found = gauge_study(trials()), gauge_study(moved)

    assert found.gauge == pytest.approx(gain * plain.gauge, rel=1e-6)
    assert found.percent_of_total == pytest.approx(plain.percent_of_total, rel=1e-6)


def test_the_sums_of_squares_add_up_to_the_total():
    """Algebra: the four sources split the total sum of squares, 94.64711 in the printed table."""
    values = [trial.value for trial in trials()]
    mean = math.fsum(values) / len(values)

    total = math.fsum(line.sum_of_squares for line in gauge_study(trials()).table)

    assert total == pytest.approx(math.fsum((value - mean) ** 2 for value in values), rel=1e-12)
    assert total == pytest.approx(94.64711, abs=PRINTED)


@pytest.mark.parametrize(
    ("made", "words"),
    [
        ([], "it has 0 parts"),
        ([t for t in trials() if t.part == "part 1"], "it has 1 parts"),
        ([t for t in trials() if t.reader == "A"], "it has 1 readers"),
        (trials({reader: rounds[:1] for reader, rounds in AIAG.items()}), "it has 1 repeats"),
        (trials()[:-1], "C read part 10 2 times where others have 3"),
    ],
)
def test_a_study_that_is_not_crossed_and_balanced_is_refused(made, words):
    with pytest.raises(UnusableInput, match=words):
        gauge_study(made)


def test_readings_too_coarse_to_differ_are_refused():
    """Rounded to whole numbers most cells show no spread: their agreement says nothing of repeatability."""
    coarse = [Trial(part=t.part, reader=t.reader, value=round(t.value / 4)) for t in trials()]

    with pytest.raises(NothingToMeasure, match="too coarse to tell repeatability"):
        gauge_study(coarse)
