"""The lag of one trace behind another, over several events and over what is not known of the shutter."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from inspect_app.numerics.transitions import Instants

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Lag:
    """A mean lag and the parts of its doubt, all in the unit of the traces.

    Parameters
    ----------
    mean : float
        Over events and shutters.
    from_noise : float
        Standard uncertainty of the mean from noise and from the unknown place inside a frame.
    from_shutter : float
        Standard uncertainty from not knowing how long the shutter stood open.
    from_spread : float
        Standard uncertainty of the mean from events that differ by more than their noise; 0 for one event.
    events : tuple of float
        The lag of each event.
    """

    mean: float
    from_noise: float
    from_shutter: float
    from_spread: float
    events: tuple[float, ...]


def shutter_weights(fits: Sequence[tuple[Instants, ...]], prior: Sequence[float]) -> FloatArray:
    """Return the probability of each shutter after all fits, shape (shutters,)."""
    logs = np.log(np.asarray(prior, dtype=np.float64))
    for fit in fits:
        logs = logs + np.array([instants.log_evidence for instants in fit])
    return np.asarray(np.exp(logs - special.logsumexp(logs)))


def lag(before: tuple[FloatArray, FloatArray], after: tuple[FloatArray, FloatArray], weights: FloatArray) -> Lag:
    """Return the mean lag of `after` behind `before`.

    Parameters
    ----------
    before, after : tuple of two ndarrays of shape (events, shutters)
        Instants and their standard deviations.
    weights : ndarray of shape (shutters,)
        Probability of each shutter; it is the same for all events of a capture.

    Notes
    -----
    Law of total variance: the mean over shutters of the variance within each, plus the variance of the means.
    """
    lags = after[0] - before[0]
    within = (after[1] ** 2 + before[1] ** 2) @ weights
    count = len(lags)
    per_shutter = lags.mean(axis=0)
    mean = float(per_shutter @ weights)
    events = lags @ weights
    excess = 0.0 if count < 2 else max(0.0, float(events.var(ddof=1)) - float(within.mean()))
    return Lag(
        mean=mean,
        from_noise=float(np.sqrt(within.sum())) / count,
        from_shutter=float(np.sqrt(weights @ (per_shutter - mean) ** 2)),
        from_spread=float(np.sqrt(excess / count)),
        events=tuple(float(event) for event in events),
    )
