"""By how much clipping at black lifts the means of noisy rows."""

from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import special

FloatArray = npt.NDArray[np.float64]

_FEWEST_BLACK: Final = 0.001  # of a row; fewer shift its mean by less than a thousandth of the noise
_DEEPEST: Final = -1.0  # standard deviations: further below black next to nothing is left that tells the noise


def without_lift(picture: FloatArray) -> FloatArray:
    """Return a picture less the means by which clipping at black lifts its rows.

    Parameters
    ----------
    picture : ndarray of shape (rows, cols)
        Proportional to exposure, black at 0.

    Returns
    -------
    ndarray of shape (rows, cols)
        Each row less one value of its own: what columns differ by stays as it is.

    Notes
    -----
    Of normal noise of deviation s about a level that lies a s above black, the share of black pixels is the normal
    distribution at -a, and the mean is lifted by s times (density at a less a times that share); s follows from what
    neighbouring columns differ by, which a texture hardly does, and from the variance that is left of clipped noise
    (algebra of the censored normal distribution). Codes are rounded, so black begins half a code above 0.

    Breaks down for levels further below black than one deviation, for which that one is taken, where neighbours
    share their noise, and where white cuts it off as well.
    """
    is_black = picture <= 0
    share = is_black.mean(axis=1)
    if float(share.max()) < _FEWEST_BLACK or is_black.all():
        return picture
    apart = np.mean(np.diff(picture, axis=1) ** 2, axis=1) / 2
    lift = _lift(np.clip(share, _FEWEST_BLACK, 1.0), apart, float(picture[~is_black].min()))
    return np.asarray(picture - np.where(share < _FEWEST_BLACK, 0.0, lift)[:, None])


def _lift(share: FloatArray, apart: FloatArray, code: float) -> FloatArray:
    """Return by how much rows are lifted, by the shares of them at black and by the variances of their pixels.

    With a the level over black in deviations s of the noise, p the share at black, f the density there and
    m = a (1 - p) + f, the variance of clipped and rounded pixels is
    s² ((a² + 1) (1 - p) + a f - m²) + c s p m + c² (p / 4 + 1 / 12) (1 - p) for a code c.
    """
    above = np.maximum(-special.ndtri(share), _DEEPEST)
    density, below = np.exp(-(above**2) / 2) / np.sqrt(2 * np.pi), special.ndtr(-above)
    mean = above * (1 - below) + density
    square = (above**2 + 1) * (1 - below) + above * density - mean**2
    half = code * below * mean / 2
    rest = apart - code**2 * (below / 4 + 1 / 12) * (1 - below)
    noise = (np.sqrt(half**2 + square * np.maximum(rest, 0.0)) - half) / square
    return np.asarray(np.maximum(noise * density - (above * noise + code / 2) * below, 0.0))
