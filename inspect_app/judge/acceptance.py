"""Between what values a result is accepted: the limits moved by the guard band, or those of equal probability."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from inspect_app.judge.rules import RULES
from inspect_app.model import DecisionRule, Limit
from inspect_app.quantity import Quantity, probability_below, share_below

# Sums and conversions of float64 are wrong by some 1e-16 of the largest term; a result that is equal to a limit in the
# contract's decimals must not miss it for that. A thousand times the rounding is still far below any uncertainty.
ROUNDING: Final = 1e-13
_STEPS: Final = 60  # of false position; some ten are taken
_NOTHING: Final = 1e-14  # of a probability: hundred times the rounding of float64


@dataclass(frozen=True, slots=True, kw_only=True)
class Acceptance:
    """The values that are accepted, in the limit's unit.

    `guard_band` is `factor` standard uncertainties. `has_room` is false where two limits leave no zone to accept in;
    they are then given all the same, crossed.
    """

    at_least: float | None
    at_most: float | None
    guard_band: float
    factor: float
    has_room: bool

    def margin(self, value: float) -> float:
        """Return the distance of a value from the nearer acceptance limit, negative beyond it."""
        within = [] if self.at_least is None else [value - self.at_least]
        if self.at_most is not None:
            within.append(self.at_most - value)
        return min(within)


def acceptance(result: Quantity, limit: Limit) -> Acceptance:
    """Return the values that a limit's decision rule accepts, at the uncertainty of a result.

    Parameters
    ----------
    result : Quantity
        In the limit's unit; its value does not matter.
    limit : Limit
        One-sided or two-sided.

    Notes
    -----
    A one-sided limit T accepts up to A = T - w, w = k u; for the rule of probability k is the quantile of p_min, so
    that p_c(A) = p_min. Between two limits that rule accepts where Phi((T_U - y)/u) - Phi((T_L - y)/u) >= p_min, a
    zone symmetric about their middle, whose end is found by false position.

    References
    ----------
    JCGM 106:2012, 7.4 and 8.3 (from memory).

    Examples
    --------
    >>> limit = Limit(clause="1", title="", check="x", quantity_name="x", unit="ms", at_most=50,
    ...               decision_rule=DecisionRule.ISO14253_SUPPLIER)
    >>> acceptance(Quantity(value=0, unit="ms", standard_uncertainty=2), limit).at_most
    46.71
    """
    rule = RULES[limit.decision_rule]
    factor = rule.factor(result, limit)
    guard_band = factor * result.standard_uncertainty
    shift = rule.inwards * guard_band
    if limit.at_least is None or limit.at_most is None:
        return _moved(limit, shift, guard_band, factor, has_room=True)
    if limit.decision_rule is DecisionRule.PROBABILITY and result.standard_uncertainty > 0:
        return _equally_probable(result, limit, _moved(limit, shift, guard_band, factor, has_room=False))
    width = limit.at_most - limit.at_least
    has_room = shift <= 0 or limit.decision_rule is DecisionRule.NONBINARY or 2 * shift < width * (1 - ROUNDING)
    return _moved(limit, shift, guard_band, factor, has_room=has_room)


def _moved(limit: Limit, shift: float, guard_band: float, factor: float, *, has_room: bool) -> Acceptance:
    return Acceptance(
        at_least=None if limit.at_least is None else limit.at_least + shift,
        at_most=None if limit.at_most is None else limit.at_most - shift,
        guard_band=guard_band,
        factor=factor,
        has_room=has_room,
    )


def _equally_probable(result: Quantity, limit: Limit, crossed: Acceptance) -> Acceptance:
    if limit.at_least is None or limit.at_most is None or limit.p_min is None:
        return crossed
    u = result.standard_uncertainty
    width, p_min, freedom = (limit.at_most - limit.at_least) / u, limit.p_min, result.degrees_of_freedom

    def surplus(inset: float) -> float:
        """Return p_c - p_min, so many u inside a limit."""
        return share_below(inset, freedom) - share_below(inset - width, freedom) - p_min

    if surplus(width / 2) < 0:
        return crossed
    # Where the nearer limit alone leaves p_min, the farther one leaves less: the root lies farther in.
    inset = _root(surplus, crossed.factor, width / 2) * u
    return Acceptance(
        at_least=limit.at_least + inset,
        at_most=limit.at_most - inset,
        guard_band=crossed.guard_band,
        factor=crossed.factor,
        has_room=True,
    )


def _root(rising: Callable[[float], float], low: float, high: float) -> float:
    """Return where a rising function crosses zero between two places, by the Illinois variant of false position."""
    f_low, f_high = rising(low), rising(high)
    if f_low > -_NOTHING:
        return low
    for _ in range(_STEPS):
        between = low - (high - low) * f_low / (f_high - f_low)
        f_between = rising(between)
        if abs(f_between) < _NOTHING:
            return between
        if f_between > 0:
            high, f_high, f_low = between, f_between, f_low / 2
        else:
            low, f_low, f_high = between, f_between, f_high / 2
    return high


def capability(limit: Limit, standard_uncertainty: float) -> float | None:
    """Return the measurement capability index of a limit, or None where there is no uncertainty.

    Parameters
    ----------
    limit : Limit
        One-sided or two-sided.
    standard_uncertainty : float
        In the limit's unit, k = 1.

    Notes
    -----
    C_m = T / (4 u) with T the width between two limits (JCGM 106:2012, 7.6.3, from memory). A one-sided limit has no
    width; the size of the limit itself stands for it here (common practice, no source).

    Examples
    --------
    >>> capability(Limit(clause="1", title="", check="x", quantity_name="x", unit="1", at_least=-2, at_most=2), 0.5)
    2.0
    """
    if standard_uncertainty == 0:
        return None
    if limit.at_least is not None and limit.at_most is not None:
        return (limit.at_most - limit.at_least) / (4 * standard_uncertainty)
    bound = limit.at_most if limit.at_least is None else limit.at_least
    return abs(bound or 0.0) / (4 * standard_uncertainty)


def excess_over(value: float, limit: Limit) -> float:
    """Return how far a value lies beyond a limit, in the limit's unit; negative within it."""
    beyond = -math.inf if limit.at_most is None else value - limit.at_most
    return beyond if limit.at_least is None else max(beyond, limit.at_least - value)


def probability_of_conformity(quantity: Quantity, limit: Limit) -> float:
    """Return the probability that the true value meets a limit (JCGM 106:2012, 7.3 and 7.4).

    Parameters
    ----------
    quantity : Quantity
        In any unit of the limit's dimension. A count without uncertainty gives 0 or 1.
    limit : Limit
        One-sided or two-sided.

    Examples
    --------
    The breaking strength of JCGM 106:2012, 7.3 (published: 0.99):

    >>> limit = Limit(clause="1", title="Strength", check="x", quantity_name="x", unit="1", at_least=490)
    >>> round(probability_of_conformity(Quantity(value=509.7, unit="1", standard_uncertainty=8.6), limit), 3)
    0.989
    """
    result = quantity.to(limit.unit)
    if result.standard_uncertainty == 0:
        return 1.0 if excess_over(result.value, limit) <= ROUNDING * abs(result.value) else 0.0
    below = 1.0 if limit.at_most is None else probability_below(limit.at_most, result)
    under = 0.0 if limit.at_least is None else probability_below(limit.at_least, result)
    return min(1.0, max(0.0, below - under))
