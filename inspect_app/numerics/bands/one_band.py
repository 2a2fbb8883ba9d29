"""How many bands there are where one is seen: what the shares of a strobe and the edges of the picture allow."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.bands.band_model import MODEL_SD, Profile, refined, shaped, stretched
from inspect_app.numerics.bands.fitted_bands import Bands

FloatArray = npt.NDArray[np.float64]

FLASH_SHARES: Final = (0.05, 0.5)
"""Of its period, for which a strobe is lit (common practice, no source)."""
_SOFTLY: Final = 0.1  # of itself, over which those bounds give way: a fitted share has an uncertainty too
_OPEN_SHARES: Final = (0.004, 0.95)  # of the strobe's period, for which a row is exposed; evenly in its logarithm
_COUNTS: Final = np.linspace(0.2, 1.99, 36)
_TRIES: Final = 12
_MOST_WORSE: Final = 9.0  # chi-squared by which counts of a usual strobe may fit worse than others


@dataclass(frozen=True, slots=True, kw_only=True)
class LikelyCount:
    """Bands over a profile that shows one rising and one falling edge.

    Parameters
    ----------
    count : float
        Mean of the periods over the whole profile.
    count_sd : float
        Its standard uncertainty.
    one_or_more : float
        Probability that there is a full period.
    """

    count: float
    count_sd: float
    one_or_more: float


def likely_count(found: Bands) -> LikelyCount | None:
    """Weigh how many bands there are in a profile whose fit leaves that open.

    Parameters
    ----------
    found : Bands
        The fit of a profile in which the distance of bands is not seen.

    Returns
    -------
    LikelyCount or None
        By Bayes' rule over counts from 0.2 to 2; None where no count goes with a strobe as described below, as where
        one edge alone is seen.

    Notes
    -----
    No two edges of one kind are seen, so the next band begins beyond the picture: that bounds the count from above. A
    strobe is lit for 5 to 50 % of its period: that bounds it to both sides, for one of the two lengths in the profile,
    band and ramp, is the flash. Each count is fitted by itself; its probability is the likelihood of that fit, times
    the probabilities of its two lengths, times the cube of the count, by which lengths and place in periods become
    those in the picture. Counts are equally likely beforehand.

    Breaks down for a strobe that is lit for longer or more briefly than that.
    """
    seen = found.seen
    fits = [_best_with(seen, found.by_rows, float(count)) for count in _COUNTS]
    costs = np.array([cost for cost, _ in fits])
    variance = found.variance + len(seen.values) * MODEL_SD**2
    weights = np.exp(-(costs - costs.min()) / variance) * _COUNTS**3
    shares = np.array([_share_density(*shape) for _, shape in fits])
    if costs[shares > 0].min(initial=np.inf) - costs.min() > _MOST_WORSE * variance / 2:
        return None
    weights *= shares
    weights /= weights.sum()
    count = float(weights @ _COUNTS)
    return LikelyCount(
        count=count,
        count_sd=float(np.sqrt(weights @ (_COUNTS - count) ** 2 + (_COUNTS[1] - _COUNTS[0]) ** 2 / 12)),
        one_or_more=float(weights[_COUNTS >= 1].sum()),
    )


def _best_with(seen: Profile, parameters: FloatArray, count: float) -> tuple[float, tuple[float, float]]:
    """Return the cost of the best fit with a number of bands, and its lengths in periods."""
    starts = stretched(parameters, count)
    best = min((refined(seen, start, count=count, tries=_TRIES) for start in starts), key=lambda fit: float(fit.cost))
    _, _, longer, shorter, *_ = shaped(best.x)
    return float(best.cost), (float(longer), float(shorter))


def _share_density(longer: float, shorter: float) -> float:
    """Return how likely two lengths are to be those of a flash and an exposure, whichever is which."""
    return _flash(longer) * _exposure(shorter) + _flash(shorter) * _exposure(longer)


def _flash(share: float) -> float:
    low, high = FLASH_SHARES
    rise = np.clip((share / low - 1) / _SOFTLY + 0.5, 0.0, 1.0)
    return float(rise * np.clip((1 - share / high) / _SOFTLY + 0.5, 0.0, 1.0))


def _exposure(share: float) -> float:
    return 1 / share if _OPEN_SHARES[0] <= share <= _OPEN_SHARES[1] else 0.0
