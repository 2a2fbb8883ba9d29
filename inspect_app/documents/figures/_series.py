"""Curves of several measurements in one figure: what they share, and what tells them apart."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from inspect_app.documents.figures._figure import Part
from inspect_app.documents.wording import condition_text
from inspect_app.model import Condition, Trace

AT_MOST = 4  # as many as there are line styles


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """One or more traces under the same condition, with the part that they belong to."""

    part: Part
    condition: Condition
    traces: tuple[Trace, ...]


def series_of(parts: Sequence[Part], *trace_names: str) -> tuple[Series, ...]:
    """Return the traces of these names that hold at least two points, gathered by condition."""
    gathered: dict[str, list[tuple[Part, Condition, Trace]]] = {}
    for place, part in enumerate(parts):
        for trace in part.traces:
            if trace.name in trace_names and len(trace.x) > 1:
                condition = {**part.condition, **trace.condition}
                gathered.setdefault(f"{place} {condition_text(condition)}", []).append((part, condition, trace))
    return tuple(
        Series(part=found[0][0], condition=found[0][1], traces=tuple(trace for _, _, trace in found))
        for found in gathered.values()
    )


def in_fours(series: Sequence[Series]) -> Iterator[Sequence[Series]]:
    """Return the series in groups that one figure can tell apart by line style."""
    for start in range(0, len(series), AT_MOST):
        yield series[start : start + AT_MOST]


def shared_condition(conditions: Sequence[Condition]) -> Condition:
    """Return what all conditions have in common."""
    first = conditions[0] if conditions else {}
    return {name: value for name, value in first.items() if all(other.get(name) == value for other in conditions)}


def labels(conditions: Sequence[Condition]) -> tuple[str, ...]:
    """Return what tells each condition from the others; nothing where there is but one."""
    shared = shared_condition(conditions)
    return tuple(condition_text({n: v for n, v in own.items() if n not in shared}) for own in conditions)


def with_condition(title: str, conditions: Sequence[Condition]) -> str:
    """Return a title with the condition that all curves share."""
    shared = condition_text(shared_condition(conditions))
    return f"{title}, {shared}" if shared else title
