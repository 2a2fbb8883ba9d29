"""Look and function: a checklist answered by a person, with photographs as evidence."""

from typing import Annotated, Any, Final

from pydantic import BeforeValidator, Field, field_validator

from inspect_app.capture import Capture
from inspect_app.errors import NothingToMeasure
from inspect_app.measure._options import CheckOptions, Repeated
from inspect_app.measure._registry import Needs, check
from inspect_app.model import Measured, Result
from inspect_app.quantity import Quantity

METHOD: Final = "Visual and functional inspection by checklist"
YES, NO, CANNOT_TELL = "yes", "no", "cannot tell"
LONGEST_NAME: Final = 120


def _read_item(given: Any) -> Any:
    if isinstance(given, str):
        name, separator, answer = given.rpartition("=")
        if not separator:
            raise ValueError("an item is written NAME=yes, NAME=no or NAME=cannot tell")
        given = (name, answer)
    if not (isinstance(given, list | tuple) and len(given) == 2 and all(isinstance(part, str) for part in given)):
        raise ValueError("an item is a name and an answer")
    name, answer = " ".join(given[0].split()), " ".join(given[1].lower().split())
    if not 1 <= len(name) <= LONGEST_NAME:
        raise ValueError(f"the name of an item has 1 to {LONGEST_NAME} letters")
    if answer not in (YES, NO, CANNOT_TELL):
        raise ValueError(f"the answer for {name} is {YES}, {NO} or {CANNOT_TELL}")
    return (name, answer)


Item = Annotated[tuple[str, str], BeforeValidator(_read_item)]
"""What was looked at, and whether it is as ordered: ``NAME=yes``, ``NAME=no`` or ``NAME=cannot tell``."""


class LookOptions(CheckOptions):
    """The answers."""

    item: Annotated[
        tuple[Item, ...],
        Field(description="NAME=yes, NAME=no or NAME=cannot tell, once per item: is it as ordered", min_length=1),
        Repeated(),
    ]

    @field_validator("item")
    @classmethod
    def _each_item_once(cls, items: tuple[tuple[str, str], ...]) -> tuple[tuple[str, str], ...]:
        names = [name.lower() for name, _ in items]
        twice = next((name for name in names if names.count(name) > 1), None)
        if twice is not None:
            raise ValueError(f"the item {twice} is answered twice")
        return items


@check(
    "look",
    title="Look and function",
    method=METHOD,
    quantities={"items_nonconforming": "1", "items_seen": "1"},
    options=LookOptions,
    needs={"scene": Needs(kinds=("still",), at_least=0, at_most=None)},
)
def look(captures: tuple[Capture, ...], options: LookOptions) -> Measured:  # noqa: ARG001 - photographs are evidence only
    """Count the items of a checklist that are not as ordered.

    Parameters
    ----------
    captures : tuple of Still
        Photographs; they are kept as evidence and not measured.
    options : LookOptions
        One answer per item.

    Returns
    -------
    Measured
        ``items_nonconforming``, the number of items answered no, and ``items_seen``, the number answered yes or no.
        Both are exact counts without uncertainty. The warnings name the items answered no or cannot tell.

    Raises
    ------
    NothingToMeasure
        No item is answered no, and some could not be told: the count would pass what nobody saw.

    Notes
    -----
    One item answered no decides, whatever the others are: the device is not as ordered. Where none is, an item that
    nobody could judge must not count as a yes. How well two people agree on such answers is a study of its own
    (attribute agreement analysis), which this check does not replace. Assumes that each item says what yes means, and
    that the person has the light and the aids that it names; breaks down where an item asks for two things at once.
    The method is common practice, no source.
    """
    bad = [name for name, answer in options.item if answer == NO]
    untold = [name for name, answer in options.item if answer == CANNOT_TELL]
    if untold and not bad:
        raise NothingToMeasure(
            "look",
            f"nobody could tell about {', '.join(untold)}",
            "Look again in better light, or ask a second person.",
        )
    warnings = [f"Not as ordered: {name}." for name in bad] + [f"Could not be told: {name}." for name in untold]
    return Measured(
        check="look",
        method=METHOD,
        results=(
            _count("items_nonconforming", len(bad)),
            _count("items_seen", len(options.item) - len(untold)),
        ),
        warnings=tuple(warnings),
    )


def _count(name: str, value: int) -> Result:
    return Result(quantity_name=name, quantity=Quantity(value=value, unit="1"))
