"""Decide one result against one limit, with the doubt that its uncertainty leaves."""

from typing import Final

from inspect_app.model import Condition, DecisionRule, Finding, Judgement, Limit
from inspect_app.quantity import (
    Quantity,
    expanded_uncertainty,
    format_limit,
    format_number,
    format_quantity,
    probability_below,
    with_unit,
)

# Sums and conversions of float64 are wrong by some 1e-16 of the largest term; a result that is equal to a limit in the
# contract's decimals must not miss it for that. A thousand times the rounding is still far below any uncertainty.
_ROUNDING: Final = 1e-13


def decide(
    quantity: Quantity, limit: Limit, condition: Condition | None = None, step_id: str | None = None
) -> Judgement:
    """Decide one result against one limit by the limit's decision rule.

    Parameters
    ----------
    quantity : Quantity
        The result, in any unit of the limit's dimension.
    limit : Limit
        The demand.
    condition : mapping, optional
        Of the result; kept in the judgement.
    step_id : str, optional
        The step that the result came from; kept in the judgement.

    Returns
    -------
    Judgement
        With the result in the limit's unit, acceptance limits, guard band, margin and probability of conformity.

    Raises
    ------
    UnusableInput
        The result and the limit measure different things.

    Notes
    -----
    The guard band w is 0 for the simple rule (JCGM 106:2012, 8.2.2) and U, about 95 %, for the guarded one. With T the
    limit and x the result, taken as upper limit, and mirrored for a lower one: conforming when x <= T - w,
    nonconforming when x > T + w, inconclusive between. The binary guarded rule (ILAC-G8:09/2019, 4.2.2) would reject
    all that is not conforming; here a device is rejected only when its nonconformity is as sure as its conformity would
    have to be (ISO 14253-1:2017, who rejects must prove it), and held in between. Boundaries accept. Clause numbers
    are from memory.

    References
    ----------
    JCGM 106:2012, clauses 7 and 8; ILAC-G8:09/2019, 4.2.

    Examples
    --------
    >>> limit = Limit(clause="1", title="Latency", check="latency", quantity_name="latency_half", unit="ms", at_most=50,
    ...               decision_rule=DecisionRule.GUARDED)
    >>> decided = decide(Quantity(value=0.049, unit="s", standard_uncertainty=0.002), limit)
    >>> decided.finding.value, decided.acceptance_at_most, round(decided.probability_of_conformity, 4)
    ('inconclusive', 46.0, 0.6915)
    """
    result = quantity.to(limit.unit)
    guard_band = expanded_uncertainty(result) if limit.decision_rule is DecisionRule.GUARDED else 0.0
    excess = _excess(result.value, limit)
    rounding = _ROUNDING * (abs(result.value) + abs(excess) + guard_band)
    finding = _finding(excess, guard_band, rounding)
    return Judgement(
        limit=limit,
        finding=finding,
        reason=_reason(result, limit, finding, guard_band),
        quantity=result,
        condition=dict(condition or {}),
        acceptance_at_least=None if limit.at_least is None else limit.at_least + guard_band,
        acceptance_at_most=None if limit.at_most is None else limit.at_most - guard_band,
        guard_band=guard_band,
        margin=-guard_band - excess,
        probability_of_conformity=probability_of_conformity(result, limit),
        step_id=step_id,
    )


def _excess(value: float, limit: Limit) -> float:
    beyond = []
    if limit.at_least is not None:
        beyond.append(limit.at_least - value)
    if limit.at_most is not None:
        beyond.append(value - limit.at_most)
    return max(beyond)


def _finding(excess: float, guard_band: float, rounding: float) -> Finding:
    if excess <= -guard_band + rounding:
        return Finding.CONFORMING
    return Finding.NONCONFORMING if excess > guard_band + rounding else Finding.INCONCLUSIVE


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
        return 1.0 if _excess(result.value, limit) <= _ROUNDING * abs(result.value) else 0.0
    below = 1.0 if limit.at_most is None else probability_below(limit.at_most, result)
    under = 0.0 if limit.at_least is None else probability_below(limit.at_least, result)
    return min(1.0, max(0.0, below - under))


def demand_in_words(limit: Limit) -> str:
    """Say what a limit demands, as the contract wrote it.

    Examples
    --------
    >>> demand_in_words(Limit(clause="1", title="", check="x", quantity_name="x", unit="ms", at_least=1.5, at_most=20))
    'between 1.5 and 20 ms'
    """
    named = (("at least", limit.at_least), ("at most", limit.at_most))
    bounds = [(words, bound) for words, bound in named if bound is not None]
    if len(bounds) == 2:
        return f"between {format_limit(bounds[0][1], '1')} and {format_limit(bounds[1][1], limit.unit)}"
    words, bound = bounds[0]
    if limit.element:
        return f"{words} element {limit.element} ({with_unit(format_number(bound, 2), limit.unit)})"
    return f"{words} {format_limit(bound, limit.unit)}"


def _reason(result: Quantity, limit: Limit, finding: Finding, guard_band: float) -> str:
    seen, demand = format_quantity(result), demand_in_words(limit)
    if finding is Finding.INCONCLUSIVE:
        return f"{seen}: {_doubt(limit, guard_band)} ({demand})."
    is_guarded = guard_band > 0
    if finding is Finding.CONFORMING:
        return f"{seen} meets {demand}{', its uncertainty allowed for' if is_guarded else ''}."
    return f"{seen} does not meet {demand}{', even with its uncertainty allowed for' if is_guarded else ''}."


def _doubt(limit: Limit, guard_band: float) -> str:
    if limit.at_least is not None and limit.at_most is not None and 2 * guard_band >= limit.at_most - limit.at_least:
        return "the uncertainty leaves no room between the limits"
    return "the limit lies within the uncertainty, so neither can be shown"
