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
PICTURE_PRIOR: Final = (0.45, 0.28, 0.12, 0.03, 0.04, 0.04, 0.04)
"""Of the kinds that its picture may change in: a display steps, a phosphor decays, a scan ramps (as above)."""


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


def hypothesis_weights(lights: Sequence[Located], pictures: Sequence[Located], shutter_prior: FloatArray) -> FloatArray:
    """Return the probability of each shutter and kinds of light and picture after all events, shape (shutters, shapes).

    Notes
    -----
    One shutter filmed all events, and each trace keeps its kind of change, so their evidence multiplies over events.
    """
    logs = np.log(shutter_prior)[:, None, None]
    logs = logs + (np.sum([each.log_evidence for each in lights], axis=0) + np.log(LIGHT_PRIOR))[:, :, None]
    logs = logs + (np.sum([each.log_evidence for each in pictures], axis=0) + np.log(PICTURE_PRIOR))[:, None, :]
    return np.asarray(np.exp(logs - special.logsumexp(logs)).reshape(len(shutter_prior), -1))


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


def lag(found: Instants, weights: FloatArray, doubts: FloatArray) -> Lag:
    """Return the mean lag of the picture behind the light.

    Parameters
    ----------
    found : Instants
        Of each event under each hypothesis.
    weights : ndarray of shape (shutters, shapes)
        Probabilities of the hypotheses for the mean.
    doubts : ndarray of shape (shutters, shapes)
        Probabilities for its uncertainty: they take less for granted.

    Notes
    -----
    Law of total variance about the mean: the mean over hypotheses of the variance within each, plus the mean square by
    which shapes lie off the centre of their shutter, plus that by which the centres lie off the mean. What is not known
    of shutter and shapes is the same for all events and does not average out.

    Two weights, because one does not do for a single event between two steps: how far the shutter was open shows
    nowhere, the lag is off by (1 - open) x the difference of their places within the frame. Weights that trust an open
    shutter held 75 to 94 in 100 where it was open for a quarter to three quarters of the frame; weights that trust no
    shutter hold 92 to 98, but read the usual film with four times the error (own bench, 240 traces each).
    """
    lags = found.after - found.before
    within = ((found.after_sd**2 + found.before_sd**2) * doubts).sum(axis=(1, 2))
    count = len(lags)
    per_hypothesis = lags.mean(axis=0)
    mean = float((per_hypothesis * weights).sum())
    events = (lags * weights).sum(axis=(1, 2))
    excess = 0.0 if count < 2 else max(0.0, float(events.var(ddof=1)) - float(within.mean()))
    likely = doubts.sum(axis=1)
    centres = (per_hypothesis * doubts).sum(axis=1) / np.maximum(likely, np.finfo(np.float64).tiny)
    return Lag(
        mean=mean,
        from_noise=float(np.sqrt(within.sum())) / count,
        from_shape=float(np.sqrt((doubts * (per_hypothesis - centres[:, None]) ** 2).sum())),
        from_shutter=float(np.sqrt(likely @ (centres - mean) ** 2)),
        from_spread=float(np.sqrt(excess / count)),
        events=tuple(float(event) for event in events),
    )
