"""The lag of one trace behind another, over several events and over what is not known of the shutter."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import special

from inspect_app.numerics.transitions import Located

FloatArray = npt.NDArray[np.float64]

LIGHT_PRIOR: Final = (0.90, 0.05, 0.03, 0.02)
"""Of the kinds that a light may switch in: an LED steps (common practice, no source)."""
PICTURE_PRIOR: Final = (0.44, 0.18, 0.14, 0.03, 0.03, 0.03, 0.03, 0.02, 0.05, 0.05)
"""Of the kinds that its picture may change in: a display steps, a phosphor decays, a scan ramps, or shows as stairs (as
above). Trusting steps less (0.26) reads first changes of 320 films within 0.259 instead of 0.288 frames (p90), but
those of steps a quarter of a frame early."""
PICTURE_DOUBT: Final = (0.30, 0.13, 0.20, 0.05, 0.05, 0.05, 0.05, 0.05, 0.06, 0.06)
"""Of the same, where less is taken for granted: a scan over most of a frame passes for a step, and is a ramp of few of
all widths; so do stairs. Of 108 traces each, shutters open for a quarter to all of the frame, first changes of ramps
are held 93 of 100, of steps 99; with ramps at 0.32 and steps at 0.15, 96 and 99, u of the steps a tenth wider; with
0.17 and 0.40, and an open shutter trusted more (0.6), 87 and 97."""
_STEADY: Final = 0.6  # probability that all events lag alike,
_SPREADS: Final = np.concatenate([[0.0], np.geomspace(0.03, 10, 12)])  # and by how many intervals they differ if not
_LEAST: Final = 0.01  # intervals: no single lag is known better


@dataclass(frozen=True, slots=True, kw_only=True)
class Lag:
    """A mean lag and the parts of its doubt, all in the unit of the traces.

    Parameters
    ----------
    mean : float
        Over events and hypotheses.
    from_noise : float
        Standard uncertainty of the mean from noise and from the unknown place inside a frame.
    from_shape : float
        Standard uncertainty from not knowing in which shape light and picture go.
    from_shutter : float
        Standard uncertainty from not knowing how long the shutter stood open; 0 where that is known.
    from_spread : float
        Standard uncertainty of the mean from events that differ by more than their noise; 0 for one event.
    events : tuple of float
        The lag of each event.
    """

    mean: float
    from_noise: float
    from_shape: float
    from_shutter: float
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
    log_evidence : ndarray
        Of each hypothesis, up to a constant that all share; 0 for one event.
    """

    means: FloatArray
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
    light, picture = (_told(side) for side in (lights, pictures))
    return _weights(shutter_prior, light + np.log(LIGHT_PRIOR), picture + np.log(PICTURE_PRIOR), agreed)


def hypothesis_doubts(
    lights: Sequence[Located], pictures: Sequence[Located], shutter_doubt: FloatArray, agreed: FloatArray
) -> FloatArray:
    """Return the same where less is taken for granted, for the uncertainty of what the weights say.

    Notes
    -----
    Events share the width of their change, which each of them leaves open anew: what they say of shapes is not
    multiplied over them, but taken as one event says it on the average. Of shutters all of it counts.
    """
    light, picture = (
        _tempered(_told(side) + np.log(prior), np.log(prior), 1 / len(side))
        for side, prior in ((lights, LIGHT_PRIOR), (pictures, PICTURE_DOUBT))
    )
    return _weights(shutter_doubt, light, picture, agreed)


def _told(side: Sequence[Located]) -> FloatArray:
    """Return the log evidence of all events, shape (shutters, kinds)."""
    return np.asarray(np.sum([each.log_evidence for each in side], axis=0))


def _tempered(logs: FloatArray, prior_logs: FloatArray, power: float) -> FloatArray:
    """Return log probabilities: kinds told apart by a power of their evidence, shutters by all of it."""
    of_shutters = special.logsumexp(logs, axis=1, keepdims=True)
    of_kinds = power * (logs - prior_logs) + prior_logs
    return np.asarray(of_kinds - special.logsumexp(of_kinds, axis=1, keepdims=True) + of_shutters)


def _weights(shutters: FloatArray, light: FloatArray, picture: FloatArray, agreed: FloatArray) -> FloatArray:
    logs = np.log(shutters)[:, None, None] + light[:, :, None] + picture[:, None, :]
    logs = logs.reshape(len(shutters), -1) + agreed
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
    variance = (found.after_sd**2 + found.before_sd**2) / interval**2 + _LEAST**2
    weights = 1 / (variance + (_SPREADS**2)[:, None, None, None])
    total = weights.sum(axis=1)
    means = (weights * lags).sum(axis=1) / total
    off = (weights * (lags - means[:, None]) ** 2).sum(axis=1)
    prior = np.append(_STEADY, np.full(len(_SPREADS) - 1, (1 - _STEADY) / (len(_SPREADS) - 1)))
    logs = np.log(prior)[:, None, None] + 0.5 * (np.log(weights).sum(axis=1) - np.log(total) - off)
    told = np.zeros(means.shape[1:]) if len(lags) == 1 else special.logsumexp(logs, axis=0)
    return Agreement(means=(special.softmax(logs, axis=0) * means).sum(axis=0) * interval, log_evidence=told)


def lag(found: Instants, interval: float, weights: FloatArray, doubts: FloatArray) -> Lag:
    """Return the mean lag of the picture behind the light.

    Parameters
    ----------
    found : Instants
        Of each event under each hypothesis.
    interval : float
        Usual time between samples.
    weights : ndarray of shape (shutters, shapes)
        Probabilities of the hypotheses for the mean.
    doubts : ndarray of shape (shutters, shapes)
        Probabilities for its uncertainty: they take less for granted.

    Notes
    -----
    Law of total variance about the mean: the mean over hypotheses of the variance within each, plus the mean square by
    which shapes lie off the centre of their shutter, plus that by which the centres lie off the mean. What is not known
    of shutter and shapes is the same for all events and does not average out; nor does the place within the frame
    where the events share it (flashes in step with the film).

    Two weights, because one does not do for a single event between two steps: how far the shutter was open shows
    nowhere, the lag is off by (1 - open) x the difference of their places within the frame. Weights that trust an open
    shutter held 75 to 94 in 100 where it was open for a quarter to three quarters of the frame; weights that trust no
    shutter hold 92 to 98, but read the usual film with four times the error (own bench, 240 traces each).
    """
    lags = found.after - found.before
    within = ((found.after_sd**2 + found.before_sd**2) * doubts).sum(axis=(1, 2))
    count = len(lags)
    per_hypothesis = agreement(found, interval).means
    mean = float((per_hypothesis * weights).sum())
    events = (lags * weights).sum(axis=(1, 2))
    excess = 0.0 if count < 2 else max(0.0, float(events.var(ddof=1)) - float(within.mean()))
    likely = doubts.sum(axis=1)
    centres = (per_hypothesis * doubts).sum(axis=1) / np.maximum(likely, np.finfo(np.float64).tiny)
    return Lag(
        mean=mean,
        from_noise=float(np.sqrt(within.mean() * _alike((found.before * weights).sum(axis=(1, 2)) / interval))),
        from_shape=float(np.sqrt((doubts * (per_hypothesis - centres[:, None]) ** 2).sum())),
        from_shutter=float(np.sqrt(likely @ (centres - mean) ** 2)),
        from_spread=float(np.sqrt(excess / count)),
        events=tuple(float(event) for event in events),
    )


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
