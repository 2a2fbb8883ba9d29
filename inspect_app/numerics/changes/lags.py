"""The lag of one trace behind another, over several events and over what is not known of the shutter."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import special

from inspect_app.numerics.changes.transitions import Located

FloatArray = npt.NDArray[np.float64]

LIGHT_PRIOR: Final = (0.90, 0.05, 0.03, 0.02)
"""Of the kinds that a light may switch in: an LED steps (common practice, no source)."""
_STAIRS_PRIOR: Final = (0.025, 0.025, 0.004, 0.004, 0.002, 0.01, 0.01, 0.005, 0.005, 0.005, 0.005)
PICTURE_PRIOR: Final = (0.44, 0.15, 0.14, 0.02, 0.03, 0.03, 0.03, 0.02, 0.015, 0.015, 0.01, *_STAIRS_PRIOR)
"""Of the kinds that its picture may change in: a display steps, a phosphor decays, a scan ramps, or shows as stairs (as
above). Trusting steps less (0.26) reads first changes of 320 films within 0.259 instead of 0.288 frames (p90), but
those of steps a quarter of a frame early. A scan over most of a frame passes for a step: of 108 traces each, shutters
open for a quarter to all of the frame, first changes of ramps are held 90 of 100, of steps 100."""
_STEADY: Final = 0.6  # probability that all events lag alike,
_SPREADS: Final = np.concatenate([[0.0], np.geomspace(0.03, 10, 12)])  # and by how many intervals they differ if not
_LEAST: Final = 0.01  # intervals: no single lag is known better
_FEWEST_APART: Final = 2  # events that rise, and that fall, to tell how much each of them differ
_SHORTEST: Final = 0.1  # interval: over so much lags are spread at least, if at all,
_FURTHER: Final = 3.0  # and at most over so many times what the events are, where that is more than is usual
_WIDTHS: Final = 40
_UNSPREAD: Final = 0.9  # probability that they are not: few that agree are then hardly doubted
_HELD: Final = float(special.ndtr(2) - special.ndtr(-2))  # probability that a mean ± 2 u is to hold
_HALVINGS: Final = 40  # of an interval that holds so much


@dataclass(frozen=True, slots=True, kw_only=True)
class Lag:
    """A mean lag and the parts of its doubt, all in the unit of the traces; their squares add up to that of the doubt.

    Parameters
    ----------
    mean : float
        Over events; over hypotheses their median.
    from_noise : float
        Standard uncertainty of the mean from noise and from the unknown place inside a frame.
    from_shape : float
        Standard uncertainty from not knowing in which shape light and picture go.
    from_shutter : float
        Standard uncertainty from not knowing how long the shutter stood open; 0 where that is known.
    from_rounding : float
        Standard uncertainty that was given besides: of codes, clock, and shapes that are not fitted.
    from_spread : float
        Standard uncertainty of the mean from events that differ by more than their noise; 0 for one event.
    events : tuple of float
        The lag of each event.
    """

    mean: float
    from_noise: float
    from_shape: float
    from_shutter: float
    from_rounding: float
    from_spread: float
    events: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Instants:
    """When light and picture change under every hypothesis: a shutter, and shapes, a kind each of light and picture.

    Parameters
    ----------
    before, before_sd, after, after_sd : ndarray of shape (events, shutters, shapes)
        Instants of the light and of its picture, and their standard deviations.
    """

    before: FloatArray
    before_sd: FloatArray
    after: FloatArray
    after_sd: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """What several events say together; arrays of shape (shutters, shapes).

    Parameters
    ----------
    means : ndarray
        Common lag, in the unit of the traces.
    variances : ndarray
        Of the common lag, by the noise of the events alone, if no two share their place within a frame.
    log_evidence : ndarray
        Of each hypothesis, up to a constant that all share; 0 for one event.
    """

    means: FloatArray
    variances: FloatArray
    log_evidence: FloatArray


def hypothesis_weights(
    lights: Sequence[Located], pictures: Sequence[Located], shutter_prior: FloatArray, agreed: FloatArray
) -> FloatArray:
    """Return the probability of each shutter and kinds of light and picture after all events, shape (shutters, shapes).

    Parameters
    ----------
    lights, pictures : sequence of Located
        One of each for each event.
    shutter_prior : ndarray of shape (shutters,)
        Probability of each shutter before.
    agreed : ndarray of shape (shutters, shapes)
        What the lags together say, as `agreement` finds it.

    Notes
    -----
    One shutter filmed all events, and each trace keeps its kind of change, so their evidence multiplies over events.
    """
    light, picture = (
        np.sum([each.log_evidence for each in side], axis=0) + np.log(prior)
        for side, prior in ((lights, LIGHT_PRIOR), (pictures, PICTURE_PRIOR))
    )
    logs = np.log(shutter_prior)[:, None, None] + light[:, :, None] + picture[:, None, :]
    logs = logs.reshape(len(shutter_prior), -1) + agreed
    return np.asarray(np.exp(logs - special.logsumexp(logs)))


def instants(lights: Sequence[Located], pictures: Sequence[Located], which: str) -> Instants:
    """Return the instants called `which`, ``onset`` or ``half``, under every hypothesis."""
    shape = (len(lights), *lights[0].onset.shape, pictures[0].onset.shape[1])

    def spread(found: Sequence[Located], name: str, axis: int) -> FloatArray:
        table = np.expand_dims(np.stack([getattr(each, name) for each in found]), axis)
        return np.asarray(np.broadcast_to(table, shape).reshape(*shape[:2], -1))

    return Instants(
        before=spread(lights, which, 3),
        before_sd=spread(lights, f"{which}_sd", 3),
        after=spread(pictures, which, 2),
        after_sd=spread(pictures, f"{which}_sd", 2),
    )


def agreement(found: Instants, interval: float) -> Agreement:
    """Return what the lags of several events say together, under every hypothesis.

    Parameters
    ----------
    found : Instants
        Of each event under each hypothesis.
    interval : float
        Usual time between samples.

    Notes
    -----
    Lags are taken as one common lag, any as likely as any other, and a spread: none (0.6), or from 0.03 to 10
    intervals, alike likely in its logarithm. Under the true shutter the lags of a device that is always equally late
    agree, and those told well count more than those that fell while the shutter was closed; where the device itself
    wavers, all count alike. Of 35 films of phosphors, 1 to 10 events each, the shutter open for 0.3 to 1 of the frame,
    half of the swing came within 0.08 frames (p90); with plain means, and without this evidence, within 0.11.
    """
    lags = (found.after - found.before) / interval
    variance = (found.after_sd**2 + found.before_sd**2) / interval**2
    weights = 1 / (variance + _LEAST**2 + (_SPREADS**2)[:, None, None, None])
    total = weights.sum(axis=1)
    means = (weights * lags).sum(axis=1) / total
    off = (weights * (lags - means[:, None]) ** 2).sum(axis=1)
    prior = np.append(_STEADY, np.full(len(_SPREADS) - 1, (1 - _STEADY) / (len(_SPREADS) - 1)))
    logs = np.log(prior)[:, None, None] + 0.5 * (np.log(weights).sum(axis=1) - np.log(total) - off)
    told = np.zeros(means.shape[1:]) if len(lags) == 1 else special.logsumexp(logs, axis=0)
    likely = special.softmax(logs, axis=0)
    mean = (likely * means).sum(axis=0)
    of_noise = (weights**2 * variance).sum(axis=1) / total**2
    return Agreement(
        means=mean * interval,
        variances=(likely * (of_noise + (means - mean) ** 2)).sum(axis=0) * interval**2,
        log_evidence=told,
    )


def lag(
    found: Instants,
    interval: float,
    weights: FloatArray,
    rounding: FloatArray,
    rises: Sequence[bool],
    longest: float,
) -> Lag:
    """Return the mean lag of the picture behind the light, over events.

    Parameters
    ----------
    found : Instants
        Of each event under each hypothesis.
    interval : float
        Usual time between samples.
    weights : ndarray of shape (shutters, shapes)
        Probabilities of the hypotheses.
    rounding : ndarray of shape (shutters, shapes)
        Standard uncertainty of codes, clock and shape that each hypothesis has besides, in the unit of the traces;
        above 0.
    rises : sequence of bool
        Whether the picture becomes brighter, for each event.
    longest : float
        Time over which the lags of a device may be spread evenly, as by its refresh; in the unit of the traces.

    Notes
    -----
    Events count for the doubt by as much as for the mean: one that lit a frame in part tells the lag ten times finer
    than one that fell while the shutter was closed. With the mean of their variances instead, u of the half of 47 films
    of steps, 2 to 12 events each, shutters open for 0.15 to 1 of the frame, was 0.047 instead of 0.032 frames (median),
    and error / u 0.63 instead of 0.71 (rms); of 31 of phosphors 0.120 instead of 0.055, and 0.28 instead of 0.42 (here
    also by what comes faster than it goes, which is not counted as a spread). Both held 98 and 100 of 100. Events that
    differ by no more than their noise leaves likely are hardly doubted for it.

    Under each hypothesis the lag has a normal distribution. Their mixture is a peak with long, thin tails: an open
    shutter or a step is likely, others are not, and lie far off, most of them to one side. Its median is hardly moved
    by those, its mean is: of 291 films with the shutter open throughout, means had halves within 0.093 frames (p90) and
    first changes 0.033 early and within 0.226, half of them within 0.064; medians 0.080, and 0.006, 0.243 and 0.036. Of
    432 traces with shutters open for 0.2 to 1 of the frame 93 first changes and 95 halves of 100 are held, with means
    94 and 96.

    The uncertainty is half of what the median must be given to either side to hold 95.45 % of it (a coverage interval:
    JCGM 101:2008, 7.7, from memory). What lost: the standard deviation of a mixture whose weights took less for granted
    than those of the mean. Of 336 films with the shutter open for 0.75 to 1 of the frame it held 99 first changes and
    100 halves of 100 at an error / u of 0.49 and 0.55 (rms), the interval about the mean 99 and 100 at 0.57 and 0.58;
    of 432 other traces, shutters open for 0.2 to 1 and not told, 97 and 95, the interval 96 and 94.

    The interval is shared out by the law of total variance: the mean over hypotheses of the variance within each, the
    mean square by which shapes lie off the centre of their shutter, that by which the centres lie off their mean. What
    is not known of shutter and shapes is the same for all events and does not average out; nor does the place within
    the frame where the events share it (flashes in step with the film).

    A display shows a change at its next refresh, so its lags spread, and the events are a sample of them. Few of them
    tell little of how widely: any width up to the longest is as likely as any other before (each a normal
    distribution), and their mean variance counts. Of 148 films of displays at 50 to 120 a second, 2 to 12 switches
    each, the mean lag of the display was held 95 times of 100 at an error / u of 1.2 (rms); with the variance of the
    sample 86 and 1.5, with widths alike likely by their logarithm 93 and 1.26.
    """
    lags = found.after - found.before
    count = len(lags)
    alike = _alike((found.before * weights).sum(axis=(1, 2)) / interval)
    agreed = agreement(found, interval)
    per_hypothesis, within = agreed.means, agreed.variances * (count * alike)
    middle = _median(per_hypothesis, np.sqrt(within + rounding**2), weights)
    events = (lags * weights).sum(axis=(1, 2))
    of_noise = ((found.after_sd**2 + found.before_sd**2) * weights).sum(axis=(1, 2)) + (_LEAST * interval) ** 2
    spread = _spread(events, of_noise, np.array(rises), _SHORTEST * interval, longest)
    likely = weights.sum(axis=1)
    centres = (per_hypothesis * weights).sum(axis=1) / np.maximum(likely, np.finfo(np.float64).tiny)
    shapes = float((weights * (per_hypothesis - centres[:, None]) ** 2).sum())
    apart = likely @ (centres - likely @ centres) ** 2
    parts = np.sqrt([(within * weights).sum(), shapes, apart, (weights * rounding**2).sum()])
    doubt = _half_width(per_hypothesis - middle, np.sqrt(within + rounding**2), weights) / 2
    shared = parts * doubt / float(np.sqrt(parts @ parts))
    from_noise, from_shape, from_shutter, from_rounding = (float(part) for part in shared)
    return Lag(
        mean=middle,
        from_noise=from_noise,
        from_shape=from_shape,
        from_shutter=from_shutter,
        from_rounding=from_rounding,
        from_spread=float(np.sqrt(spread / count)) if count > 1 else 0.0,
        events=tuple(float(event) for event in events),
    )


def _spread(
    events: FloatArray, of_noise: FloatArray, rises: npt.NDArray[np.bool_], shortest: float, longest: float
) -> float:
    """Return the variance of a device's own lags: its mean over how widely they may be spread, by what events tell.

    Those that rise, and those that fall, tell it apart: a picture that comes faster than it goes does not waver.
    """
    longest = max(longest, 2 * shortest, _FURTHER * float(np.ptp(events)))
    widths = np.concatenate([[0.0], np.geomspace(shortest, longest, _WIDTHS)])
    prior = np.append(_UNSPREAD, (1 - _UNSPREAD) * widths[1:] / widths.sum())  # any width as likely as any other
    logs, variances = np.log(prior), widths**2 / 12
    sides = [rises, ~rises]
    for side in sides if min(int(each.sum()) for each in sides) >= _FEWEST_APART else [rises | True]:
        weights = 1 / (of_noise[side] + variances[:, None])
        total = weights.sum(axis=1)
        means = weights @ events[side] / total
        off = (weights * (events[side] - means[:, None]) ** 2).sum(axis=1)
        logs += 0.5 * (np.log(weights).sum(axis=1) - np.log(total) - off)
    return float(special.softmax(logs) @ variances)


def _median(means: FloatArray, sds: FloatArray, weights: FloatArray) -> float:
    """Return the median of a mixture of normal distributions."""
    least, most = float((means - 6 * sds).min()), float((means + 6 * sds).max())
    for _ in range(_HALVINGS):
        middle = (least + most) / 2
        below = float((weights * special.ndtr((middle - means) / sds)).sum())
        least, most = (least, middle) if below > 0.5 * float(weights.sum()) else (middle, most)
    return (least + most) / 2


def _half_width(means: FloatArray, sds: FloatArray, weights: FloatArray) -> float:
    """Return how far to either side of 0 a mixture of normal distributions must be taken to hold 95.45 % of it."""
    least, most = 0.0, float((np.abs(means) + 6 * sds).max())
    for _ in range(_HALVINGS):
        width = (least + most) / 2
        held = float((weights * (special.ndtr((width - means) / sds) - special.ndtr((-width - means) / sds))).sum())
        least, most = (least, width) if held > _HELD * float(weights.sum()) else (width, most)
    return most


def _alike(places: FloatArray) -> float:
    """Return by how much the variance of one event shrinks in the mean: to 1 / n, or to 1 where all share one place.

    Places are counted in intervals; how alike they are is told by the mean of their directions on a circle.
    """
    count = len(places)
    if count == 1:
        return 1.0
    together = float(np.abs(np.exp(2j * np.pi * places).mean()) ** 2)
    shared = max(0.0, (count * together - 1) / (count - 1))
    return (1 + (count - 1) * shared) / count
