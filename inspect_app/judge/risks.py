"""Risks over a whole process: how often what is accepted does not conform, and what is rejected does."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from scipy import integrate, special

from inspect_app.errors import UnusableInput

_FARTHEST: Final = 12.0  # standard deviations of the process; beyond it lies less than 1e-32 of it
_ACCURACY: Final = 1e-10

Interval = tuple[float | None, float | None]
"""Lower and upper bound; None where it is open."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GlobalRisks:
    """Shares of all devices of a process, each from 0 to 1.

    `consumers` are accepted and do not conform, `producers` are rejected and conform.
    """

    consumers: float
    producers: float
    accepted: float
    conforming: float


def global_risks(
    process: tuple[float, float], measuring_u: float, tolerance: Interval, accepted_between: Interval
) -> GlobalRisks:
    """Return consumer's and producer's risk of a normal process that is measured with a normal error.

    Parameters
    ----------
    process : tuple of float
        Mean and standard deviation of the true values; the latter above 0.
    measuring_u : float
        Standard uncertainty of one measurement, above 0, same unit.
    tolerance : tuple
        Between what a true value conforms.
    accepted_between : tuple
        Between what a measured value is accepted.

    Raises
    ------
    UnusableInput
        A spread is not above 0.

    Notes
    -----
    R_C = integral outside the tolerance of [Phi((A_U - x)/u) - Phi((A_L - x)/u)] phi(x; mean, sd) dx, and R_P that of
    one minus the bracket inside it, so that accepted = conforming - R_P + R_C. Error and true value are independent.

    References
    ----------
    JCGM 106:2012, 9.5 (equations from memory).

    Examples
    --------
    The resistors of JCGM 106:2012, clause 9 (from memory; printed about 1 % and 7 %):

    >>> risks = global_risks((1500, 0.12), 0.04, (1499.8, 1500.2), (1499.82, 1500.18))
    >>> round(risks.consumers, 4), round(risks.producers, 3)
    (0.0099, 0.069)
    """
    mean, spread = process
    if spread <= 0 or measuring_u <= 0:
        raise UnusableInput("global risks", "a spread is not above 0", "Give the process and the measurement a spread.")
    low, high = _in_spreads(tolerance, mean, spread)

    def passes(x: float) -> float:
        return _share(accepted_between, mean + spread * x, measuring_u)

    def fails(x: float) -> float:
        return 1 - passes(x)

    consumers = _integral(passes, -_FARTHEST, low) + _integral(passes, high, _FARTHEST)
    producers = _integral(fails, low, high)
    conforming = float(special.ndtr(high) - special.ndtr(low))
    return GlobalRisks(
        consumers=consumers, producers=producers, accepted=conforming - producers + consumers, conforming=conforming
    )


def _in_spreads(interval: Interval, mean: float, spread: float) -> tuple[float, float]:
    low, high = interval
    return (
        -_FARTHEST if low is None else max(-_FARTHEST, min(_FARTHEST, (low - mean) / spread)),
        _FARTHEST if high is None else max(-_FARTHEST, min(_FARTHEST, (high - mean) / spread)),
    )


def _share(interval: Interval, middle: float, spread: float) -> float:
    low, high = interval
    below = 1.0 if high is None else float(special.ndtr((high - middle) / spread))
    return below - (0.0 if low is None else float(special.ndtr((low - middle) / spread)))


def _integral(of: Callable[[float], float], start: float, stop: float) -> float:
    if stop <= start:
        return 0.0

    def weighted(x: float) -> float:
        return of(x) * math.exp(-(x**2) / 2) / math.sqrt(2 * math.pi)

    knots = [x for x in (-3.0, -1.0, 0.0, 1.0, 3.0) if start < x < stop]
    found, _ = integrate.quad(weighted, start, stop, points=knots or None, epsabs=_ACCURACY, limit=200)
    return float(found)
