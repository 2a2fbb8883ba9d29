"""How long a logger stood before it went on, from how far its readings fell meanwhile."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import special

from inspect_app.numerics.discharge.smooth_paths import (
    BACK,
    FEWEST_BINS,
    FLOOR,
    GROWTH,
    Course,
    agreement,
    binned,
    followed,
    grown,
    jittered,
    onward,
    roughness_at,
    wandered,
)
from inspect_app.numerics.discharge.unlogged_fall import FallEnd, fall_end, likelihood_of_time

FloatArray = npt.NDArray[np.float64]

_SHORTEST: Final = 0.3  # usual intervals
_TRIED: Final = 160
_FINER: Final = (30, 30, 30)  # more times tried about the likeliest, in turn
_SURER: Final = 6.0  # logarithm: by how much likelier one interval must be than what a clock tells, and
_FALLEN: Final = 0.3  # of what the slopes make of that, the most that fell (own bench)
_LIKELIER: Final = 0.5  # probability of one interval above which it is reported, not the mean
_LONGEST: Final = 5.0  # times what was logged
_HOUR_S: Final = 3600.0  # by which clocks are set to summer time and to other zones,
_HOURS: Final = 24  # and at most by so many
_HOURS_ODDS: Final = 3.0  # that a clock was set by just that, over that nothing was logged for so long


@dataclass(frozen=True, slots=True)
class Unlogged:
    """Time from the last reading before to the first one after, its standard uncertainty, and whether both sides fall.

    `falls` says that the readings fall at the end before and at the beginning after, so that they tell a time at all.
    """

    seconds: float
    seconds_u: float
    falls: bool


@dataclass(frozen=True, slots=True, eq=False)
class _Courses:
    """A path up to where it is lost, and from its end back to where it is seen again; their unit of time."""

    before: Course
    after: Course
    span_s: float

    def likelihood(self, tried_s: FloatArray) -> FloatArray:
        """Return the logarithm of the likelihood of each time between them, shape (times, roughness)."""
        before, t = self.before, tried_s / self.span_s
        after = grown(self.after, np.outer(t, GROWTH))
        moved, strayed = onward(t)[:, None], wandered(t)[:, None]
        off = (moved @ before.state[:, :, None])[..., 0] - after.state @ BACK
        tied = moved @ before.covariance @ moved.swapaxes(-1, -2) + BACK @ after.covariance @ BACK
        together = agreement(off, jittered(tied + roughness_at(t / 2)[..., None, None] * strayed))
        return np.asarray(before.likelihood + after.likelihood + together)

    def are_falling(self) -> bool:
        """Say whether the path falls where it is seen again, and may fall, within a standard uncertainty, before."""
        (before, before_u), (after, _) = _end(self.before), _end(self.after)
        return bool(before[1] - before_u[1] < 0 < after[1])

    def share_fallen(self, told_s: float) -> float:
        """Return the most that fell between both ends, over the least that their slopes make of a time.

        Both are two standard uncertainties away from what is likely. Infinite where a slope may be none.
        """
        (before, before_u), (after, after_u) = _end(self.before), _end(self.after)
        most = before[0] - after[0] + 2 * np.hypot(before_u[0], after_u[0])
        least = min(-before[1] - 2 * before_u[1], after[1] - 2 * after_u[1]) * told_s / self.span_s
        return float(most / least) if least > 0 else np.inf


@dataclass(frozen=True, slots=True, eq=False)
class _Fall:
    """Both ends of a fall, the unit of time of their slopes, and for how long it was logged."""

    before: FallEnd
    after: FallEnd
    span_s: float
    logged_s: float

    def likelihood(self, tried_s: FloatArray) -> FloatArray:
        """Return the logarithm of the likelihood of each time between them, shape (times,)."""
        return likelihood_of_time(self.before, self.after, tried_s / self.span_s, self.logged_s / self.span_s)


def _end(course: Course) -> tuple[FloatArray, FloatArray]:
    """Return level and slope where a path ends, and their standard uncertainties, in the mean over roughness."""
    odds = special.softmax(course.likelihood)
    levels = course.state[:, :2]
    mean = odds @ levels
    variance = odds @ (course.covariance[:, (0, 1), (0, 1)] + (levels - mean) ** 2)
    return mean, np.sqrt(np.maximum(variance, 0.0))


def unlogged_time(
    before: tuple[FloatArray, FloatArray], after: tuple[FloatArray, FloatArray], usual_s: float, usual_u_s: float
) -> Unlogged | None:
    """Tell how long no reading was taken, where the clock does not.

    Parameters
    ----------
    before, after : tuple of two ndarray of shape (n,)
        Times (s, each side by its own clock) and readings, of the same fall.
    usual_s, usual_u_s : float
        The usual interval between two readings, and the standard uncertainty of a single one.

    Returns
    -------
    Unlogged or None
        None where there are too few readings, or they cover less than one usual interval.

    Notes
    -----
    The readings to either side are a smooth path and noise: the bend of the path is a Wiener process of unknown
    strength, which may grow or fade with time, as before the knee of a battery. Level, slope and bend are followed to
    either end (Kalman, J. Basic Eng. 82, 35 (1960), from memory), each side with a roughness of its own. How far the
    readings fell between both ends, over how steeply they fall there, tells the time, with what a fall may do that
    nobody saw (`unlogged_fall.likelihood_of_time`). Beforehand, it was one usual interval in half of all cases, and
    otherwise any time up to five times that of the log, evenly in its logarithm and in proportion to the share of the
    whole that was logged. One interval is reported where it is likelier than all else together, and otherwise the mean;
    either with the root mean square of what is left about it. Rounded readings are as good as noise of the same
    variance where noise spreads them over the steps, and else tell once each step.

    Own draw of discharges of 0.6 to 8 h with 0.2 to 5 mV of noise, flat with a knee of 1.5 to 8 % of the runtime,
    sloping, or with two plateaus; by the time that was not logged, 150 each (held within 2 u of 100; median and p90 of
    the error over the runtime): none 99, 0.002 and 0.08 %; 150 s to 30 min 88, 1.3 and 8 %; 30 to 90 min, at most 0.6
    of the runtime, 90, 4 and 37 %. On these the mean in all cases lost (none: 0.05 and 0.44 %, the others alike); the
    median (99, 0.002 and 0.05 %; 85, 1.1 and 8 %; 89, 5 and 37 %); the likelihood to a power of 0.6, with the median
    reported, which held 99, 92 and 96 with an u twice as wide, also where a pause was told well.

    What lost: one path of one roughness through both sides and the time between (100 of each: 98, 0.02 and 0.1 %; 68,
    1.4 and 15 %; 36, 18 and 34 %): it took what a knee or a second plateau does to the fall for a time. Logarithms of
    slopes that wander as a Wiener process (40 of each: all held, with u up to ten times the error). A normal
    distribution, not one of its logarithm, of how steep the unseen fall is (u of 10 % after 75 s of a quiet fall).

    Breaks down where the load changes, and where a fall has a plateau of its own that begins and ends while nothing is
    logged: the time is then told too long, by up to the runtime.
    """
    courses = _followed(before, after, usual_s)
    if courses is None:
        return None
    ends = fall_end(courses.before, 1), fall_end(courses.after, -1)
    usual = usual_s, float(np.hypot(usual_u_s, usual_s / 12**0.5))
    if ends[0] is None or ends[1] is None:
        return Unlogged(usual_s, float(np.hypot(usual_s, usual_u_s)), falls=False)
    logged_s = float(np.ptp(before[0]) + np.ptp(after[0]))
    fall = _Fall(ends[0], ends[1], courses.span_s, logged_s)
    return Unlogged(*_weighed(fall, *usual), courses.are_falling())


def chance_set_on(
    before: tuple[FloatArray, FloatArray], after: tuple[FloatArray, FloatArray], usual_s: float, told_s: float
) -> float:
    """Return the probability that readings went on after one usual interval, though a clock tells of a longer time.

    Parameters
    ----------
    before, after : tuple of two ndarray of shape (n,)
        As for `unlogged_time`.
    usual_s, told_s : float
        The usual interval between two readings, and what the clock tells of.

    Returns
    -------
    float
        0 or 1, but where the clock may have been set on by whole hours. 0 as well where the readings do not tell: too
        few, hardly falling, or noisy.

    Notes
    -----
    Two things are asked, for each alone is deceived. One interval must be likelier than the time told, by a factor of
    exp 6 in the mean over the strengths of `smooth_paths`; flat stretches under coarse rounding make it so as well (3
    of 129 true gaps). And the readings may have fallen by no more than 0.3 of what the flatter of both slopes makes of
    the time told, each within two standard uncertainties; a load that steps meanwhile makes it so as well.

    Where the time told is one interval and whole hours, to half an interval, as true gaps seldom are, both are weighed
    by how likely they are, the clock that was set three times as likely beforehand (common practice, no source). Of 400
    clocks set on by an hour and 400 true gaps of an hour, in falls of a knee with 0.4 to 20 mV of noise, all were held
    within 2 u, none was off by half an hour, and 1 had an u above ten minutes; two logs of another hand, of which
    one was believed with an u of a second, are both held.

    Own draw of 1.5 to 9 h, noise of 0.01 to 0.3 %, rounding to nothing, 1 or 10 mV, of 2 to 45 % of the runtime or an
    hour, both asked: 87 of 150 clocks that were set on are told as that; of true gaps 0 of 129, and of 126 under a
    temperature that waves; 2 of 118 each where the load stepped in the gap, and where it rested. The others are those
    of flat or noisy falls. Breaks down where a fall is steep at both ends of a true gap and flat within.
    """
    courses = _followed(before, after, usual_s)
    if courses is None:
        return 0.0
    as_usual, as_told = special.logsumexp(courses.likelihood(np.array([usual_s, told_s])), axis=1)
    if _is_whole_hours(told_s - usual_s, usual_s / 2):
        return float(special.expit(as_usual - as_told + np.log(_HOURS_ODDS)))
    return float(as_usual - as_told > _SURER and courses.share_fallen(told_s) < _FALLEN)


def _is_whole_hours(seconds: float, within_s: float) -> bool:
    hours = round(seconds / _HOUR_S)
    return 1 <= hours <= _HOURS and abs(seconds - hours * _HOUR_S) <= min(within_s, _HOUR_S / 60)


def _followed(
    before: tuple[FloatArray, FloatArray], after: tuple[FloatArray, FloatArray], usual_s: float
) -> _Courses | None:
    """Follow the readings to either end; None where there are too few, or they cover less than one usual interval."""
    sides = [binned(before[0][-1] - before[0][::-1], before[1][::-1]), binned(after[0] - after[0][0], after[1])]
    if min(len(side[0]) for side in sides) < FEWEST_BINS:
        return None
    span_s = max(float(side[0][-1]) for side in sides)
    if span_s < usual_s:
        return None
    middle = (sides[0][1][0] + sides[1][1][0]) / 2
    span_v = max(float(np.ptp(np.concatenate([side[1] for side in sides]))), FLOOR * abs(middle), 1e-30)
    earlier, later = (
        followed(way * t[::-1] / span_s, (v[::-1] - middle) / span_v, variance[::-1] / span_v**2)
        for way, (t, v, variance) in zip((-1, 1), sides, strict=True)
    )
    return _Courses(earlier, later, span_s)


def _weighed(fall: _Fall, usual_s: float, usual_u_s: float) -> tuple[float, float]:
    """Return the time and its standard uncertainty, by Bayes' rule: one interval where that is likelier than not."""
    tried_s, likely = _refined(fall, np.geomspace(_SHORTEST * usual_s, _LONGEST * fall.logged_s + usual_s, _TRIED))
    as_usual = float(fall.likelihood(np.array([usual_s]))[0])
    most = max(float(likely.max()), as_usual)
    seen = fall.logged_s / (fall.logged_s + tried_s)
    density = np.exp(likely - most) * seen / tried_s / np.log(tried_s[-1] / tried_s[0])
    other, odds = float(np.trapezoid(density, tried_s)), float(np.exp(as_usual - most))
    share = odds / (odds + other)
    moments = [usual_s, usual_s**2 + usual_u_s**2]
    for power in (1, 2):
        beyond = float(np.trapezoid(density * tried_s**power, tried_s))
        moments[power - 1] = share * moments[power - 1] + beyond / (odds + other)
    told_s = usual_s if share > _LIKELIER else moments[0]
    variance = moments[1] - 2 * told_s * moments[0] + told_s**2
    return told_s, float(np.sqrt(max(variance, 0.0)))


def _refined(fall: _Fall, tried_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return times, rising, with more of them about the likeliest, and the likelihood of each."""
    likely = fall.likelihood(tried_s)
    for more in _FINER:
        best = int(likely.argmax())
        low, high = tried_s[max(best - 2, 0)], tried_s[min(best + 2, len(tried_s) - 1)]
        finer = np.linspace(low, high, more + 2)[1:-1]
        likely = np.concatenate([likely, fall.likelihood(finer)])
        tried_s, order = np.unique(np.append(tried_s, finer), return_index=True)
        likely = likely[order]
    return tried_s, likely
