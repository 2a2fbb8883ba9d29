"""Decide one result against one limit, with the doubt that its uncertainty leaves."""

from typing import Final

from inspect_app.judge.acceptance import ROUNDING, Acceptance, acceptance, excess_over, probability_of_conformity
from inspect_app.judge.rules import RULES
from inspect_app.judge.verdict import meaning
from inspect_app.model import Condition, DecisionRule, Finding, Judgement, Limit, Outcome
from inspect_app.quantity import (
    Quantity,
    format_limit,
    format_number,
    format_quantity,
    plain_coverage_factor,
    with_unit,
)

_NEARLY_SURE: Final = 0.9999


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
        With the result in the limit's unit, acceptance limits, guard band, margin, probability of conformity and
        specific risk.

    Raises
    ------
    UnusableInput
        The result and the limit measure different things.

    Notes
    -----
    Each rule of `inspect_app.judge.rules` takes a guard band w and says one of its four findings, with T the limit and
    x the result, taken as upper limit and mirrored for a lower one, where x <= T - w, up to T, up to T + w, and beyond.
    The rule of probability accepts where p_c >= p_min. Boundaries accept.
    Where two limits leave no acceptance zone at all, the contract is at fault and not the device: what does not lie
    beyond a limit by more than w is inconclusive, under every rule that needs the zone.

    References
    ----------
    JCGM 106:2012, clauses 7 to 9; ILAC-G8:09/2019, 4.2; ISO 14253-1:2017 (clauses from memory).

    Examples
    --------
    >>> limit = Limit(clause="1", title="Latency", check="latency", quantity_name="latency_half", unit="ms", at_most=50,
    ...               decision_rule=DecisionRule.GUARDED)
    >>> decided = decide(Quantity(value=0.049, unit="s", standard_uncertainty=0.002), limit)
    >>> decided.finding.value, decided.acceptance_at_most, round(decided.probability_of_conformity, 4)
    ('inconclusive', 46.0, 0.6915)
    """
    result = quantity.to(limit.unit)
    zone = acceptance(result, limit)
    probability = probability_of_conformity(result, limit)
    margin = zone.margin(result.value)
    finding = _finding(result, limit, zone, margin)
    rejects = meaning(finding, limit, has_room=zone.has_room) is Outcome.REJECTED
    return Judgement(
        limit=limit,
        finding=finding,
        reason=_reason(result, limit, finding, zone, probability),
        quantity=result,
        condition=dict(condition or {}),
        acceptance_at_least=zone.at_least,
        acceptance_at_most=zone.at_most,
        guard_band=zone.guard_band,
        coverage_factor=_stored_factor(result, zone),
        margin=margin,
        probability_of_conformity=probability,
        specific_risk=probability if rejects else 1 - probability,
        step_id=step_id,
    )


def _stored_factor(result: Quantity, zone: Acceptance) -> float | None:
    if result.standard_uncertainty == 0:
        return None
    return zone.factor or plain_coverage_factor(result.degrees_of_freedom)


def _finding(result: Quantity, limit: Limit, zone: Acceptance, margin: float) -> Finding:
    at_first, within, beyond, far_beyond = RULES[limit.decision_rule].zones
    excess = excess_over(result.value, limit)
    rounding = ROUNDING * (abs(result.value) + abs(excess) + abs(zone.guard_band))
    if not zone.has_room:
        return far_beyond if excess > zone.guard_band + rounding else Finding.INCONCLUSIVE
    if limit.decision_rule is DecisionRule.PROBABILITY:
        return at_first if margin >= -rounding else far_beyond
    if excess <= -zone.guard_band + rounding:
        return at_first
    if excess > zone.guard_band + rounding:
        return far_beyond
    return within if excess <= rounding else beyond


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


def _reason(result: Quantity, limit: Limit, finding: Finding, zone: Acceptance, probability: float) -> str:
    seen, demand = format_quantity(result), demand_in_words(limit)
    if finding is Finding.INCONCLUSIVE:
        return f"{seen}: {_doubt(limit, zone, excess_over(result.value, limit))} ({demand})."
    if finding is Finding.CONDITIONAL_PASS:
        return f"{seen} meets {demand}, but by less than its uncertainty."
    if finding is Finding.CONDITIONAL_FAIL:
        return f"{seen} does not meet {demand}, but by less than its uncertainty."
    if limit.p_min is not None and zone.has_room:
        words = f"{_per_cent(probability)}, {_per_cent(limit.p_min)} is asked for"
        return f"{seen} meets {demand} with a probability of {words}."
    if finding is Finding.CONFORMING:
        return f"{seen} meets {demand}{', its uncertainty allowed for' if zone.guard_band > 0 else ''}."
    excess = excess_over(result.value, limit)
    if excess <= 0:
        return f"{seen} lies within {demand}, but not by its uncertainty, as the rule asks."
    is_sure = zone.guard_band > 0 and excess > zone.guard_band
    return f"{seen} does not meet {demand}{', even with its uncertainty allowed for' if is_sure else ''}."


def _per_cent(share: float) -> str:
    if share > _NEARLY_SURE:
        return "more than 99.99 %"
    return "less than 0.01 %" if share < 1 - _NEARLY_SURE else f"{format_limit(float(f'{100 * share:.4g}'), '%')}"


def _doubt(limit: Limit, zone: Acceptance, excess: float) -> str:
    if not zone.has_room:
        return "the uncertainty leaves no room between the limits"
    doubt = "the limit lies within the uncertainty, so neither can be shown"
    if limit.decision_rule is DecisionRule.ISO14253_BUYER:
        return f"{doubt}; nonconformity is for the buyer to prove, who cannot reject on this"
    if limit.decision_rule is DecisionRule.ISO14253_SUPPLIER:
        far = "conformity is not proven, and the limit is missed even with the uncertainty allowed for"
        seen = far if excess > zone.guard_band else doubt
        return f"{seen}; conformity is for the supplier to prove, who cannot deliver on this"
    return doubt
