"""What clipping at black and white does to the mean of noisy pixels."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import special

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

FEWEST_CLIPPED: Final = 0.001  # share of a side's pixels; fewer shift its mean by less than a thousandth of the noise
FEWEST_DISTINCT: Final = 8  # exposures below a heap; fewer may be noise of less than a code
HEAP: Final = 4.0  # times as many pixels as on the next exposure inwards
HEAP_SHARE: Final = 0.01  # of a side's pixels at least
MOST_LOOKED_AT: Final = 2_000  # pixels for the step of a code and for heaps; more only cost time
LOWEST_CUT: Final = 4.0  # standard deviations from a bound beyond which all or nothing is cut
MOST_CLIPPED: Final = 0.9  # beyond it the pixels that are left do not tell the level


@dataclass(frozen=True, slots=True, kw_only=True)
class ClippedNoise:
    """Normal noise, its variance linear in the level, seen through clipping.

    Parameters
    ----------
    low, high : float
        Exposures of black and white; infinite where nothing is clipped.
    dark, bright : float
        Levels of both sides before clipping, in exposure.
    dark_variance, bright_variance : float
        Of single pixels there before clipping.
    """

    low: float
    high: float
    dark: float
    bright: float
    dark_variance: float
    bright_variance: float

    @property
    def clips(self) -> bool:
        """Whether anything is clipped at all."""
        return math.isfinite(self.low) or math.isfinite(self.high)

    def variance(self, level: FloatArray) -> FloatArray:
        """Return the variance of clipped pixels at levels before clipping, in squared exposure."""
        before = self._variance_before(level)
        sigma = np.sqrt(before)
        found = before.copy()
        for _, above in self._cuts(level):
            a = above / sigma
            mean = above + _beyond(above, sigma)
            square = (above**2 + before) * special.ndtr(a) + above * sigma * _density(a)
            found += square - mean**2 - before
        return np.asarray(np.maximum(found, 1e-3 * before), dtype=np.float64)

    def mean_and_slope(self, level: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the mean of clipped pixels at levels before clipping, in exposure, and its derivative by the level."""
        sigma = np.sqrt(self._variance_before(level))
        mean, by_level = level, np.ones_like(level)
        for sign, above in self._cuts(level):
            a = above / sigma
            mean = mean + sign * _beyond(above, sigma)
            by_level = by_level - special.ndtr(-a) + sign * 0.5 * self._variance_slope / sigma * _density(a)
        return np.asarray(mean, dtype=np.float64), np.asarray(by_level, dtype=np.float64)

    def _cuts(self, level: FloatArray) -> list[tuple[float, FloatArray]]:
        """Return 1 for black and -1 for white, those that cut, each with how far inside of it levels lie."""
        bounds = ((1.0, self.low), (-1.0, self.high))
        return [(sign, sign * (level - bound)) for sign, bound in bounds if math.isfinite(bound)]

    @property
    def _variance_slope(self) -> float:
        return (self.bright_variance - self.dark_variance) / (self.bright - self.dark)

    def _variance_before(self, level: FloatArray) -> FloatArray:
        floor = 0.25 * min(self.dark_variance, self.bright_variance) + 1e-16
        linear = self.dark_variance + self._variance_slope * (level - self.dark)
        return np.asarray(np.maximum(linear, floor), dtype=np.float64)


def _beyond(above: FloatArray, sigma: FloatArray) -> FloatArray:
    """Return the mean of what noise about levels inside of a bound reaches beyond it, zero where it does not."""
    a = above / sigma
    return np.asarray(sigma * _density(a) - above * special.ndtr(-a), dtype=np.float64)


def _density(value: FloatArray) -> FloatArray:
    return np.asarray(np.exp(-0.5 * value**2) / math.sqrt(2 * math.pi), dtype=np.float64)


