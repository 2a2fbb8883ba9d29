"""Least squares against the certified values of NIST StRD, linear regression (itl.nist.gov/div898/strd, public domain).

Certified values and data as published there; Wampler's data are polynomials by their definition.
"""

import math

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.numerics.least_squares import fit_plain, fit_weighted

Array = npt.NDArray[np.float64]

# fmt: off
NORRIS = (
    (0.1, 0.2), (338.8, 337.4), (118.1, 118.2), (888.0, 884.6), (9.2, 10.1), (228.1, 226.5), (668.5, 666.3),
    (998.5, 996.3), (449.1, 448.6), (778.9, 777.0), (559.2, 558.2), (0.3, 0.4), (0.1, 0.6), (778.1, 775.5),
    (668.8, 666.9), (339.3, 338.0), (448.9, 447.5), (10.8, 11.6), (557.7, 556.0), (228.3, 228.1), (998.0, 995.8),
    (888.8, 887.6), (119.6, 120.2), (0.3, 0.3), (0.6, 0.3), (557.6, 556.8), (339.3, 339.1), (888.0, 887.2),
    (998.5, 999.0), (778.9, 779.0), (10.2, 11.1), (117.6, 118.3), (228.9, 229.2), (668.4, 669.1), (449.2, 448.9),
    (0.2, 0.5),
)
PONTIUS = (
    0.11019, 0.21956, 0.32949, 0.43899, 0.54803, 0.65694, 0.76562, 0.87487, 0.98292, 1.09146, 1.20001, 1.30822, 1.41599,
    1.52399, 1.63194, 1.73947, 1.84646, 1.95392, 2.06128, 2.16844, 0.11052, 0.22018, 0.32939, 0.43886, 0.54798, 0.65739,
    0.76596, 0.87474, 0.98300, 1.09150, 1.20004, 1.30818, 1.41613, 1.52408, 1.63159, 1.73965, 1.84696, 1.95445, 2.06177,
    2.16829,
)
WAMPLER5 = (
    7590001, -20479994, 20480063, -20479636, 25231365, -20476094, 20489331, -20460392, 18417449, -20413570, 20591111,
    -20302844, 18651453, -20077766, 21059195, -19666384, 26348481, -18971402, 22480719, -17866340, 10958421,
)
FILIP_Y = """
    0.8116 0.9072 0.9052 0.9039 0.8053 0.8377 0.8667 0.8809 0.7975 0.8162 0.8515 0.8766 0.8885 0.8859 0.8959 0.8913
    0.8959 0.8971 0.9021 0.909 0.9139 0.9199 0.8692 0.8872 0.89 0.891 0.8977 0.9035 0.9078 0.7675 0.7705 0.7713
    0.7736 0.7775 0.7841 0.7971 0.8329 0.8641 0.8804 0.7668 0.7633 0.7678 0.7697 0.77 0.7749 0.7796 0.7897 0.8131
    0.8498 0.8741 0.8061 0.846 0.8751 0.8856 0.8919 0.8934 0.894 0.8957 0.9047 0.9129 0.9209 0.9219 0.7739 0.7681
    0.7665 0.7703 0.7702 0.7761 0.7809 0.7961 0.8253 0.8602 0.8809 0.8301 0.8664 0.8834 0.8898 0.8964 0.8963 0.9074
    0.9119 0.9228
"""
FILIP_X = """
    -6.860120914 -4.324130045 -4.358625055 -4.358426747 -6.955852379 -6.661145254 -6.355462942 -6.118102026
    -7.115148017 -6.815308569 -6.519993057 -6.204119983 -5.853871964 -6.109523091 -5.79832982 -5.482672118
    -5.171791386 -4.851705903 -4.517126416 -4.143573228 -3.709075441 -3.499489089 -6.300769497 -5.953504836
    -5.642065153 -5.031376979 -4.680685696 -4.329846955 -3.928486195 -8.56735134 -8.363211311 -8.107682739
    -7.823908741 -7.522878745 -7.218819279 -6.920818754 -6.628932138 -6.323946875 -5.991399828 -8.781464495
    -8.663140179 -8.473531488 -8.247337057 -7.971428747 -7.676129393 -7.352812702 -7.072065318 -6.774174009
    -6.478861916 -6.159517513 -6.835647144 -6.53165267 -6.224098421 -5.910094889 -5.598599459 -5.290645224
    -4.974284616 -4.64454848 -4.290560426 -3.885055584 -3.408378962 -3.13200249 -8.726767166 -8.66695597
    -8.511026475 -8.165388579 -7.886056648 -7.588043762 -7.283412422 -6.995678626 -6.691862621 -6.392544977
    -6.067374056 -6.684029655 -6.378719832 -6.065855188 -5.752272167 -5.132414673 -4.811352704 -4.098269308
    -3.66174277 -3.2644011
"""
# fmt: on


