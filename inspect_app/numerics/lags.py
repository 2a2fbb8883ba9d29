"""The lag of one trace behind another, over several events and over what is not known of the shutter."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import special

from inspect_app.numerics.transitions import KINDS, Located

FloatArray = npt.NDArray[np.float64]

LIGHT_PRIOR: Final = (0.90, 0.05, 0.03, 0.02)
"""Of the kinds that a light may switch in: an LED steps (common practice, no source)."""
PICTURE_PRIOR: Final = (0.50, 0.30, 0.15, 0.05)
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
    from_model : float
        Standard uncertainty from not knowing how long the shutter stood open and in which shape light and picture go.
    from_spread : float
        Standard uncertainty of the mean from events that differ by more than their noise; 0 for one event.
    events : tuple of float
        The lag of each event.
    """

    mean: float
    from_noise: float
    from_model: float
    from_spread: float
    events: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Instants:
    """When light and picture change under every hypothesis: a shutter, a kind of the light, a kind of the picture.

    Parameters
    ----------
    before, before_sd, after, after_sd : ndarray of shape (events, hypotheses)
        Instants of the light and of its picture, and their standard deviations.
    """

    before: FloatArray
    before_sd: FloatArray
    after: FloatArray
    after_sd: FloatArray


def hypothesis_weights(lights: Sequence[Located], pictures: Sequence[Located], shutter_prior: FloatArray) -> FloatArray:
    """Return the probability of each shutter and kinds of light and picture after all events, shape (hypotheses,).

    Notes
    -----
    One shutter filmed all events, and each trace keeps its kind of change, so their evidence multiplies over events.
    """
    logs = np.log(shutter_prior)[:, None, None]
    logs = logs + (np.sum([each.log_evidence for each in lights], axis=0) + np.log(LIGHT_PRIOR))[:, :, None]
    logs = logs + (np.sum([each.log_evidence for each in pictures], axis=0) + np.log(PICTURE_PRIOR))[:, None, :]
    return np.asarray(np.exp(logs - special.logsumexp(logs)).ravel())


def instants(lights: Sequence[Located], pictures: Sequence[Located], which: str) -> Instants:
    """Return the instants called `which`, ``onset`` or ``half``, under every hypothesis."""
    shape = (len(lights), *lights[0].onset.shape, len(KINDS))

    def spread(found: Sequence[Located], name: str, axis: int) -> FloatArray:
        table = np.expand_dims(np.stack([getattr(each, name) for each in found]), axis)
        return np.asarray(np.broadcast_to(table, shape).reshape(len(found), -1))

    return Instants(
        before=spread(lights, which, 3),
        before_sd=spread(lights, f"{which}_sd", 3),
        after=spread(pictures, which, 2),
        after_sd=spread(pictures, f"{which}_sd", 2),
    )


def lag(found: Instants, weights: FloatArray) -> Lag:
    """Return the mean lag of the picture behind the light.

    Parameters
    ----------
    found : Instants
        Of each event under each hypothesis.
    weights : ndarray of shape (hypotheses,)
        Their probabilities.

    Notes
    -----
    Law of total variance: the mean over hypotheses of the variance within each, plus the variance of the means. What
    is not known of shutter and shapes is the same for all events and does not average out.
    """
    lags = found.after - found.before
    within = (found.after_sd**2 + found.before_sd**2) @ weights
    count = len(lags)
    per_hypothesis = lags.mean(axis=0)
    mean = float(per_hypothesis @ weights)
    events = lags @ weights
    excess = 0.0 if count < 2 else max(0.0, float(events.var(ddof=1)) - float(within.mean()))
    return Lag(
        mean=mean,
        from_noise=float(np.sqrt(within.sum())) / count,
        from_model=float(np.sqrt(weights @ (per_hypothesis - mean) ** 2)),
        from_spread=float(np.sqrt(excess / count)),
        events=tuple(float(event) for event in events),
    )
