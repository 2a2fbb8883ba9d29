"""The options of a check: one frozen model each, from which command line, forms and pages are made."""

import re
import typing
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Final, TypeVar

import annotated_types
import pydantic
import pydantic_core
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field
from pydantic.fields import FieldInfo

from inspect_app.errors import UnusableInput
from inspect_app.quantity import parse_number


@dataclass(frozen=True, slots=True)
class Unit:
    """Marks a number option with its unit of measurement; text such as ``0,2 kHz`` is then converted."""

    name: str


@dataclass(frozen=True, slots=True)
class Repeated:
    """Marks an option that is given several times: each text becomes one element of its tuple."""


class CheckOptions(BaseModel):
    """Parent of every options model: frozen, unknown keys refused, NaN and infinity refused.

    Every option takes either its own type or the text that a person types, so that the command line, a form and a
    page hand over what they have. Write numbers as ``Annotated[float, Field(gt=0, description="…"), Unit("Hz")]``.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    @pydantic.model_validator(mode="before")
    @classmethod
    def _read_texts(cls, values: Any) -> Any:
        if not isinstance(values, Mapping):
            return values
        read = dict(values)
        for name, info in cls.model_fields.items():
            unit = unit_of(info)
            if unit is None or name not in read:
                continue
            given = read[name]
            if isinstance(given, str):
                read[name] = _number(name, given, unit)
            elif is_repeated(info) and isinstance(given, Sequence):
                read[name] = tuple(_number(name, text, unit) if isinstance(text, str) else text for text in given)
        return read


def _number(name: str, text: str, unit: str) -> float:
    try:
        return parse_number(text, unit)
    except UnusableInput as error:
        raise UnusableInput(f"option {flag(name)}", f"{error.problem}; you gave {text[:80]}", error.remedy) from error


Options = TypeVar("Options", bound=CheckOptions)


def unit_of(info: FieldInfo) -> str | None:
    """Return the unit of a number option, or None for an option that is not a number."""
    return next((mark.name for mark in info.metadata if isinstance(mark, Unit)), None)


def is_repeated(info: FieldInfo) -> bool:
    """Say whether an option is given once per element."""
    return any(isinstance(mark, Repeated) for mark in info.metadata)


def is_region(info: FieldInfo) -> bool:
    """Say whether an option is a region of the picture, which a person may draw."""
    return Region in (info.annotation, *typing.get_args(info.annotation))


def choices_of(info: FieldInfo) -> tuple[str, ...]:
    """Return the words that a choice option admits; empty for any other option."""
    for candidate in (info.annotation, *typing.get_args(info.annotation)):
        if typing.get_origin(candidate) is typing.Literal:
            return tuple(str(choice) for choice in typing.get_args(candidate))
    return ()


def bounds_of(info: FieldInfo) -> tuple[float | None, float | None]:
    """Return the lowest and highest number that an option admits; None where it is open."""
    low: float | None = None
    high: float | None = None
    for mark in info.metadata:
        if isinstance(mark, annotated_types.Ge):
            low = float(mark.ge)  # type: ignore[arg-type]  # bounds are written as numbers
        elif isinstance(mark, annotated_types.Gt):
            low = float(mark.gt)  # type: ignore[arg-type]  # bounds are written as numbers
        elif isinstance(mark, annotated_types.Le):
            high = float(mark.le)  # type: ignore[arg-type]  # bounds are written as numbers
        elif isinstance(mark, annotated_types.Lt):
            high = float(mark.lt)  # type: ignore[arg-type]  # bounds are written as numbers
    return low, high


def told_range(info: FieldInfo) -> str:
    """Return the numbers that an option admits in words, such as ``above 0, at most 1000``; empty where all are."""
    low, high = bounds_of(info)
    if low is None:
        return ""
    if not any(isinstance(mark, annotated_types.Gt) for mark in info.metadata):
        return f"of {low:.15g} or more" if high is None else f"from {low:.15g} to {high:.15g}"
    return f"above {low:.15g}" + ("" if high is None else f", at most {high:.15g}")


def flag(name: str) -> str:
    """Return an option's name as the command line spells it."""
    return "--" + name.replace("_", "-")


def read_options(model: type[Options], given: Mapping[str, Any]) -> Options:
    """Make the options of a check from texts or values.

    Raises
    ------
    UnusableInput
        Names the first option that is unknown, missing, no number or out of its range, and what it may be.
    """
    try:
        return model.model_validate(dict(given))
    except pydantic.ValidationError as error:
        raise _first_problem(model, error) from error


def prove_options(model: type[CheckOptions], given: Mapping[str, Any]) -> None:
    """Prove options that are fixed beforehand, while others are still to be asked.

    Raises
    ------
    UnusableInput
        Names the first of them that is unknown, no number or out of its range, and what it may be.
    """
    try:
        model.model_validate(dict(given))
    except pydantic.ValidationError as error:
        wrong = [
            problem for problem in error.errors(include_url=False) if problem["loc"] and problem["loc"][0] in given
        ]
        if wrong:
            raise _told(model, wrong[0]) from error