def powers(x: Array, highest: int, lowest: int = 0) -> Array:
    """Return the columns of a polynomial."""
    return np.stack([x**power for power in range(lowest, highest + 1)], axis=1)


def columns(pairs: tuple[tuple[float, float], ...]) -> tuple[Array, Array]:
    """Return x and y of pairs that name y first."""
    y, x = np.array(pairs).T
    return x, y


NORRIS_X, NORRIS_Y = columns(NORRIS)
PONTIUS_X = np.tile(np.arange(150e3, 3.1e6, 150e3), 2)
WAMPLER_X = np.arange(21.0)

# design, values, coefficients, their standard deviations, residual standard deviation, relative tolerance
CERTIFIED = {
    "Norris": (
        powers(NORRIS_X, 1),
        NORRIS_Y,
        (-0.262323073774029, 1.00211681802045),
        (0.232818234301152, 0.429796848199937e-3),
        0.884796396144373,
        1e-11,
    ),
    "Pontius": (
        powers(PONTIUS_X, 2),
        np.array(PONTIUS),
        (0.673565789473684e-3, 0.732059160401003e-6, -0.316081871345029e-14),
        (0.107938612033077e-3, 0.157817399981659e-9, 0.486652849992036e-16),
        0.205177424076185e-3,
        1e-11,
    ),
    "NoInt1": (
        powers(np.arange(60.0, 71), 1, 1),
        np.arange(130.0, 141),
        (2.07438016528926,),
        (0.165289256198347e-1,),
        3.56753034006338,
        1e-11,
    ),
    "NoInt2": (
        powers(np.array([4.0, 5, 6]), 1, 1),
        np.array([3.0, 4, 4]),
        (0.727272727272727,),
        (0.420827318078432e-1,),
        0.369274472937998,
        1e-11,
    ),
    "Wampler5": (
        powers(WAMPLER_X, 5),
        np.array(WAMPLER5, dtype=float),
        (1.0,) * 6,
        (21523262.4678170, 23635517.3469681, 7793435.24331583, 1014755.07550350, 56456.6512170752, 1123.24854679312),
        23601450.2379268,
        1e-11,
    ),
    "Filip": (
        powers(np.array(FILIP_X.split(), dtype=float), 10),
        np.array(FILIP_Y.split(), dtype=float),
        (
            -1467.48961422980,
            -2772.17959193342,
            -2316.37108160893,
            -1127.97394098372,
            -354.478233703349,
            -75.1242017393757,
            -10.8753180355343,
            -1.06221498588947,
            -0.670191154593408e-1,
            -0.246781078275479e-2,
            -0.402962525080404e-4,
        ),
        (
            298.084530995537,
            559.779865474950,
            466.477572127796,
            227.204274477751,
            71.6478660875927,
            15.2897178747400,
            2.23691159816033,
            0.221624321934227,
            0.142363763154724e-1,
            0.535617408889821e-3,
            0.896632837373868e-5,
        ),
        0.334801051324544e-2,
        1e-6,
    ),
}


@pytest.mark.parametrize("name", CERTIFIED)
def test_certified_coefficients_and_their_deviations_are_met(name: str) -> None:
    design, values, coefficients, deviations, residual, tolerance = CERTIFIED[name]

    fit = fit_plain(design, values)

    np.testing.assert_allclose(fit.coefficients, coefficients, rtol=tolerance)
    np.testing.assert_allclose(fit.standard_uncertainties, deviations, rtol=tolerance)
    assert fit.scatter == pytest.approx(residual, rel=tolerance)


@pytest.mark.parametrize(
    ("coefficients", "tolerance"), [((1.0,) * 6, 1e-11), ((1.0, 0.1, 0.01, 1e-3, 1e-4, 1e-5), 1e-11)]
)
def test_a_polynomial_without_noise_comes_back(coefficients: tuple[float, ...], tolerance: float) -> None:
    """Wampler1 and Wampler2 of the same collection, of which the certified deviations are zero."""
    design = powers(WAMPLER_X, 5)

    fit = fit_plain(design, design @ np.array(coefficients))

    np.testing.assert_allclose(fit.coefficients, coefficients, rtol=tolerance)


