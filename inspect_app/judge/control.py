"""Control charts of a bench: individual values, moving ranges, weighted means, and the rules by which they signal."""

import enum
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean
from typing import Final

from inspect_app.errors import NothingToMeasure, UnusableInput

FEWEST_FOR_LIMITS: Final = 10
"""Results of a bench in order from which limits may be set; the handbook's own example has ten."""
ENOUGH_FOR_LIMITS: Final = 20
"""Below it limits are themselves so unsure that alarms come oftener (common practice, no source)."""
WEIGHT_OF_NEWEST: Final = 0.3
"""Of the weighted mean; the handbook recommends 0.2 to 0.3."""

_D2 = 2 / math.sqrt(math.pi)  # mean range of two over sigma, 1.128
_D3 = math.sqrt(2 - 4 / math.pi)  # its standard deviation, 0.853
_SIGMAS = 3.0
_RUN = 8


class Rule(enum.StrEnum):
    """What on a chart signals that the bench is no longer what it was.

    The first four are the rules of Western Electric (Statistical Quality Control Handbook, 1956), as given in the
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2; all of one side. The others: 6.3.2.2 (moving range) and
    6.3.2.4 (weighted mean).
    """

    BEYOND_THREE = "a value beyond three sigma"
    TWO_OF_THREE = "two of three values beyond two sigma on one side"
    FOUR_OF_FIVE = "four of five values beyond one sigma on one side"
    EIGHT_ON_ONE_SIDE = "eight values in a row on one side of the centre"
    MOVING_RANGE = "two values in a row too far apart"
    WEIGHTED_MEAN = "the weighted mean beyond its limit"


_ZONES: Final = (
    (Rule.TWO_OF_THREE, 2, 3, 2.0),
    (Rule.FOUR_OF_FIVE, 4, 5, 1.0),
    (Rule.EIGHT_ON_ONE_SIDE, _RUN, _RUN, 0.0),
)
"""Rule, how many of how many newest values, beyond how many sigma; the newest is one of them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlLimits:
    """The bench as it was: centre and sigma of single results, in their unit."""

    centre: float
    sigma: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.centre) and math.isfinite(self.sigma) and self.sigma > 0):
            raise ValueError(f"control limits about {self.centre} with sigma {self.sigma}")

    @property
    def upper(self) -> float:
        """Three sigma above the centre."""
        return self.centre + _SIGMAS * self.sigma

    @property
    def lower(self) -> float:
        """Three sigma below the centre."""
        return self.centre - _SIGMAS * self.sigma

    @property
    def mean_range(self) -> float:
        """Mean distance of two results in a row."""
        return _D2 * self.sigma

    @property
    def upper_range(self) -> float:
        """Limit of that distance: D4 = 3.267 mean ranges."""
        return self.mean_range + _SIGMAS * _D3 * self.sigma

    def in_sigmas(self, value: float) -> float:
        """Return how many sigma a value lies above the centre."""
        return (value - self.centre) / self.sigma

    def width_of_mean(self, number: int, weight: float = WEIGHT_OF_NEWEST) -> float:
        """Return how far the weighted mean after `number` results may lie from the centre."""
        settled = weight / (2 - weight)
        return _SIGMAS * self.sigma * math.sqrt(settled * (1 - (1 - weight) ** (2 * number)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """A rule that a result broke; `index` counts the results from zero."""

    index: int
    rule: Rule


def limits_from(values: Sequence[float]) -> ControlLimits:
    """Return the limits that results of a bench in order set.

    Parameters
    ----------
    values : sequence of float
        Ten at least, in the order in which they were measured.

    Raises
    ------
    NothingToMeasure
        Fewer than ten, or all alike.
    UnusableInput
        A value that is not finite.

    Notes
    -----
    Chart of individuals: the centre is the mean, sigma the mean moving range over d2 = 1.128, which a slow drift or a
    step between them hardly widens.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2; ISO 7870-2:2013 (from memory).

    Examples
    --------
    >>> flow = limits_from([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    >>> round(flow.lower, 2), round(flow.centre, 2), round(flow.upper, 2)
    (45.82, 50.81, 55.8)
    """
    if len(values) < FEWEST_FOR_LIMITS:
        raise NothingToMeasure(
            "control limits",
            f"{len(values)} results are too few to know how the bench varies",
            f"Measure it {FEWEST_FOR_LIMITS} times at least, on different days; {ENOUGH_FOR_LIMITS} are better.",
        )
    if not all(math.isfinite(value) for value in values):
        raise UnusableInput("control limits", "not every result is a finite number", "Leave out what was not measured.")
    sigma = fmean(_ranges(values)) / _D2
    if sigma == 0:
        raise NothingToMeasure(
            "control limits", "all results are alike: they are too coarse to show how the bench varies", "Read finer."
        )
    return ControlLimits(centre=fmean(values), sigma=sigma)


def weighted_means(values: Sequence[float], centre: float, weight: float = WEIGHT_OF_NEWEST) -> tuple[float, ...]:
    """Return the exponentially weighted mean after each value, beginning from the centre.

    Notes
    -----
    z_i = w x_i + (1 - w) z_(i-1), z_0 the centre (NIST/SEMATECH e-Handbook, 6.3.2.4, equation of Roberts 1959).
    """
    means: list[float] = []
    for value in values:
        means.append(weight * value + (1 - weight) * (means[-1] if means else centre))
    return tuple(means)


def signals(values: Sequence[float], limits: ControlLimits) -> tuple[Signal, ...]:
    """Return every rule that a series of results breaks, in order.

    Parameters
    ----------
    values : sequence of float
        In the order in which they were measured, after the limits were set.
    limits : ControlLimits
        Of the same quantity, in the same unit.

    Notes
    -----
    A bench in control breaks one of the four rules of Western Electric once in 91.75 results on average (Champ and
    Woodall, Technometrics 29 (1987) 393), the first alone once in 370: a signal is a reason to look, not a proof.
    """
    distances = [limits.in_sigmas(value) for value in values]
    found = [
        Signal(index=index, rule=rule)
        for index in range(len(values))
        for rule in _zone_rules(distances[max(0, index + 1 - _RUN) : index + 1])
    ]
    found += [
        Signal(index=index, rule=Rule.MOVING_RANGE)
        for index, apart in enumerate(_ranges(values), start=1)
        if apart > limits.upper_range
    ]
    found += [
        Signal(index=index, rule=Rule.WEIGHTED_MEAN)
        for index, mean in enumerate(weighted_means(values, limits.centre))
        if abs(mean - limits.centre) > limits.width_of_mean(index + 1)
    ]
    return tuple(sorted(found, key=lambda signal: (signal.index, list(Rule).index(signal.rule))))


def _zone_rules(newest: Sequence[float]) -> Iterator[Rule]:
    """Yield the zone rules that the last of some distances, in sigmas, completes."""
    if abs(newest[-1]) > _SIGMAS:
        yield Rule.BEYOND_THREE
    side = math.copysign(1.0, newest[-1])
    for rule, wanted, among, beyond in _ZONES:
        last = newest[-among:]
        if side * last[-1] > beyond and sum(side * distance > beyond for distance in last) >= wanted:
            yield rule


def _ranges(values: Sequence[float]) -> list[float]:
    return [abs(later - earlier) for earlier, later in pairwise(values)]
