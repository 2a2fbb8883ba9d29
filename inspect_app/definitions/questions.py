"""Read the questions of a step: each an option of its check, or a role of its captures."""

import typing
from collections.abc import Iterable
from typing import Final

from pydantic.fields import FieldInfo

from inspect_app.definitions.toml_source import Table
from inspect_app.definitions.values import Question
from inspect_app.errors import InspectError
from inspect_app.measure import Check, bounds_of, choices_of, is_region, is_repeated, prove_options, unit_of

_YES_NO: Final = ("yes", "no")
_MOST_READERS: Final = 10


def read_questions(table: Table, check: Check, fixed: Iterable[str]) -> tuple[Question, ...]:
    """Return the questions of a step, proved to be enough for its check.

    Parameters
    ----------
    table : Table
        Of the step.
    check : Check
        Its options and roles are what can be asked.
    fixed : iterable of str
        Options that the step fixes.
    """
    asked: dict[str, Question] = {}
    for under in table.tables("question"):
        question = _read_question(under, check)
        if question.name in asked or question.name in fixed:
            raise under.error("name", f"{question.name} is asked twice or fixed as well", "Keep it in one place.")
        asked[question.name] = question
        under.finish()
    if sum(question.readers > 0 for question in asked.values()) > 1:
        raise table.error("question", "two of them ask several readers", "Keep it to one in each step.")
    for name in _required(check):
        if name not in fixed and (name not in asked or asked[name].is_optional):
            raise table.error("question", f"{check.name} needs {name}", "Ask it, not as optional, or fix it.")
    return tuple(asked.values())


def answers_of(check: Check) -> str:
    """Say what can be asked for a check, or fixed."""
    return f"Use one of {', '.join([*check.options.model_fields, *check.needs])}."


def _required(check: Check) -> list[str]:
    options = [name for name, info in check.options.model_fields.items() if info.is_required()]
    return options + [role for role, needs in check.needs.items() if needs.at_least > 0]


def _read_question(table: Table, check: Check) -> Question:
    name = table.text("name")
    info = check.options.model_fields.get(name)
    if info is None and name not in check.needs:
        raise table.error("name", f"{check.name} has no option '{name}'", answers_of(check))
    low, high = (None, None) if info is None else bounds_of(info)
    return Question(
        name=name,
        label=table.text("label"),
        kind="captures" if info is None else kind_of(info),
        hint=table.text("hint", ""),
        unit=None if info is None else unit_of(info),
        choices=() if info is None else _choices(info),
        low=low,
        high=high,
        is_optional=table.flag("optional"),
        way=table.text("way", ""),
        items=_items(table, check, name),
        readers=_readers(table, info),
    )


def _readers(table: Table, info: FieldInfo | None) -> int:
    wanted = table.optional_number("readers")
    if wanted is None:
        return 0
    if info is None or not is_repeated(info) or table.has("items") or table.flag("optional") or table.has("way"):
        raise table.error("readers", "this is not read by several people", "Leave it out.")
    if wanted not in range(2, _MOST_READERS + 1):
        raise table.error("readers", f"it is {wanted:g}", f"Ask 2 to {_MOST_READERS} readers.")
    return int(wanted)


def _items(table: Table, check: Check, name: str) -> tuple[str, ...]:
    items = tuple(" ".join(item.split()) for item in table.texts("items"))
    if len({item.casefold() for item in items}) < len(items):
        raise table.error("items", "names an item twice", "Name each once.")
    try:
        prove_options(check.options, {name: [f"{item}=yes" for item in items]} if items else {})
    except InspectError as error:
        raise table.error("items", error.problem, error.remedy) from error
    return items


def kind_of(info: FieldInfo) -> str:
    """Return how an option is asked: ``number``, ``choice``, ``text``, ``region`` or ``list``."""
    if is_repeated(info):
        return "list"
    if is_region(info):
        return "region"
    if _choices(info):
        return "choice"
    return "number" if {int, float} & _types_of(info) else "text"


def _choices(info: FieldInfo) -> tuple[str, ...]:
    return _YES_NO if bool in _types_of(info) else choices_of(info)


def _types_of(info: FieldInfo) -> set[object]:
    return {info.annotation, *typing.get_args(info.annotation)}
