"""Read one step of a form: its conditions, fixed options, windows and cautions."""

import re
from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import Final

from inspect_app.definitions.cautions import CAUTIONS
from inspect_app.definitions.expected import read_expected
from inspect_app.definitions.proofs import known_check, read_condition
from inspect_app.definitions.questions import answers_of, read_questions
from inspect_app.definitions.toml_source import Table
from inspect_app.definitions.values import OptionValue, Step, Window
from inspect_app.errors import InspectError
from inspect_app.measure import Check, prove_options
from inspect_app.model import Condition

CONDITION_UNITS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "lx": "lx",
        "c": "°C",
        "m": "m",
        "mm": "mm",
        "v": "V",
        "a": "A",
        "hz": "Hz",
        "s": "s",
        "min": "min",
        "ohm": "ohm",
        "percent": "%",
    }
)
"""End of a condition's name, after the last underscore, to its unit."""


_STEP_ID = re.compile(r"[a-z0-9]+(?:[.-][a-z0-9]+)*")


def read_step(table: Table, repeated: Condition, checks: Mapping[str, Check]) -> Step:
    """Return the step that a table describes.

    Parameters
    ----------
    table : Table
        Without ``for_each``, its placeholders filled.
    repeated : mapping
        The values of ``for_each``: conditions too.
    checks : mapping
        What the step is proved against.
    """
    step_id = table.text("id")
    if not _STEP_ID.fullmatch(step_id):
        raise table.error(
            "id", f"'{step_id}' is no name for a step", "Use lower case letters, digits, dots and hyphens."
        )
    check = known_check(table, checks)
    condition = _read_condition(table, repeated)
    fixed = _read_fixed(table, check)
    step = Step(
        id=step_id,
        check=check.name,
        title=table.text("title"),
        instruction=table.text("instruction"),
        condition=condition,
        fixed=fixed,
        windows=tuple(_windows(table.table("window"), condition)),
        questions=read_questions(table, check, fixed),
        cautions=_read_cautions(table),
        instruments=table.texts("instruments"),
        wants_photos=table.flag("wants_photos"),
        expected=read_expected(table.table("expected"), check),
    )
    table.finish()
    return step


def _read_condition(table: Table, repeated: Condition) -> Condition:
    condition = read_condition(table)
    for name in repeated:
        if name in condition:
            raise table.error(f"condition, {name}", "stands in for_each too", "Give it in one place.")
    return {**repeated, **condition}


def _read_fixed(table: Table, check: Check) -> dict[str, OptionValue]:
    under = table.table("fixed")
    fixed = under.options()
    for name in fixed:
        if name not in check.options.model_fields:
            raise under.error(name, f"{check.name} has no such option", answers_of(check))
    try:
        prove_options(check.options, fixed)
    except InspectError as error:
        raise under.error("", f"{error.where}: {error.problem}", error.remedy) from error
    return fixed


def _read_cautions(table: Table) -> tuple[str, ...]:
    names = table.texts("cautions")
    for name in names:
        if name not in CAUTIONS:
            raise table.error("cautions", f"'{name}' is none of the cautions", f"Use one of {', '.join(CAUTIONS)}.")
    return tuple(CAUTIONS[name] for name in names)


def _windows(under: Table, condition: Condition) -> Iterator[Window]:
    for name in under.values:
        table = under.table(name)
        unit = CONDITION_UNITS.get(name.rpartition("_")[2])
        if unit is None or "_" not in name:
            ends = ", ".join(f"_{end}" for end in CONDITION_UNITS)
            raise under.error(name, "does not end in a unit", f"End it in one of {ends}.")
        low, high = _window_bounds(table, name, condition)
        plain = name.rpartition("_")[0].replace("_", " ").capitalize()
        yield Window(
            name=name,
            unit=unit,
            label=table.text("label", plain),
            low=low,
            high=high,
            before_and_after=table.flag("before_and_after"),
        )
        table.finish()


def _window_bounds(table: Table, name: str, condition: Condition) -> tuple[float, float]:
    if not table.has("within_percent"):
        low, high = table.number("from"), table.number("to")
        if low >= high:
            raise table.error("from", f"{low:g} is not below {high:g}", "Give the lower bound in from.")
        return low, high
    percent = table.number("within_percent")
    nominal = condition.get(name)
    if not 0 < percent < 100:
        raise table.error(
            "within_percent", f"{percent:g} is not between 0 and 100", "Give a part of the nominal value."
        )
    if not isinstance(nominal, int | float) or nominal <= 0:
        raise table.error("within_percent", f"the step has no condition {name}", "Give the window by from and to.")
    return nominal * (1 - percent / 100), nominal * (1 + percent / 100)
