"""Read a contract: limits and spot tables, proved against the checks, and against the forms that will answer them."""

import enum
import itertools
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Final, TypeVar

from inspect_app.definitions.elements import prove_not_nominal, read_element
from inspect_app.definitions.lot_plans import read_lot_plans
from inspect_app.definitions.proofs import known_check, read_condition
from inspect_app.definitions.repeats import read_repeats
from inspect_app.definitions.toml_source import BYTE_ORDER_MARK, Table, digest_of, parse, read_text
from inspect_app.definitions.values import Contract
from inspect_app.errors import InspectError
from inspect_app.measure import CHECKS, Check
from inspect_app.model import Condition, DecisionRule, Limit, Outcome, Over, Severity, SpotAllowance, SpotClass
from inspect_app.quantity import canonical_unit, conversion_factor

_SPATIAL_FREQUENCY: Final = ("lp/mm", "cy/mm")
_READ_ON_A_TARGET: Final = "resolution"  # as against a spatial frequency that is computed, such as mtf50_lp_mm
_MILDEST_FIRST: Final = (Outcome.ACCEPTED, Outcome.HELD, Outcome.REJECTED)
_RULES_OF_SPOTS: Final = (DecisionRule.SIMPLE, DecisionRule.GUARDED)  # a count has no guard band of its own

Word = TypeVar("Word", bound=enum.StrEnum)


def read_contract(path: Path, *, checks: Mapping[str, Check] = CHECKS) -> Contract:
    """Return the contract in a file."""
    return read_contract_text(read_text(path), path.name, checks=checks)


def read_contract_text(text: str, name: str, *, checks: Mapping[str, Check] = CHECKS) -> Contract:
    """Return the contract in a TOML text.

    Parameters
    ----------
    text : str
        The grammar is explained at the top of each contract.
    name : str
        What to call it in errors.
    checks : mapping, optional
        What the contract is proved against.

    Raises
    ------
    UnusableInput
        Names the file, the limit and the field of the first mistake, and the way out.
    """
    text = text.removeprefix(BYTE_ORDER_MARK)
    digest = digest_of(text, name)
    top = parse(text, name)
    limits = _by_class(_limits(top, checks))
    spots = _by_class(_spot_allowances(top, checks))
    if not limits and not spots:
        raise top.error("limit", "the contract demands nothing", "Write each limit as [[limit]].")
    classes = list(dict.fromkeys([*limits, *spots]))
    contract = Contract(
        number=top.text("number"),
        revision=top.text("revision"),
        title=top.text("title"),
        buyer=top.text("buyer"),
        supplier=top.text("supplier"),
        note=top.text("note", ""),
        limits={device_class: limits.get(device_class, ()) for device_class in classes},
        spot_allowances={device_class: spots.get(device_class, ()) for device_class in classes},
        source=text,
        digest=digest,
        lot_plans=read_lot_plans(top, classes),
        repeat_after_months=read_repeats(top, classes),
    )
    top.finish()
    return contract


Demand = TypeVar("Demand", Limit, SpotAllowance)


def _by_class(found: Iterable[tuple[str, Demand]]) -> dict[str, tuple[Demand, ...]]:
    by_class: dict[str, list[Demand]] = {}
    for device_class, demand in found:
        by_class.setdefault(device_class, []).append(demand)
    return {device_class: tuple(demands) for device_class, demands in by_class.items()}


def _limits(top: Table, checks: Mapping[str, Check]) -> Iterator[tuple[str, Limit]]:
    seen: set[tuple[object, ...]] = set()
    for table in top.tables("limit"):
        limit = _read_limit(table, checks)
        sides = [side for side in ("at_least", "at_most") if getattr(limit, side) is not None]
        for device_class, side in itertools.product(_classes(table), sides):
            key = (device_class, side, limit.check, limit.quantity_name, limit.severity, *_sorted(limit.condition))
            if key in seen:
                problem = f"{limit.quantity_name} has such a limit for '{device_class}' already"
                raise table.error(side, problem, "Keep one of them.")
            seen.add(key)
        for device_class in _classes(table):
            yield device_class, limit
        table.finish()


def _sorted(condition: Condition) -> list[tuple[str, object]]:
    return sorted(condition.items(), key=lambda item: item[0])


def _classes(table: Table) -> tuple[str, ...]:
    classes = table.text_or_texts("device_class")
    if len(set(classes)) < len(classes):
        raise table.error("device_class", "names a class twice", "Name each once.")
    return classes


def _word(table: Table, name: str, words: type[Word], default: Word | None = None) -> Word:
    return words(table.word(name, [word.value for word in words], default))


def _read_limit(table: Table, checks: Mapping[str, Check]) -> Limit:
    check = known_check(table, checks)
    quantity = table.word("quantity", list(check.quantities))
    unit = _read_unit(table, check.quantities[quantity])
    at_least, at_most, element = _read_bounds(table, quantity, unit)
    decision_rule = _word(table, "decision_rule", DecisionRule)
    conditional_pass, conditional_fail = _read_conditional(table, decision_rule)
    return Limit(
        clause=table.text("clause"),
        title=table.text("title"),
        check=check.name,
        quantity_name=quantity,
        unit=unit,
        at_least=at_least,
        at_most=at_most,
        condition=read_condition(table),
        decision_rule=decision_rule,
        severity=_word(table, "severity", Severity),
        over=_word(table, "over", Over, Over.WORST),
        element=element,
        p_min=_read_p_min(table, decision_rule),
        conditional_pass=conditional_pass,
        conditional_fail=conditional_fail,
    )


