"""A supplier's figures in our units, and their product."""

import math

import numpy as np
import pytest
import uncertainties
from hypothesis import given
from hypothesis import strategies as st

from inspect_app.errors import UnusableInput
from inspect_app.measure import measure

PERCENT = st.floats(0.01, 50)


def stated(**given_figures):
    found = measure("tube-data", {}, given_figures)
    return {result.quantity_name: result for result in found.results}, found.warnings


def test_the_figure_of_merit_is_the_product():
    """Truth: 64 lp/mm and 25 give 1600, 72 lp/mm and 28 give 2016 (algebra; the product is the trade's definition)."""
    assert stated(resolution_lp_mm="64", snr="25")[0]["figure_of_merit"].quantity.value == 1600
    assert stated(resolution_lp_mm="72 lp/mm", snr="28")[0]["figure_of_merit"].quantity.value == 2016


def test_gain_in_foot_lamberts_per_foot_candle_is_converted():
    """Truth: 1 fL is 1/pi candela a square foot and 1 fc one lumen a square foot, so 1 fL/fc is 1/pi cd/m²/lx."""
    gain = stated(gain="64000 fL/fc")[0]["gain"].quantity

    assert gain.value == pytest.approx(64000 / math.pi, abs=1e-6)
    assert gain.unit == "cd/m²/lx"


def test_background_in_lux_is_converted():
    """Truth: 2.5e-11 lm/cm² is 2.5e-7 lx, a quarter of a microlux."""
    assert stated(ebi="2.5e-7 lx")[0]["ebi"].quantity.value == pytest.approx(0.25, abs=1e-12)


def test_only_what_was_given_comes_out():
    figures, _ = stated(halo_mm="0.7")

    assert list(figures) == ["halo"]
    assert figures["halo"].quantity.unit == "mm"


def test_a_figure_without_uncertainty_is_exact_and_that_is_said():
    figures, warnings = stated(snr="25", snr_uncertainty_percent="2", halo_mm="0.7", ebi="0.2")

    assert figures["halo"].quantity.standard_uncertainty == 0
    assert figures["snr"].quantity.standard_uncertainty == pytest.approx(0.5, abs=1e-12)
    assert warnings == ("The supplier states no uncertainty for ebi, halo: taken as exact.",)


@given(snr=st.floats(1, 100), resolution=st.floats(10, 100), snr_percent=PERCENT, resolution_percent=PERCENT)
def test_the_uncertainty_of_the_product_is_that_of_an_independent_library(
    snr, resolution, snr_percent, resolution_percent
):
    """Truth: the package uncertainties, first-order propagation; property over the whole range."""
    expected = uncertainties.ufloat(snr, snr * snr_percent / 100) * uncertainties.ufloat(
        resolution, resolution * resolution_percent / 100
    )

    figures, _ = stated(
        snr=snr,
        resolution_lp_mm=resolution,
        snr_uncertainty_percent=snr_percent,
        resolution_uncertainty_percent=resolution_percent,
    )
    merit = figures["figure_of_merit"].quantity

    assert merit.value == pytest.approx(expected.nominal_value, rel=1e-12)
    assert merit.standard_uncertainty == pytest.approx(expected.std_dev, rel=1e-9, abs=1e-12)


@given(st.floats(1, 1e6))
def test_the_unit_that_a_gain_was_typed_in_does_not_matter(gain):
    """Property: typed in either unit, the same gain comes out."""
    in_lux = stated(gain=f"{gain / math.pi:.12g}")[0]["gain"].quantity.value
    in_foot_candles = stated(gain=f"{gain:.12g} fL/fc")[0]["gain"].quantity.value

    assert in_lux == pytest.approx(in_foot_candles, rel=1e-9)


def test_the_interval_holds_the_true_product_in_95_of_100_sheets():
    """Coverage: 1000 sheets whose figures err as stated; 929 to 971 is 95 % and three binomial deviations."""
    draw = np.random.default_rng(5)
    snr, resolution = 25.0, 64.0
    held = 0
    for _ in range(1000):
        figures, _ = stated(
            snr=snr * draw.normal(1, 0.03),
            resolution_lp_mm=resolution * draw.normal(1, 0.02),
            snr_uncertainty_percent=3,
            resolution_uncertainty_percent=2,
        )
        merit = figures["figure_of_merit"].quantity
        held += abs(merit.value - snr * resolution) <= 2 * merit.standard_uncertainty

    assert 929 <= held <= 971


@pytest.mark.parametrize(
    ("figures", "seen"),
    [
        ({}, "no figure of the data sheet was given"),
        ({"snr_uncertainty_percent": "3"}, "no figure of the data sheet was given"),
        ({"snr": "0"}, "greater than 0"),
        ({"snr": "-25"}, "greater than 0"),
        ({"snr": "nan"}, "not a number"),
        ({"gain": "20000 lx"}, "measures illuminance"),
        ({"halo_mm": "70 kg"}, "measures mass"),
        ({"resolution_lp_mm": "64 lines"}, "unit is not known"),
        ({"figure_of_merit": "1600"}, "no such option"),
    ],
)
def test_an_impossible_figure_is_refused(figures, seen):
    with pytest.raises(UnusableInput, match=seen):
        stated(**figures)


def test_a_file_is_refused(tmp_path):
    with pytest.raises(UnusableInput, match="takes no such file"):
        measure("tube-data", {"scene": [tmp_path / "sheet.png"]}, {"snr": "25"})
