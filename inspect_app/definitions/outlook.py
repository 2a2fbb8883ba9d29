"""Look ahead at a contract: what uncertainty each demand will meet, what would just pass, and what is wrong with it."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from inspect_app.definitions.values import Contract, Form, Step
from inspect_app.judge import Acceptance, acceptance, can_answer, capability
from inspect_app.measure import CHECKS, Check
from inspect_app.model import Limit, SpotAllowance
from inspect_app.quantity import Quantity, conversion_factor, format_limit

_CAPABLE: Final = 4.0  # the uncertainty takes a quarter of the limit at most; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """What is wrong with a demand, and the way out; an error makes the contract unfit to be adopted."""

    problem: str
    remedy: str
    is_error: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """What a demand on one device class will meet at the bench.

    Parameters
    ----------
    device_class : str
        That the demand is on.
    demand : Limit or SpotAllowance
        The demand.
    expected : Quantity or None
        The standard uncertainty that the form's step is expected to reach, with the limit as value, in the limit's
        unit; None for a count, a spot table, or where the form does not say.
    basis : str
        How that is known.
    capability : float or None
        The index C_m.
    accepted : Acceptance or None
        What readings would pass.
    troubles : tuple of Trouble
        In the order in which to mend them.
    """

    device_class: str
    demand: Limit | SpotAllowance
    expected: Quantity | None = None
    basis: str = ""
    capability: float | None = None
    accepted: Acceptance | None = None
    troubles: tuple[Trouble, ...] = ()


def look_ahead(
    contract: Contract, forms: Mapping[str, Form], checks: Mapping[str, Check] = CHECKS
) -> tuple[Outlook, ...]:
    """Return the outlook of every demand, by device class in the order of the contract.

    Parameters
    ----------
    contract : Contract
        As read.
    forms : mapping of str to Form
        By device class.
    checks : mapping, optional
        What knows which options a quantity needs, and how far it reaches.
    """
    outlooks: list[Outlook] = []
    for device_class in contract.device_classes:
        demands: tuple[Limit | SpotAllowance, ...] = contract.limits[device_class]
        demands += contract.spot_allowances[device_class]
        outlooks += [_outlook(device_class, demand, forms, checks) for demand in demands]
    return tuple(outlooks)


def _outlook(
    device_class: str, demand: Limit | SpotAllowance, forms: Mapping[str, Form], checks: Mapping[str, Check]
) -> Outlook:
    if device_class not in forms:
        known = ", ".join(forms)
        trouble = Trouble(problem=f"no form is for '{device_class}'", remedy=f"Use one of {known}, or add a form.")
        return Outlook(device_class=device_class, demand=demand, troubles=(trouble,))
    steps = [step for step in forms[device_class].steps if can_answer(demand, step.check, step.condition)]
    if not steps:
        return Outlook(device_class=device_class, demand=demand, troubles=(_no_step(device_class, demand),))
    if isinstance(demand, SpotAllowance):
        return Outlook(device_class=device_class, demand=demand, troubles=tuple(_zone_troubles(demand, steps)))
    return _of_limit(device_class, demand, steps, checks.get(demand.check))


def _no_step(device_class: str, demand: Limit | SpotAllowance) -> Trouble:
    under = ", ".join(f"{name} {value}" for name, value in demand.condition.items()) or "any condition"
    return Trouble(
        problem=f"the form for '{device_class}' has no step {demand.check} under {under}",
        remedy="Correct the condition, or add the step to the form.",
    )


def _zone_troubles(allowance: SpotAllowance, steps: Sequence[Step]) -> Iterator[Trouble]:
    wanted = len(allowance.classes[0].allowed)
    for step in steps:
        measured = _zone_count(step)
        if measured is not None and measured < wanted:
            yield Trouble(
                problem=f"the table has {wanted} zones, step {step.id} measures {measured}",
                remedy="Take the zones out of the table, or add their diameters to the form.",
            )


def _zone_count(step: Step) -> int | None:
    """Return how many zones a step fixes; None where it leaves them to the check."""
    zones = step.fixed.get("zones")
    if isinstance(zones, str):
        return len(zones.split(","))
    return len(zones) if isinstance(zones, tuple) else None


def _of_limit(device_class: str, limit: Limit, steps: Sequence[Step], check: Check | None) -> Outlook:
    troubles = [] if check is None else [*_unasked(limit, steps, check), *_out_of_reach(limit, steps, check)]
    unit = limit.unit if check is None else check.quantities[limit.quantity_name]
    expected, basis = _expected(limit, steps, unit)
    if expected is None:
        return Outlook(device_class=device_class, demand=limit, troubles=tuple(troubles))
    zone, index = acceptance(expected, limit), capability(limit, expected.standard_uncertainty)
    return Outlook(
        device_class=device_class,
        demand=limit,
        expected=expected,
        basis=basis,
        capability=index,
        accepted=zone,
        troubles=(*troubles, *_doubtful(limit, expected, basis, zone, index)),
    )


def _unasked(limit: Limit, steps: Sequence[Step], check: Check) -> Iterator[Trouble]:
    options = check.only_with.get(limit.quantity_name, ())
    for step in steps:
        given = {*step.fixed, *(question.name for question in step.questions)}
        if options and not given & set(options):
            missing = " or ".join(options)
            yield Trouble(
                problem=f"step {step.id} yields no {limit.quantity_name}: it neither fixes nor asks {missing}",
                remedy="Ask it in the form, or demand another quantity.",
            )


def _out_of_reach(limit: Limit, steps: Sequence[Step], check: Check) -> Iterator[Trouble]:
    factor = conversion_factor(check.quantities[limit.quantity_name], limit.unit)
    for step in steps:
        highest = check.highest(step.fixed).get(limit.quantity_name)
        if highest is not None and limit.at_least is not None and limit.at_least > highest * factor:
            reach = format_limit(float(f"{highest * factor:.4g}"), limit.unit)
            yield Trouble(
                problem=(
                    f"at least {format_limit(limit.at_least, limit.unit)} is beyond the Nyquist frequency of step"
                    f" {step.id}, {reach}: its pixels cannot show it"
                ),
                remedy="Correct the limit, its unit, or the pixel in the form.",
            )


def _expected(limit: Limit, steps: Sequence[Step], unit: str) -> tuple[Quantity | None, str]:
    """Return the largest uncertainty that any of the steps expects at the limit, in the limit's unit."""
    bound = max((bound for bound in (limit.at_least, limit.at_most) if bound is not None), key=abs)
    factor = conversion_factor(unit, limit.unit)
    doubts = [step.expected[limit.quantity_name] for step in steps if limit.quantity_name in step.expected]
    if not doubts:
        return None, ""
    worst = max(doubts, key=lambda doubt: doubt.at(bound / factor))
    uncertainty = worst.at(bound / factor) * factor
    return Quantity(value=bound, unit=limit.unit, standard_uncertainty=uncertainty), worst.basis