def _read_conditional(table: Table, rule: DecisionRule) -> tuple[Outcome, Outcome]:
    for name in ("conditional_pass", "conditional_fail"):
        if table.has(name) and rule is not DecisionRule.NONBINARY:
            problem = f"the rule {rule} knows no conditional findings"
            raise table.error(name, problem, f'Leave it out, or write decision_rule = "{DecisionRule.NONBINARY}".')
    passes = _word(table, "conditional_pass", Outcome, Outcome.ACCEPTED)
    fails = _word(table, "conditional_fail", Outcome, Outcome.REJECTED)
    if _MILDEST_FIRST.index(fails) < _MILDEST_FIRST.index(passes):
        problem = f"a fail that is {fails} is milder than a pass that is {passes}"
        raise table.error("conditional_fail", problem, "Make it as strict at least.")
    return passes, fails


def _read_p_min(table: Table, rule: DecisionRule) -> float | None:
    if rule is not DecisionRule.PROBABILITY:
        if table.has("p_min"):
            raise table.error("p_min", f"the rule {rule} asks for no probability", "Leave it out, or change the rule.")
        return None
    p_min = table.number("p_min")
    if not 0 < p_min < 1:
        raise table.error("p_min", f"{p_min:g} is not between 0 and 1", "Write 95 % as 0.95.")
    return p_min


def _read_unit(table: Table, measured_unit: str) -> str:
    given = table.text("unit")
    try:
        unit = canonical_unit(given)
        conversion_factor(unit, measured_unit)
    except InspectError as error:
        raise table.error("unit", error.problem, error.remedy) from error
    return unit


def _read_bounds(table: Table, quantity: str, unit: str) -> tuple[float | None, float | None, str]:
    low, low_element = _read_bound(table, "at_least", quantity, unit)
    high, high_element = _read_bound(table, "at_most", quantity, unit)
    element = low_element or high_element
    if low is None and high is None:
        raise table.error("at_least", "the limit has no bound", "Give at_least, at_most or both.")
    if low is not None and high is not None:
        if element:
            raise table.error("at_least", "an element stands on one side only", "Write two limits.")
        if low > high:
            raise table.error("at_least", f"{low:g} is above at_most, {high:g}", "Correct the bounds.")
    return low, high, element


def _read_bound(table: Table, side: str, quantity: str, unit: str) -> tuple[float | None, str]:
    number, element = table.optional_number(side), table.text(f"{side}_element", "")
    if element:
        if number is not None or unit not in _SPATIAL_FREQUENCY:
            problem = "an element stands for a number in lp/mm"
            raise table.error(f"{side}_element", problem, f"Give {side} or {side}_element, with the unit lp/mm.")
        return read_element(table, f"{side}_element", element), element
    if number is not None and quantity == _READ_ON_A_TARGET and unit in _SPATIAL_FREQUENCY:
        prove_not_nominal(table, side, number)
    return number, ""


def _spot_allowances(top: Table, checks: Mapping[str, Check]) -> Iterator[tuple[str, SpotAllowance]]:
    seen: set[tuple[object, ...]] = set()
    for table in top.tables("spots"):
        allowance = _read_spots(table, checks)
        for device_class in _classes(table):
            key = (device_class, allowance.check, allowance.polarity, *_sorted(allowance.condition))
            if key in seen:
                raise table.error("polarity", f"'{device_class}' has such a table already", "Keep one of them.")
            seen.add(key)
            yield device_class, allowance
        table.finish()


def _read_spots(table: Table, checks: Mapping[str, Check]) -> SpotAllowance:
    check = known_check(table, checks)
    polarity = table.word("polarity", ("dark", "bright"))
    if f"{polarity}_spots" not in check.quantities:
        raise table.error("check", f"{check.name} finds no spots", "Name the check that does.")
    contrast = table.number("contrast_at_least")
    if not 0 <= contrast < 1:
        raise table.error("contrast_at_least", f"{contrast:g} is not from 0 to 1", "Write 30 % as 0.3.")
    return SpotAllowance(
        clause=table.text("clause"),
        title=table.text("title"),
        check=check.name,
        classes=_spot_classes(table),
        polarity=polarity,
        contrast_at_least=contrast,
        condition=read_condition(table),
        decision_rule=DecisionRule(table.word("decision_rule", _RULES_OF_SPOTS)),
        severity=_word(table, "severity", Severity),
    )


def _spot_classes(table: Table) -> tuple[SpotClass, ...]:
    classes: list[SpotClass] = []
    rows = table.tables("row")
    if not rows:
        raise table.error("row", "the table has no row", "Write each as [[spots.row]].")
    for row in rows:
        low_mm, high_mm = _row_bounds(row, classes[-1] if classes else None)
        allowed = row.numbers("allowed")
        if any(count < 0 or count != int(count) for count in allowed):
            raise row.error("allowed", "holds what is no count", "Give one whole number per zone, zone 1 first.")
        if classes and len(allowed) != len(classes[0].allowed):
            raise row.error(
                "allowed", f"has {len(allowed)} zones, the row before {len(classes[0].allowed)}", "Give all."
            )
        classes.append(
            SpotClass(larger_than_mm=low_mm, at_most_mm=high_mm, allowed=tuple(int(count) for count in allowed))
        )
        row.finish()
    return tuple(classes)


def _row_bounds(row: Table, before: SpotClass | None) -> tuple[float, float | None]:
    low_mm, *rest = row.numbers("size_mm")
    if len(rest) > 1 or low_mm < 0 or (rest and rest[0] <= low_mm):
        raise row.error("size_mm", "is no range of sizes", "Write [0.075, 0.15], or [0.3] for all that is larger.")
    if before is not None and before.at_most_mm != low_mm:
        raise row.error("size_mm", "does not begin where the row before ends", "Leave no gap between the rows.")
    return low_mm, rest[0] if rest else None
