"""Global risks of a process, against JCGM 106:2012, clause 9 (inputs from memory) and figures computed with scipy."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special

from inspect_app.errors import UnusableInput
from inspect_app.judge.risks import global_risks

RESISTORS = ((1500, 0.12), 0.04, (1499.8, 1500.2))


def of_ratio(tur, in_tolerance, accepted=1.0):
    """Limits ±1, U = 1 / TUR at k = 2, an unbiased process with a share in tolerance."""
    spread = 1 / float(special.ndtri((1 + in_tolerance) / 2))
    return global_risks((0, spread), 0.5 / tur, (-1, 1), (-accepted, accepted))


def test_d04_resistors_with_a_guard_band():
    """JCGM 106:2012, clause 9: about 1 % and 7 % are printed."""
    risks = global_risks(*RESISTORS, (1499.82, 1500.18))

    assert risks.consumers == pytest.approx(0.00988, abs=1e-5)
    assert risks.producers == pytest.approx(0.06903, abs=1e-5)
    assert risks.accepted == pytest.approx(0.84527, abs=1e-5)
    assert 1 - risks.conforming == pytest.approx(0.09558, abs=1e-5)


def test_d05_resistors_by_simple_acceptance():
    risks = global_risks(*RESISTORS, (1499.8, 1500.2))

    assert (risks.consumers, risks.producers) == pytest.approx((0.01894, 0.03721), abs=1e-5)


@pytest.mark.parametrize(
    ("tur", "expected"),
    [
        (4, (0.00858, 0.01554, 0.94305)),
        (2, (0.01337, 0.04178, 0.92160)),
        (1.5, (0.01541, 0.06625, 0.89917)),
        (1, (0.01801, 0.12957, 0.83844)),
    ],
)
def test_d11_risks_by_test_uncertainty_ratio(tur, expected):
    """95 % in tolerance, accepted between the limits themselves; computed."""
    risks = of_ratio(tur, 0.95)

    assert (risks.consumers, risks.producers, risks.accepted) == pytest.approx(expected, abs=2e-5)


def worst_consumers_risk(tur, accepted=1.0):
    return max(of_ratio(tur, share / 100, accepted).consumers for share in range(40, 100, 5))


def test_d11m_a_ratio_of_four_alone_does_not_keep_the_risk_below_two_per_cent():
    """Computed: 2.24 %, where 65 % of the process is in tolerance."""
    assert worst_consumers_risk(4) == pytest.approx(0.0224, abs=5e-5)
    assert of_ratio(4, 0.65).consumers == pytest.approx(0.0224, abs=5e-5)


@pytest.mark.parametrize(("tur", "multiplier", "worst"), [(2, 0.2816, 0.0192), (3, 0.1553, 0.0194)])
def test_d12_the_managed_guard_band_keeps_the_risk_below_two_per_cent(tur, multiplier, worst):
    """A = T - U M, M = 1.04 - exp(0.38 ln TUR - 0.54), a published formula recalled; worst risk computed."""
    assert 1.04 - math.exp(0.38 * math.log(tur) - 0.54) == pytest.approx(multiplier, abs=1e-4)
    assert worst_consumers_risk(tur, 1 - multiplier / tur) == pytest.approx(worst, abs=2e-4)


@pytest.mark.parametrize(("tur", "accepted", "risks"), [(2, 0.866, (0.0068, 0.08425)), (4, 0.9682, (0.00627, 0.02157))])
def test_d13_a_guard_band_by_the_root_difference_of_squares(tur, accepted, risks):
    """A = sqrt(T² - U²), 95 % in tolerance; computed."""
    assert math.sqrt(1 - (1 / tur) ** 2) == pytest.approx(accepted, abs=1e-4)

    found = of_ratio(tur, 0.95, math.sqrt(1 - (1 / tur) ** 2))

    assert (found.consumers, found.producers) == pytest.approx(risks, abs=2e-5)


@settings(max_examples=30)
@given(st.floats(-3, 3), st.floats(0.05, 3), st.floats(0.02, 2), st.floats(0, 2))
def test_what_is_accepted_is_what_the_marginal_distribution_says(mean, spread, measuring_u, inwards):
    """Algebra: a measured value spreads by sqrt(sd² + u²); accepted = conforming - R_P + R_C must give the same."""
    limit = 2 - inwards / 2
    risks = global_risks((mean, spread), measuring_u, (None, 2), (None, limit))

    assert risks.accepted == pytest.approx(
        float(special.ndtr((limit - mean) / math.hypot(spread, measuring_u))), abs=1e-7
    )
    assert 0 <= risks.consumers <= 1
    assert 0 <= risks.producers <= 1


def test_a_process_without_spread_is_refused():
    with pytest.raises(UnusableInput, match="not above 0"):
        global_risks((0, 0), 1, (None, 1), (None, 1))
