"""Budget lines that several checks write: counted repeats, lines in another unit, a result from its lines."""

from collections.abc import Sequence
from decimal import Decimal

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
    return _pooled(counts, digit / 6**0.5, (f"{ends} to {digit:g}", "triangular"), f"spread of {len(counts)} counts")


def read_off(readings: Sequence[float], what: str) -> Contribution:
    """Return the doubt of the mean of several readings of one indication.

    Parameters
    ----------
    readings : sequence of float
        Two or more, of the same thing.
    what : str
        What is read, in words.

    Notes
    -----
    An indication lies anywhere within its last digit d: rectangular, d / √12 = 0.29 d (JCGM 100:2008, F.2.2.1, from
    memory). d is the last decimal that any of the readings has, or one. Readings that agree keep that doubt whole;
    those that differ have their spread, never below it, over √n (type A, JCGM 100:2008, 4.2).
    """
    digit = last_digit(readings)
    return _pooled(
        readings, digit / 12**0.5, (f"{what} to {digit:g}", "rectangular"), f"spread of {len(readings)} readings"
    )


def last_digit(readings: Sequence[float]) -> float:
    """Return the place of the last decimal that any of the readings has; one for whole numbers.

    Examples
    --------
    >>> last_digit([5.1, 5.25, 5]), last_digit([12, 13])
    (0.01, 1.0)
    """
    exponents = (Decimal(repr(float(reading))).normalize().as_tuple().exponent for reading in readings)
    return float(10.0 ** min(0, *(exponent for exponent in exponents if isinstance(exponent, int))))


def _pooled(readings: Sequence[float], floor: float, agreeing: tuple[str, str], differing: str) -> Contribution:
    """Pool repeats of type A with the floor of their digit; agreement is no evidence beyond the digit."""
    if len(readings) < 2 or np.ptp(readings) == 0:
        source, distribution = agreeing
        return Contribution(source=source, distribution=distribution, standard_uncertainty=floor)
    spread = max(float(np.std(readings, ddof=1)), floor)
    return Contribution(
        source=differing,
        distribution="t",
        standard_uncertainty=spread / len(readings) ** 0.5,
        degrees_of_freedom=len(readings) - 1,
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
            sensitivity=each.sensitivity * factor,
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