def clipped_noise(
    dark: FloatArray,
    bright: FloatArray,
    bright_clipped: BoolArray,
    *,
    levels: tuple[float, float],
    variances: tuple[float, float],
) -> ClippedNoise:
    """Estimate levels and noise before clipping from the pixels of both sides of an edge.

    Parameters
    ----------
    dark, bright : ndarray of shape (n,) and (m,)
        Exposures of pixels well away from the edge.
    bright_clipped : ndarray of shape (m,), bool
        Which of the bright ones stand at the highest code.
    levels, variances : tuple of float
        Of dark and bright side as the surface fit found them; kept where nothing is clipped.

    Returns
    -------
    ClippedNoise
        Black is exposure 0 or where the dark pixels are heaped up, white the exposure of the clipped pixels.

    Notes
    -----
    The share p of pixels at a bound and the mean beyond it give level and noise of the normal distribution that was cut
    (a censored sample: J. Tobin, Econometrica 26, 24 (1958), from memory): with r = -inverse normal(p), the mean
    distance from the bound is sigma (r Phi(r) + phi(r)).

    Noise below that of rounding to a code is not believed (step / sqrt(12), GUM F.2.2.1): where a side rests on one
    code, the pixels between the sides are rounded all the same.
    """
    is_black = at_bound(dark, bound=0.0, sign=-1.0)
    black = float(np.median(dark[is_black])) if np.any(is_black) else 0.0
    dark_step, bright_step = _code_step(dark), _code_step(bright)
    variances = (
        max(variances[0], (dark_step or bright_step) ** 2 / 12),
        max(variances[1], (bright_step or dark_step) ** 2 / 12),
    )
    low, dark_before, dark_variance = _uncut(dark, is_black, levels[0], variances[0], bound=black, sign=1.0)
    white = float(np.median(bright[bright_clipped])) if np.any(bright_clipped) else math.inf
    high, bright_before, bright_variance = _uncut(
        bright, bright_clipped, levels[1], variances[1], bound=white, sign=-1.0
    )
    return ClippedNoise(
        low=low,
        high=high,
        dark=dark_before,
        bright=bright_before,
        dark_variance=dark_variance,
        bright_variance=bright_variance,
    )


def at_bound(pixels: FloatArray, *, bound: float, sign: float) -> BoolArray:
    """Say which pixels of one side were cut off.

    Parameters
    ----------
    pixels : ndarray of shape (n,)
        Exposures of one side.
    bound : float
        Exposure of black or white by the file's coding.
    sign : float
        1 where the bound lies above the pixels, -1 below.

    Returns
    -------
    ndarray of shape (n,), bool
        Those at the bound; or those at the outermost exposure where many are heaped up: 12 bits in a file of 16 end at
        4095, and some cameras add their pedestal after cutting.

    Notes
    -----
    Exposures are heaped up where `HEAP` times as many stand as on the next one inwards, hardly any beyond, and
    there are enough different ones to tell that from noise of less than a code.
    """
    outwards = sign * pixels
    found = outwards >= sign * bound
    some = outwards[:: 1 + pixels.size // MOST_LOOKED_AT]
    distinct, count = np.unique(some, return_counts=True)
    heap = int(np.argmax(count)) if count.size else 0
    if (
        heap < FEWEST_DISTINCT
        or count[heap] < max(HEAP * count[heap - 1], HEAP_SHARE * some.size)
        or np.sum(count[heap + 1 :]) > FEWEST_CLIPPED * some.size
    ):
        return np.asarray(found, dtype=np.bool_)
    return np.asarray(found | (outwards == distinct[heap]), dtype=np.bool_)


def share_cut(distance: float) -> float:
    """Return what share of normal noise is cut off at a bound, from the mean and the noise that are left.

    Parameters
    ----------
    distance : float
        Of the mean from the bound, over the standard deviation, both of what is left.

    Notes
    -----
    Cut at a standard deviations above its level, normal noise has the mean distance d = a Phi(a) + phi(a) from the
    bound and the mean square a d + Phi(a) (Tobin, as in `clipped_noise`): d over the deviation grows with a, and
    1 - Phi(a) is cut.
    """
    above = np.linspace(-LOWEST_CUT, LOWEST_CUT, 161)
    mean = above * special.ndtr(above) + np.exp(-0.5 * above**2) / math.sqrt(2 * math.pi)
    deviation = np.sqrt(above * mean + special.ndtr(above) - mean**2)
    return float(np.interp(distance, mean / deviation, special.ndtr(-above)))


def _code_step(pixels: FloatArray) -> float:
    """Return the least difference between exposures that stand there more than once, 0 where no two differ."""
    distinct, count = np.unique(pixels[:: 1 + pixels.size // MOST_LOOKED_AT], return_counts=True)
    repeated = distinct[count > 1]
    return float(np.min(np.diff(repeated))) if repeated.size > 1 else 0.0


def _uncut(
    pixels: FloatArray, at_bound: BoolArray, level: float, variance: float, *, bound: float, sign: float
) -> tuple[float, float, float]:
    """Return the bound (infinite where it does not matter), the level and the variance before the cut."""
    share = float(np.mean(at_bound)) if pixels.size else 0.0
    if not FEWEST_CLIPPED < share < MOST_CLIPPED:
        return -sign * math.inf, level, variance
    beyond = sign * (pixels - bound)
    half_step = 0.5 * float(np.min(beyond[~at_bound]))
    r = -float(special.ndtri(share))
    density = math.exp(-0.5 * r**2) / math.sqrt(2 * math.pi)
    sigma = max(float(np.mean(beyond)) - half_step * (1 - share), 0.0) / (r * float(special.ndtr(r)) + density)
    return bound, bound + sign * (half_step + r * sigma), sigma**2