def test_equal_doubts_give_the_plain_line() -> None:
    """With doubts far above the residuals the line is the plain one, and its doubt is that of the doubts."""
    design, values = powers(NORRIS_X, 1), NORRIS_Y

    plain, weighted = fit_plain(design, values), fit_weighted(design, values, np.full(values.size, 10.0))

    np.testing.assert_allclose(weighted.coefficients, plain.coefficients, rtol=1e-9)
    np.testing.assert_allclose(weighted.covariance, plain.covariance * (10.0 / plain.scatter) ** 2, rtol=1e-9)
    assert weighted.scatter == 0


def test_scatter_that_nobody_stated_is_found() -> None:
    """Doubts of nearly nothing: the scatter is the residual standard deviation, and the doubt of the line is plain."""
    design, values = powers(NORRIS_X, 1), NORRIS_Y

    plain, weighted = fit_plain(design, values), fit_weighted(design, values, np.full(values.size, 1e-4))

    assert weighted.scatter == pytest.approx(plain.scatter, rel=1e-4)
    np.testing.assert_allclose(weighted.covariance, plain.covariance, rtol=1e-3)


def test_a_mean_is_weighted_by_the_doubts() -> None:
    """By hand: 10 ± 1 and 11 ± 2 agree; their mean is 10.2 ± 0.894."""
    fit = fit_weighted(np.ones((2, 1)), np.array([10.0, 11.0]), np.array([1.0, 2.0]))

    assert fit.coefficients[0] == pytest.approx(10.2)
    assert fit.standard_uncertainties[0] == pytest.approx(math.sqrt(1 / (1 + 1 / 4)))
    assert fit.chi_squared == pytest.approx(1 / 5)
    assert fit.scatter == 0


def test_values_that_disagree_are_given_the_scatter_that_explains_them() -> None:
    """By hand: 10 ± 1 and 13 ± 2 need s² = 2, for 3² = 1 + 4 + 2 s²; the mean is then (10/3 + 13/6) / (1/2) = 11."""
    fit = fit_weighted(np.ones((2, 1)), np.array([10.0, 13.0]), np.array([1.0, 2.0]))

    assert fit.scatter == pytest.approx(math.sqrt(2), rel=1e-5)
    assert fit.coefficients[0] == pytest.approx(11, rel=1e-5)


@given(st.integers(0, 10_000), st.floats(-1e3, 1e3), st.floats(0.01, 100))
def test_another_unit_and_zero_do_not_change_the_line(seed: int, offset: float, factor: float) -> None:
    random = np.random.default_rng(seed)
    x, doubts = random.uniform(0, 10, 8), random.uniform(0.5, 2, 8)
    values = 3 + 0.2 * x + random.normal(0, 1.5, 8)

    one = fit_weighted(powers(x, 1), values, doubts)
    other = fit_weighted(powers(x, 1), offset + factor * values, factor * doubts)

    assert other.coefficients[1] == pytest.approx(factor * one.coefficients[1], rel=1e-3, abs=1e-6 * factor)
    assert other.scatter == pytest.approx(factor * one.scatter, rel=1e-3, abs=1e-4 * factor)


@given(st.integers(0, 10_000), st.floats(0.1, 5.0), st.floats(1.0, 10.0))
def test_more_doubt_never_makes_a_surer_line(seed: int, doubt: float, factor: float) -> None:
    random = np.random.default_rng(seed)
    x, values = random.uniform(0, 10, 7), random.normal(0, 1.5, 7)

    sure = fit_weighted(powers(x, 1), values, np.full(7, doubt)).standard_uncertainties[1]
    unsure = fit_weighted(powers(x, 1), values, np.full(7, factor * doubt)).standard_uncertainties[1]

    assert unsure >= sure * (1 - 1e-5)


@pytest.mark.parametrize(
    ("design", "values"),
    [(np.ones((1, 1)), np.ones(1)), (np.ones((4, 2)), np.arange(4.0)), (np.zeros((4, 1)), np.ones(4))],
)
def test_points_that_cannot_tell_are_refused(design: Array, values: Array) -> None:
    with pytest.raises(NothingToMeasure):
        fit_plain(design, values)


@pytest.mark.parametrize("doubt", [0.0, -1.0, math.nan, math.inf])
def test_a_doubt_must_be_a_number_above_zero(doubt: float) -> None:
    with pytest.raises(UnusableInput):
        fit_weighted(np.ones((3, 1)), np.arange(3.0), np.array([1.0, doubt, 1.0]))