def _doubtful(limit: Limit, expected: Quantity, basis: str, zone: Acceptance, index: float | None) -> Iterator[Trouble]:
    spread = format_limit(float(f"{2 * expected.standard_uncertainty:.2g}"), limit.unit)
    spread += f" ({basis})" if basis else ""
    if not zone.has_room:
        yield Trouble(
            problem=(
                f"with the expected U of {spread} the guard bands leave nothing between the limits: no reading at all"
                " could be accepted"
            ),
            remedy="Widen the limits, measure with less uncertainty, or agree on another decision rule.",
        )
    elif index is not None and index < _CAPABLE:
        share = f"{100 / (2 * index):.0f} %" if index > 0 else "more than all"
        yield Trouble(
            problem=f"the expected U of {spread} is {share} of the limit{_what_would_pass(limit, zone)}",
            remedy="Measure with less uncertainty, or know that good devices will be held or rejected.",
            is_error=False,
        )


def _what_would_pass(limit: Limit, zone: Acceptance) -> str:
    if zone.guard_band == 0:
        return ""
    low, high = (None if bound is None else float(f"{bound:.4g}") for bound in (zone.at_least, zone.at_most))
    if low is not None and high is not None:
        return f": only readings from {format_limit(low, '1')} to {format_limit(high, limit.unit)} are accepted"
    words = f"of at most {format_limit(high, limit.unit)}" if high is not None else ""
    return f": only readings {words or f'of at least {format_limit(low or 0.0, limit.unit)}'} are accepted"
