"""Elements read by eye against the printed table and the GUM's rules."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspect_app.errors import UnusableInput
from inspect_app.measure import CHECKS, measure, read_options
from inspect_app.measure.bar_target import BarTargetOptions, element_frequency
from inspect_app.model import Measured
from inspect_app.quantity import expanded_uncertainty
from tests.truth.bars import PRINTED_LP_MM


def read_bars(**given_options: object) -> Measured:
    return measure("bar-target", {}, {"axis": "horizontal", **given_options})


def value_of(measured: Measured, name: str, **condition: str) -> float:
    for result in measured.results:
        if result.quantity_name == name and condition.items() <= result.condition.items():
            return result.quantity.value
    raise AssertionError(f"no {name} under {condition}")


@pytest.mark.parametrize("group", sorted(PRINTED_LP_MM))
def test_every_element_of_the_printed_target_has_its_printed_frequency(group: int) -> None:
    """Truth: the printed table (source in tests/truth/bars.py), to half of its last digit."""
    for element, printed in enumerate(PRINTED_LP_MM[group], start=1):
        value = value_of(read_bars(reading=[f"{group},{element}"]), "resolution")

        half_a_digit = 0.5 * 10 ** -len(printed.partition(".")[2])
        assert value == pytest.approx(float(printed), abs=half_a_digit * 1.0001)


def test_group_zero_element_four_at_three_metres_is_4_24_cycles_per_milliradian() -> None:
    """Truth: algebra, 1.414 lp/mm at 3000 mm; one milliradian is 3 mm there."""
    value = value_of(read_bars(reading=["0,4"], distance_m="3"), "angular_resolution", space="object")

    assert value == pytest.approx(math.sqrt(2) * 3, abs=1e-9)


def test_sixteen_line_pairs_in_a_collimator_of_500_mm_are_eight_cycles_per_milliradian() -> None:
    """Truth: algebra."""
    value = value_of(read_bars(reading=["4,1"], collimator_mm="500"), "angular_resolution", space="object")

    assert value == pytest.approx(8.0, abs=1e-9)


def test_a_magnifying_device_shows_the_eye_fewer_cycles_per_milliradian() -> None:
    """Truth: algebra, three times as large is three times as few cycles in an angle."""
    measured = read_bars(reading=["4,1"], collimator_mm=500, magnification=3)

    assert value_of(measured, "angular_resolution", space="eye") == pytest.approx(8 / 3, abs=1e-9)
    assert value_of(measured, "angular_resolution", space="object") == pytest.approx(8, abs=1e-9)


def test_one_reader_has_the_uncertainty_of_the_step_between_elements() -> None:
    """Truth: a rectangle ln 2 / 6 wide in the logarithm has the standard deviation 0.0333 (GUM 4.3.7)."""
    quantity = read_bars(reading=["5,2"]).results[0].quantity

    assert quantity.standard_uncertainty / quantity.value == pytest.approx(0.03335, abs=5e-5)
    assert quantity.degrees_of_freedom is None


def test_readers_are_pooled_by_their_geometric_mean() -> None:
    """Truth: algebra, the mean of elements 1 and 3 is element 2."""
    assert value_of(read_bars(reading=["5,1", "5,3"]), "resolution") == pytest.approx(element_frequency(5, 2), abs=1e-9)


def test_the_spread_of_readers_is_pooled_with_what_readers_usually_show() -> None:
    """Truth: algebra; variances of 1 step² with 2 and 1/3 step² with 8 degrees of freedom pool to (2 + 8 / 3) / 10."""
    measured = read_bars(reading=["5,1", "5,2", "5,3"])

    spread = measured.results[0].budget[1]
    step = element_frequency(5, 2) * math.log(2) / 6
    assert spread.standard_uncertainty == pytest.approx(step * math.sqrt((2 + 8 / 3) / 10 / 3), rel=1e-9)
    assert spread.degrees_of_freedom == 10


def test_the_doubt_of_the_distance_adds_in_quadrature() -> None:
    """Truth: algebra, relative uncertainties of a product."""
    measured = read_bars(reading=["5,2"], distance_m=3, distance_uncertainty_percent=4)

    angular = measured.results[1].quantity
    assert angular.standard_uncertainty / angular.value == pytest.approx(math.hypot(0.033350, 0.04), abs=1e-5)


def test_a_lone_reader_is_told_that_readers_differ() -> None:
    """Truth: by definition, one reading shows no spread."""
    assert any("One reader" in warning for warning in read_bars(reading=["5,2"]).warnings)
    assert not read_bars(reading=["5,2"], reader_uncertainty_percent=3).warnings


def test_readers_far_apart_are_asked_to_read_again() -> None:
    """Truth: by definition, four elements are more than practised readers differ by."""
    assert any("differ by 4" in warning for warning in read_bars(reading=["5,1", "5,5"]).warnings)


@pytest.mark.parametrize("reading", ["5,0", "5,7", "5", "five,2", "40,1", "5,2,1", "", "5.5,2"])
def test_a_reading_that_no_target_holds_is_refused_in_words(reading: str) -> None:
    """Truth: by definition, a group has six elements."""
    with pytest.raises(UnusableInput, match=r"reading.*(elements|groups|written)"):
        read_bars(reading=[reading])


def test_no_reading_at_all_is_refused() -> None:
    """Truth: by definition."""
    with pytest.raises(UnusableInput, match="reading"):
        read_bars(reading=[])


def test_distance_and_collimator_together_are_refused() -> None:
    """Truth: by definition, one target stands in one place."""
    with pytest.raises(UnusableInput, match="not both"):
        read_bars(reading=["5,2"], distance_m=3, collimator_mm=500)


@given(group=st.integers(-5, 11), element=st.integers(1, 6))
def test_one_group_up_is_twice_as_fine(group: int, element: int) -> None:
    """Property: groups are octaves, whatever the element."""
    assert element_frequency(group + 1, element) == pytest.approx(2 * element_frequency(group, element), rel=1e-12)


@given(st.lists(st.tuples(st.integers(-2, 7), st.integers(1, 6)), min_size=1, max_size=6))
def test_the_order_of_the_readers_does_not_matter(readings: list[tuple[int, int]]) -> None:
    """Property: pooling is symmetric, and lies between the lowest and the highest reading."""
    forward = read_bars(reading=readings).results[0].quantity
    backward = read_bars(reading=readings[::-1]).results[0].quantity

    frequencies = [element_frequency(*reading) for reading in readings]
    assert forward.value == pytest.approx(backward.value, rel=1e-12)
    assert forward.standard_uncertainty == pytest.approx(backward.standard_uncertainty, rel=1e-9)
    assert min(frequencies) * (1 - 1e-9) <= forward.value <= max(frequencies) * (1 + 1e-9)


def test_value_and_uncertainty_hold_the_last_element_that_a_standard_reader_resolves() -> None:
    """Coverage: readers whose thresholds scatter by 0.5 step read a limit that lies anywhere.

    The measurand is the element that the mean reader's threshold falls on, without rounding and less half a step (the
    mean of rounding down). Student's t at the effective degrees of freedom is the coverage factor; of 400 seeded
    trials at 95 %, the lower binomial bound (3 sigma) is 0.917; the step's rectangle may only raise the coverage.
    """
    random = np.random.default_rng(1951)
    held = 0
    for _ in range(400):
        true_index = random.uniform(6 * 3, 6 * 6)
        seen = np.floor(true_index + random.normal(0, 0.5, 4)).astype(int)
        options = read_options(
            BarTargetOptions, {"axis": "vertical", "reading": [(int(i) // 6, int(i) % 6 + 1) for i in seen]}
        )
        quantity = CHECKS["bar-target"].run((), options).results[0].quantity
        truth = 2 ** ((true_index - 0.5) / 6)
        held += abs(quantity.value - truth) <= expanded_uncertainty(quantity)

    assert held / 400 >= 0.917
