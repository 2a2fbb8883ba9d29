"""Whether a quantity drifts: its course over time, a change that stands out, and when it will meet a limit."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import special

from inspect_app.errors import NothingToMeasure
from inspect_app.numerics.least_squares import LinearFit, fit_weighted

FloatArray = npt.NDArray[np.float64]

FALSE_ALARMS: Final = 0.01
"""At most this share of series without any change is said to have one, however many places were looked at."""
COVERAGE: Final = 0.95
FEWEST_FOR_A_LINE: Final = 3
FEWEST_FOR_A_CHANGE: Final = 5
FEWEST_ON_A_SIDE: Final = 2
LEAST_SHARE_OF_SCATTER: Final = 0.7


@dataclass(frozen=True, slots=True, kw_only=True)
class DatedResult:
    """A result at a time: `time` in any unit (days, years), `value` and its standard uncertainty in one unit."""

    time: float
    value: float
    standard_uncertainty: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """A straight line through results over time.

    Parameters
    ----------
    middle : float
        Time at which level and slope are independent of each other.
    level, slope : float
        At the middle, and per unit of time.
    level_uncertainty, slope_uncertainty : float
        Standard uncertainties; they cover those of the results and the scatter between them.
    scatter : float
        Standard deviation between results beyond their uncertainty.
    degrees_of_freedom : float
        Of both uncertainties.
    results : int
        How many the line goes through.
    """

    middle: float
    level: float
    slope: float
    level_uncertainty: float
    slope_uncertainty: float
    scatter: float
    degrees_of_freedom: float
    results: int

    @property
    def coverage_factor(self) -> float:
        """Of Student's t, two-sided 95 %."""
        return float(special.stdtrit(self.degrees_of_freedom, 0.5 + 0.5 * COVERAGE))

    @property
    def drifts(self) -> bool:
        """Whether the slope stands out of its expanded uncertainty: wrong for one steady series in twenty."""
        return abs(self.slope) > self.coverage_factor * self.slope_uncertainty

    @property
    def chance(self) -> float:
        """Probability of a slope as steep or steeper where nothing drifts."""
        return _two_sided(self.slope / self.slope_uncertainty, self.degrees_of_freedom)

    def at(self, time: float) -> float:
        """Return the level at a time."""
        return self.level + self.slope * (time - self.middle)

    def uncertainty_at(self, time: float) -> float:
        """Return the standard uncertainty of the level at a time, without the scatter of a single result."""
        return math.hypot(self.level_uncertainty, self.slope_uncertainty * (time - self.middle))


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A step between two neighbouring results.

    Parameters
    ----------
    after, before : float
        Times of the last result before the step and of the first behind it.
    step : float
        How much the level rose.
    step_uncertainty : float
        Standard uncertainty of the step.
    chance : float
        Probability at most of such a step anywhere in a series that has none: all places looked at are counted.
    """

    after: float
    before: float
    step: float
    step_uncertainty: float
    chance: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """When a course meets a limit.

    Parameters
    ----------
    expected : float
        Where the line meets it.
    earliest, latest : float
        The 95 % interval; never before the time from which it was foretold.
    """

    expected: float
    earliest: float
    latest: float


def course(results: Sequence[DatedResult]) -> Course:
    """Fit a straight line to results over time, each weighted by its uncertainty.

    Parameters
    ----------
    results : sequence of DatedResult
        Three at least, at two different times at least; their uncertainties are independent of each other. What is
        common to all, such as one instrument's error, cancels in a slope and must not be in them.

    Raises
    ------
    NothingToMeasure
        Fewer than three results, or all at one time.
    UnusableInput
        A value that is not finite, or an uncertainty that is not above zero.

    Notes
    -----
    Weighted least squares with the scatter of `fit_weighted`. Degrees of freedom by Welch and Satterthwaite (JCGM
    100:2008, G.4): those of the uncertainties count as infinite, those of the scatter are n - 2. The share of the
    scatter in the variance is never taken below 0.7, for what a few results did not show may be there all the same:
    in simulated series of 3 to 16 results, with uncertainties that differ by a factor of four, the interval held
    the true slope in 97 to 100 of 100 where nothing else varied, in 94 to 100 where as much again did, and in 90 to
    94 where the scatter was three times the uncertainties. What lost: n - 2 throughout (Knapp and Hartung,
    Statistics in Medicine 22 (2003) 2693, from memory) held it in 100 of 100 with three or four results and found
    no drift at all; infinite degrees of freedom held it in 75 of 100 with much scatter.

    Examples
    --------
    >>> line = course([DatedResult(time=t, value=5 + 2 * t, standard_uncertainty=0.1) for t in range(5)])
    >>> round(line.slope, 6), round(line.at(10), 6), line.drifts
    (2.0, 25.0, True)
    """
    _prove_enough(results, FEWEST_FOR_A_LINE, "a drift")
    time, value, doubt = _columns(results)
    middle = float(np.mean(time))
    fit = fit_weighted(np.stack([np.ones_like(time), time - middle], axis=1), value, doubt)
    shift = -float(fit.covariance[0, 1] / fit.covariance[1, 1])
    level_variance = float(fit.covariance[0, 0]) - shift**2 * float(fit.covariance[1, 1])
    return Course(
        middle=middle + shift,
        level=float(fit.coefficients[0] + shift * fit.coefficients[1]),
        slope=float(fit.coefficients[1]),
        level_uncertainty=math.sqrt(max(level_variance, 0.0)),
        slope_uncertainty=float(fit.standard_uncertainties[1]),
        scatter=fit.scatter,
        degrees_of_freedom=_freedom(fit, doubt),
        results=len(results),
    )


def find_change(results: Sequence[DatedResult], *, false_alarms: float = FALSE_ALARMS) -> Change | None:
    """Return the step in a series that stands out most, if it stands out of uncertainty and of multiple looking.

    Parameters
    ----------
    results : sequence of DatedResult
        In the order of their times.
    false_alarms : float
        Greatest share of series without a step of which one is reported.

    Returns
    -------
    Change or None
        None where no step stands out, or where fewer than five results cannot show one.

    Raises
    ------
    UnusableInput
        A value that is not finite, or an uncertainty that is not above zero.

    Notes
    -----
    At each place between two results with two of them on either side at least: a line and a step are fitted
    together, so that a steady drift is no step. The chance of the steepest of the m steps is at most m times its
    own (Bonferroni), which is what is compared. Degrees of freedom are n - 3 whatever the scatter, because the
    place is chosen for the scatter that it leaves: with those of `course` 2 to 9 % of steady series were reported
    at 1 % where results scatter more than their uncertainties say, with n - 3 never more than 1.3 % of 800. Who
    looks at several series divides `false_alarms` by their number.
    """
    if len(results) < FEWEST_FOR_A_CHANGE:
        return None
    time, value, doubt = _columns(results)
    places = [
        place for place in range(FEWEST_ON_A_SIDE, len(results) - FEWEST_ON_A_SIDE + 1) if time[place] > time[place - 1]
    ]
    steps = [(place, fit) for place in places if (fit := _step_at(place, time, value, doubt)) is not None]
    if not steps:
        return None
    place, fit = max(steps, key=lambda step: abs(_in_uncertainties(step[1])))
    chance = min(1.0, len(places) * _two_sided(_in_uncertainties(fit), fit.degrees_of_freedom))
    if chance > false_alarms:
        return None
    return Change(
        after=float(time[place - 1]),
        before=float(time[place]),
        step=float(fit.coefficients[2]),
        step_uncertainty=float(fit.standard_uncertainties[2]),
        chance=chance,
    )


def since(results: Sequence[DatedResult], change: Change | None) -> tuple[DatedResult, ...]:
    """Return the results behind a change; all where there is none."""
    return tuple(result for result in results if change is None or result.time >= change.before)


def reach(line: Course, limit: float, now: float) -> Reach | None:
    """Return when a course meets a limit that it has not passed, with its 95 % interval.

    Parameters
    ----------
    line : Course
    limit : float
        In the unit of the results.
    now : float
        Only what lies behind it is foretold.

    Returns
    -------
    Reach or None
        None where the line runs away from the limit, lies beyond it already, or does not drift.

    Notes
    -----
    Fieller's interval: the times at which the band of the line, level ± k u, holds the limit. A drift that stands
    out of its uncertainty makes it finite on both ends, so far as it lies behind `now`. It foretells no more than a
    straight line does: nothing is said of what ages faster later.
    """
    if not line.drifts:
        return None
    expected = line.middle + (limit - line.level) / line.slope
    if expected <= now:
        return None
    k2 = line.coverage_factor**2
    a = line.slope**2 - k2 * line.slope_uncertainty**2
    b = line.slope * (line.level - limit)
    c = (line.level - limit) ** 2 - k2 * line.level_uncertainty**2
    root = math.sqrt(max(b * b - a * c, 0.0))
    return Reach(
        expected=expected,
        earliest=max(now, line.middle + (-b - root) / a),
        latest=line.middle + (-b + root) / a,
    )


def _step_at(place: int, time: FloatArray, value: FloatArray, doubt: FloatArray) -> LinearFit | None:
    """Return level, slope and step fitted together; None where the times cannot tell slope and step apart."""
    behind = (np.arange(time.size) >= place).astype(np.float64)
    try:
        return fit_weighted(np.stack([np.ones_like(time), time - time.mean(), behind], axis=1), value, doubt)
    except NothingToMeasure:
        return None


def _in_uncertainties(step: LinearFit) -> float:
    return float(step.coefficients[2] / step.standard_uncertainties[2])


def _freedom(fit: LinearFit, doubt: FloatArray) -> float:
    share = fit.scatter**2 / (fit.scatter**2 + float(np.mean(doubt**2)))
    return fit.degrees_of_freedom / max(share, LEAST_SHARE_OF_SCATTER) ** 2


def _columns(results: Sequence[DatedResult]) -> tuple[FloatArray, FloatArray, FloatArray]:
    time, value, doubt = np.array(
        [(result.time, result.value, result.standard_uncertainty) for result in results], dtype=np.float64
    ).T
    return time, value, doubt


def _prove_enough(results: Sequence[DatedResult], fewest: int, what: str) -> None:
    if len(results) < fewest:
        raise NothingToMeasure(
            "series", f"{len(results)} results cannot show {what}", f"{fewest} at least; measure again later."
        )


def _two_sided(t: float, freedom: float) -> float:
    return float(2 * special.stdtr(freedom, -abs(t)))
