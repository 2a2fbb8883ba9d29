"""Average and range: AIAG's example (data from memory, giving the printed figures), and the tables by integration."""

import numpy as np
import pytest
from scipy import stats

from inspect_app.errors import UnusableInput
from inspect_app.judge.gauge import Trial, gauge_study
from inspect_app.judge.gauge_ranges import MOST_IN_TABLE, range_study
from tests.judge.test_gauge import trials


def test_the_example_gives_the_printed_figures_and_other_categories_than_the_analysis_of_variance():
    """AIAG, Measurement Systems Analysis: 0.20188, 0.22963, 0.30575, 1.10456, 1.14610, 26.68 %, ndc 5 (ANOVA: 4)."""
    found = range_study(trials())

    assert (found.mean_range, found.reader_difference, found.part_range) == pytest.approx(
        (0.341667, 0.444667, 3.511111), abs=1e-6
    )
    assert (found.repeatability, found.reproducibility, found.gauge, found.part, found.total) == pytest.approx(
        (0.20188, 0.22963, 0.30575, 1.10456, 1.14610), abs=1e-4
    )
    assert found.percent_of_total == pytest.approx(26.68, abs=0.005)
    assert (found.categories, gauge_study(trials()).categories) == (5, 4)


def ranges_of_normal_values(count):
    """Return mean and mean square of the range of so many values, by integrating its distribution on a grid."""
    x = np.linspace(-8, 8, 4001)
    widths = np.linspace(0, 12, 2401)
    density = stats.norm.pdf(x)[:, None]
    inside = stats.norm.cdf(x[:, None] + widths[None, :]) - stats.norm.cdf(x)[:, None]
    below = np.trapezoid(count * density * inside ** (count - 1), x, axis=0)
    return np.trapezoid(1 - below, widths), np.trapezoid(2 * widths * (1 - below), widths)


@pytest.mark.parametrize("count", [2, 3, 10])
def test_the_tables_are_what_normal_values_give(count):
    """Definition: d2 = E[R] and d2*² = E[R²] of the range R of normal values; both tables to their last digit.

    Two readers of two parts whose repeats, means of readers and means of parts are each one apart give the constants.
    """
    mean, mean_square = ranges_of_normal_values(count)

    repeats = [
        Trial(part=part, reader=reader, value=place / (count - 1))
        for part in "ab"
        for reader in "AB"
        for place in range(count)
    ]
    parts = [
        Trial(part=str(part), reader=reader, value=part / (count - 1) + again * 1e-9)
        for part in range(count)
        for reader in "AB"
        for again in (0, 1)
    ]

    assert range_study(repeats).repeatability == pytest.approx(1 / mean, abs=1e-4)
    assert range_study(parts).part == pytest.approx(mean_square**-0.5, abs=1e-4)


def test_beyond_its_tables_the_method_says_nothing_and_a_crooked_study_is_refused():
    many = [
        Trial(part=str(part), reader=reader, value=part + again / 10)
        for part in range(MOST_IN_TABLE + 1)
        for reader in "AB"
        for again in (0, 1)
    ]

    assert range_study(many) is None
    with pytest.raises(UnusableInput, match="read"):
        range_study(many[:-1])
