"""The outlook of a contract in printed words, for the command and the page alike."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from inspect_app.definitions import Contract, Form, Outlook, look_ahead
from inspect_app.definitions.elements import ELEMENTS, element_lp_mm
from inspect_app.documents import wording
from inspect_app.documents.rule_words import rule_text
from inspect_app.judge import Acceptance
from inspect_app.model import DecisionRule, Limit
from inspect_app.quantity import decimals_for, format_number, with_unit

_ON_A_TARGET = ("resolution", "lp/mm")
_SAME = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlookLine:
    """One demand on one device class: what uncertainty to expect, what would just pass, and what is wrong."""

    device_class: str
    clause: str
    title: str
    under: str
    demand: str
    rule: str
    expected: str
    basis: str
    capability: str
    passes: str
    errors: tuple[str, ...]
    warnings: tuple[str, ...]


def outlook_lines(contract: Contract, forms: Mapping[str, Form]) -> tuple[OutlookLine, ...]:
    """Return the outlook of every demand, printed, in the order of the contract."""
    return tuple(outlook_line(outlook) for outlook in look_ahead(contract, forms))


def outlook_line(outlook: Outlook) -> OutlookLine:
    """Return the outlook of one demand, printed."""
    demand, expected = outlook.demand, outlook.expected
    troubles = [(one.is_error, f"{one.problem}. {one.remedy}") for one in outlook.troubles]
    return OutlookLine(
        device_class=outlook.device_class,
        clause=demand.clause,
        title=demand.title,
        under=wording.condition_text(demand.condition, demand.title),
        demand=wording.demand_text(demand) if isinstance(demand, Limit) else "spot table",
        rule=rule_text(demand),
        expected="" if expected is None else _rounded(expected.standard_uncertainty, expected.unit),
        basis=outlook.basis,
        capability="" if outlook.capability is None else format_number(outlook.capability, 1),
        passes="" if not isinstance(demand, Limit) else _passes(demand, outlook.accepted),
        errors=tuple(words for is_error, words in troubles if is_error),
        warnings=tuple(words for is_error, words in troubles if not is_error),
    )


def _rounded(uncertainty: float, unit: str) -> str:
    return with_unit(format_number(uncertainty, decimals_for(uncertainty, uncertainty)), unit)


def _passes(limit: Limit, accepted: Acceptance | None) -> str:
    """Return the reading that would just pass; on a bar target the element, which is what is read there."""
    if accepted is None:
        return wording.demand_text(limit) if limit.decision_rule is DecisionRule.SIMPLE else ""
    if not accepted.has_room:
        return "none"
    low, high = accepted.at_least, accepted.at_most
    if (limit.quantity_name, limit.unit) == _ON_A_TARGET and low is not None and high is None:
        return f"at least element {_element_from(low)}"
    decimals = decimals_for(accepted.guard_band, high if high is not None else low or 0.0)
    printed = [None if bound is None else format_number(bound, decimals) for bound in (low, high)]
    if None not in printed:
        return with_unit(f"{printed[0]} to {printed[1]}", limit.unit)
    return with_unit(f"≤ {printed[1]}" if printed[0] is None else f"≥ {printed[0]}", limit.unit)


def _element_from(lp_mm: float) -> str:
    """Return the coarsest element that resolves so much, by name and value."""
    steps = math.ceil(len(ELEMENTS) * math.log2(lp_mm) - _SAME)
    group, place = divmod(steps, len(ELEMENTS))
    return f"{group},{place + 1} ({with_unit(format_number(element_lp_mm(group, place + 1), 2), 'lp/mm')})"
