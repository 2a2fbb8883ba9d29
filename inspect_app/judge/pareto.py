"""Which few kinds make up most: counts in falling order, with what they add up to."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class ParetoRow:
    """One kind: how often, its share of all, and the share of it and all more frequent ones, as fractions."""

    name: str
    count: int
    share: float
    cumulative: float


def pareto(names: Iterable[str]) -> tuple[ParetoRow, ...]:
    """Return how often each name occurs, the most frequent first, equals by name.

    Parameters
    ----------
    names : iterable of str
        One for each occurrence.

    Examples
    --------
    >>> [(row.name, row.count, row.cumulative) for row in pareto(["soft", "spot", "soft", "late"])]
    [('soft', 2, 0.5), ('late', 1, 0.75), ('spot', 1, 1.0)]
    """
    counts = sorted(Counter(names).items(), key=lambda item: (-item[1], item[0]))
    total = sum(count for _, count in counts)
    rows, so_far = [], 0
    for name, count in counts:
        so_far += count
        rows.append(ParetoRow(name=name, count=count, share=count / total, cumulative=so_far / total))
    return tuple(rows)