_WORDS: Final = {
    "int_parsing": "a whole number is wanted",
    "int_parsing_size": "this number is too large",
    "int_from_float": "a whole number is wanted",
}
"""What the commonest of the library's words for programmers say to a person at a bench."""


def _first_problem(model: type[CheckOptions], error: pydantic.ValidationError) -> UnusableInput:
    return _told(model, error.errors(include_url=False)[0])


def _told(model: type[CheckOptions], first: pydantic_core.ErrorDetails) -> UnusableInput:
    location = first["loc"]
    cause = first.get("ctx", {}).get("error")
    if not location:
        message = str(cause) if cause is not None else first["msg"]
        return UnusableInput("options", message, "Correct it and run again.")
    name = str(location[0])
    if first["type"] == "extra_forbidden":
        known = ", ".join(flag(field) for field in model.model_fields)
        return UnusableInput(f"option {flag(name)}", "there is no such option", f"Use one of {known}.")
    info = model.model_fields[name]
    if first["type"] == "missing":
        return UnusableInput(f"option {flag(name)}", "it is missing", f"Give {_told_in_passing(info)}.")
    seen = first["input"]
    shown = ", ".join(map(str, seen)) if isinstance(seen, list | tuple) else str(seen)
    message = str(cause) if cause is not None else _WORDS.get(first["type"], first["msg"])
    problem = f"{message[0].lower()}{message[1:]}; you gave {shown[:80]}"
    return UnusableInput(f"option {flag(name)}", problem, _what_it_takes(info))


def _what_it_takes(info: FieldInfo) -> str:
    choices = choices_of(info)
    if choices:
        return f"Use one of {', '.join(choices)}."
    told = told_range(info)
    if not told:
        return f"Give {_told_in_passing(info)}."
    unit = unit_of(info)
    return f"Give a number {told}." if unit in (None, "1") else f"Give a number in {unit} {told}."


def _told_in_passing(info: FieldInfo) -> str:
    """Return an option's description as it reads within a sentence: small, unless an abbreviation begins it."""
    told = info.description or "a value"
    return told if told[1:2].isupper() else f"{told[0].lower()}{told[1:]}"


_INTEGERS_WITH_COMMAS: Final = re.compile(r"\s*[+-]?\d{1,18}(\s*,\s*[+-]?\d{1,18})*\s*")


def _read_region(given: Any) -> Any:
    if isinstance(given, str):
        if not _INTEGERS_WITH_COMMAS.fullmatch(given):
            raise ValueError("a region is written X,Y,W,H in whole pixels")
        given = tuple(int(part) for part in given.split(","))
    if isinstance(given, list | tuple):
        if len(given) != 4:
            raise ValueError("a region has four numbers, X,Y,W,H")
        x, y, width_px, height_px = given
        if x < 0 or y < 0 or width_px < 1 or height_px < 1:
            raise ValueError("a region starts at 0 or more and is at least one pixel wide and high")
        return tuple(given)
    return given


Region = Annotated[tuple[int, int, int, int], BeforeValidator(_read_region)]
"""X,Y,W,H in pixels, the upper left pixel first."""


def written_number(text: str, unit: str) -> float:
    """Read one number of an option that is written with several things in it.

    Raises
    ------
    ValueError
        It is none; whoever proves the option adds its name.
    """
    try:
        return parse_number(text, unit)
    except UnusableInput as error:
        raise ValueError(f"{error.where}: {error.problem}") from error


def _read_numbers(given: Any) -> Any:
    if isinstance(given, str):
        return tuple(written_number(part, "1") for part in given.split(","))
    return given


Numbers = Annotated[tuple[float, ...], BeforeValidator(_read_numbers)]
"""Numbers written with commas between them."""


def _read_transfer(given: Any) -> Any:
    text = str(given).strip()
    if text in ("linear", "srgb"):
        return text
    kind, _, argument = text.partition(":")
    if kind == "power":
        if not 0.2 <= written_number(argument, "1") <= 5:
            raise ValueError("the power lies between 0.2 and 5")
        return text
    if kind == "table" and argument:
        return text
    raise ValueError("a transfer is linear, srgb, power:G or table:FILE.csv")


TransferText = Annotated[str, BeforeValidator(_read_transfer)]
"""``linear``, ``srgb``, ``power:G`` or ``table:FILE.csv``: how codes become exposure (OECF, ISO 14524)."""


class PictureOptions(CheckOptions):
    """Options of a check that reads pictures or films in exposure."""

    transfer: Annotated[TransferText, Field(description="linear, srgb, power:G or table:FILE.csv")] = "linear"
