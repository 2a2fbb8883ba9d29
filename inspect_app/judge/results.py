"""Find the results that each demand of a contract speaks of, and decide them: worst, each or mean."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from inspect_app.judge.allowance import decide_spots
from inspect_app.judge.decision import decide
from inspect_app.model import (
    Condition,
    ConditionValue,
    Finding,
    Judgement,
    Limit,
    Measured,
    Over,
    Result,
    SpotAllowance,
)
from inspect_app.quantity import UNITS, Quantity

# A missing result is named before a doubtful one: it is the one that the bench can do something about.
_WORST_FIRST: Final = (
    Finding.NONCONFORMING,
    Finding.CONDITIONAL_FAIL,
    Finding.NOT_MEASURED,
    Finding.INCONCLUSIVE,
    Finding.CONDITIONAL_PASS,
    Finding.CONFORMING,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class StepResults:
    """What one step of a form gave.

    Parameters
    ----------
    step_id, title : str
        Of the form; without a title the step is told by its id.
    check : str
        Name of the check.
    condition : mapping
        Nominal condition of the step.
    measured : Measured or None
        What the check found; None when there is no usable result.
    problem : str or None
        Why there is no usable result, such as an illuminance out of its window; a step with a problem is not judged,
        whatever it measured.
    """

    step_id: str
    check: str
    condition: Condition = field(default_factory=dict)
    measured: Measured | None = None
    problem: str | None = None
    title: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    result: Result
    condition: Condition
    step_id: str

    @property
    def quantity(self) -> Quantity:
        return self.result.quantity


def judge_results(
    limits: Sequence[Limit], spot_allowances: Sequence[SpotAllowance], results: Sequence[StepResults]
) -> tuple[Judgement, ...]:
    """Decide every demand of a contract on the results of a form's steps.

    Parameters
    ----------
    limits, spot_allowances
        The demands on the device's class.
    results : sequence of StepResults
        Of all steps of the form, those without an answer too.

    Returns
    -------
    tuple of Judgement
        In the order of the contract; one per demand, or one per result for a limit over each.

    Notes
    -----
    A demand speaks of every step of its check whose nominal condition does not contradict it. Each of these steps must
    give a result that carries the demand's condition (the step's nominal one and the result's own taken together, the
    latter first); a step that does not is *not measured* and is never passed over. A mean over conditions is taken with
    fully correlated uncertainties, u = sum(u_i) / n, the largest that any correlation allows (GUM 5.2.2, note 1,
    from memory), and with the fewest degrees of freedom among its terms.

    Examples
    --------
    >>> limit = Limit(clause="4", title="Lag", check="latency", quantity_name="latency_half", unit="ms", at_most=50)
    >>> [judgement.reason for judgement in judge_results([limit], [], [StepResults(step_id="a", check="latency")])]
    ['Step a has no result yet.']
    """
    judgements: list[Judgement] = []
    for limit in limits:
        judgements += _judge_limit(limit, results)
    judgements += [_judge_spots(allowance, results) for allowance in spot_allowances]
    return tuple(judgements)


def _judge_limit(limit: Limit, results: Sequence[StepResults]) -> list[Judgement]:
    steps = [step for step in results if can_answer(limit, step.check, step.condition)]
    found = [_results_of(limit, step) for step in steps]
    missing = [_not_measured(limit, step) for step, given in zip(steps, found, strict=True) if not given]
    if not steps:
        missing = [Judgement(limit=limit, finding=Finding.NOT_MEASURED, reason="No step of the form measures it.")]
    every = [one for given in found for one in given]
    if limit.over is Over.MEAN:
        return missing[:1] or [_decide_mean(limit, every)]
    decided = [decide(one.quantity, limit, one.condition, one.step_id) for one in every] + missing
    return decided if limit.over is Over.EACH else [worst(decided)]


def results_behind(judgement: Judgement, results: Sequence[StepResults]) -> tuple[Result, ...]:
    """Return the results that a judgement was decided on: one, or all that a mean was taken of; none where none was.

    Parameters
    ----------
    judgement : Judgement
        On a limit; a spot table is decided on the spots themselves.
    results : sequence of StepResults
        Those that it was judged from.
    """
    limit = judgement.limit
    if not isinstance(limit, Limit) or judgement.quantity is None:
        return ()
    every = [
        one for step in results if can_answer(limit, step.check, step.condition) for one in _results_of(limit, step)
    ]
    if limit.over is Over.MEAN:
        return tuple(one.result for one in every)
    meant = [one for one in every if one.step_id == judgement.step_id and one.condition == judgement.condition]
    return tuple(one.result for one in meant[:1])


def _judge_spots(allowance: SpotAllowance, results: Sequence[StepResults]) -> Judgement:
    decided = [
        decide_spots(allowance, step.measured, step.condition, step.step_id)
        if step.measured is not None and step.problem is None and _carries(step.condition, allowance.condition)
        else _not_measured(allowance, step)
        for step in results
        if can_answer(allowance, step.check, step.condition)
    ]
    if not decided:
        return Judgement(limit=allowance, finding=Finding.NOT_MEASURED, reason="No step of the form measures it.")
    return worst(decided)


def worst(judgements: Sequence[Judgement]) -> Judgement:
    """Return the judgement that decides: the worst finding, and of these the one with the smallest margin."""
    return min(
        judgements,
        key=lambda one: (_WORST_FIRST.index(one.finding), math.inf if one.margin is None else one.margin),
    )


def can_answer(demand: Limit | SpotAllowance, check: str, condition: Condition) -> bool:
    """Say whether a step of this check under this nominal condition is one that the demand speaks of."""
    return check == demand.check and all(
        name not in condition or is_same(condition[name], value) for name, value in demand.condition.items()
    )


def _results_of(limit: Limit, step: StepResults) -> list[_Found]:
    if step.measured is None or step.problem is not None:
        return []
    return [
        _Found(result=result, condition=condition, step_id=step.step_id)
        for result in step.measured.results
        if result.quantity_name == limit.quantity_name and _carries(condition := _merged(step, result), limit.condition)
    ]


def _merged(step: StepResults, result: Result) -> Condition:
    return {**step.condition, **result.condition}


def _carries(condition: Condition, demanded: Condition) -> bool:
    return all(name in condition and is_same(condition[name], value) for name, value in demanded.items())


def is_same(value: ConditionValue, other: ConditionValue) -> bool:
    """Say whether two condition values are equal; numbers are, when they agree to nine digits."""
    if isinstance(value, int | float) and isinstance(other, int | float):
        return math.isclose(value, other, rel_tol=1e-9)
    return value == other


def _not_measured(demand: Limit | SpotAllowance, step: StepResults) -> Judgement:
    return Judgement(
        limit=demand,
        finding=Finding.NOT_MEASURED,
        reason=_why_not(demand, step),
        condition=dict(step.condition),
        step_id=step.step_id,
    )


def _why_not(demand: Limit | SpotAllowance, step: StepResults) -> str:
    name = step.title or f"Step {step.step_id}"
    if step.problem is not None:
        return f"{name}: {step.problem.rstrip('.')}."
    if step.measured is None:
        return f"{name} has no result yet."
    wanted = demand.quantity_name.replace("_", " ") if isinstance(demand, Limit) else "spots"
    under = ", ".join(_in_words(name, value) for name, value in demand.condition.items())
    return f"{name} gave no {wanted}{f' for {under}' if under else ''}."


def _in_words(name: str, value: ConditionValue) -> str:
    stem, _, unit = name.rpartition("_")
    words = f"{stem} {value} {unit}" if stem and unit in UNITS else f"{name} {value}"
    return words.replace("_", " ")


def _decide_mean(limit: Limit, found: Sequence[_Found]) -> Judgement:
    quantities = [one.quantity.to(limit.unit) for one in found]
    freedoms = [quantity.degrees_of_freedom for quantity in quantities if quantity.degrees_of_freedom is not None]
    mean = Quantity(
        value=math.fsum(quantity.value for quantity in quantities) / len(quantities),
        unit=limit.unit,
        standard_uncertainty=math.fsum(quantity.standard_uncertainty for quantity in quantities) / len(quantities),
        degrees_of_freedom=min(freedoms, default=None),
    )
    first, *others = (one.condition for one in found)
    shared = {name: value for name, value in first.items() if all(other.get(name) == value for other in others)}
    steps = {one.step_id for one in found}
    return decide(mean, limit, shared, steps.pop() if len(steps) == 1 else None)
