"""What a figure is, and what it is drawn from."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from inspect_app.model import Condition, Judgement, Limit, Measured, Result, Trace


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A drawing with its title, the same said in words, and its numbers as a table.

    `svg` is one ``<svg>`` element; every text in it is escaped. It carries presentation attributes with
    ``currentColor`` and classes that begin with ``figure-``, no style attribute and no style element, so that a page
    with a strict content security policy may hold it.
    """

    title: str
    svg: str
    text_alternative: str
    columns: tuple[str, ...] = ()
    table: tuple[tuple[str, ...], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One measurement with the nominal condition of its step; several parts of one check share a figure."""

    measured: Measured
    condition: Condition = field(default_factory=dict)

    @property
    def traces(self) -> tuple[Trace, ...]:
        """The traces without points that are no numbers, which can stand nowhere in a drawing."""
        return tuple(_finite(trace) for trace in self.measured.traces)

    def condition_of(self, result: Result) -> Condition:
        """Return what the result was measured under: the step's condition and its own."""
        return {**self.condition, **result.condition}


def _finite(trace: Trace) -> Trace:
    if all(map(math.isfinite, (*trace.x, *trace.y))):
        return trace
    points = [(x, y) for x, y in zip(trace.x, trace.y, strict=True) if math.isfinite(x) and math.isfinite(y)]
    return replace(trace, x=tuple(x for x, _ in points), y=tuple(y for _, y in points))


def demands(part: Part, judgements: Sequence[Judgement], *quantity_names: str) -> tuple[Judgement, ...]:
    """Return the judgements on a limit that speak of these quantities of the part, under its condition."""
    return tuple(
        judgement
        for judgement in judgements
        if isinstance(judgement.limit, Limit)
        and judgement.limit.check == part.measured.check
        and (not quantity_names or judgement.limit.quantity_name in quantity_names)
        and _is_meant(judgement.limit.condition, part)
    )


def _is_meant(demanded: Condition, part: Part) -> bool:
    """Say whether no result contradicts the demand; what the part does not name at all may still be meant."""
    under = [part.condition_of(result) for result in part.measured.results] or [part.condition]
    return any(all(name not in seen or seen[name] == value for name, value in demanded.items()) for seen in under)
