"""Budget lines that several checks write: counted repeats, lines in another unit, a result from its lines."""

from collections.abc import Sequence

import numpy as np

from inspect_app.model import Condition, Result
from inspect_app.quantity import Contribution, quantity_from_budget


def counting(counts: Sequence[float], digit: float, ends: str) -> Contribution:
    """Return the doubt of the mean of counts.

    Parameters
    ----------
    counts : sequence of float
        One per reader or repeat.
    digit : float
        The last digit to which each was read.
    ends : str
        What is read at both ends, in words.

    Notes
    -----
    A count is the difference of two indications, each anywhere within one digit: triangular, digit / √6 (JCGM 100:2008,
    4.3.9 and F.2.2.1, from memory). Counts that agree may share one place within the digit, so agreement never gives
    less. Counts that differ do not, and their mean has the spread (never below digit / √6) over √n.
    """
    floor = digit / 6**0.5
    if len(counts) < 2 or np.ptp(counts) == 0:
        return Contribution(source=f"{ends} to {digit:g}", distribution="triangular", standard_uncertainty=floor)
    spread = max(float(np.std(counts, ddof=1)), floor)
    return Contribution(
        source=f"spread of {len(counts)} counts",
        distribution="t",
        standard_uncertainty=spread / len(counts) ** 0.5,
        degrees_of_freedom=len(counts) - 1,
    )


def line(source: str, standard_uncertainty: float, distribution: str = "normal") -> Contribution:
    """Return a budget line of infinitely many degrees of freedom."""
    return Contribution(source=source, distribution=distribution, standard_uncertainty=standard_uncertainty)


def scaled(lines: Sequence[Contribution], factor: float) -> tuple[Contribution, ...]:
    """Return the same lines for a quantity that is `factor` times as large."""
    return tuple(
        Contribution(
            source=each.source,
            distribution=each.distribution,
            standard_uncertainty=each.standard_uncertainty * factor,
            degrees_of_freedom=each.degrees_of_freedom,
        )
        for each in lines
    )


def result(
    name: str, value: float, unit: str, lines: Sequence[Contribution], condition: Condition | None = None
) -> Result:
    """Return a result whose uncertainty is what its lines combine to."""
    return Result(
        quantity_name=name,
        quantity=quantity_from_budget(value, unit, lines),
        condition=condition or {},
        budget=tuple(lines),
    )
