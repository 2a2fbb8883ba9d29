"""How many bands there are where the likelihood of their number has many minima: all of its valley is weighed."""

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import optimize

from inspect_app.numerics.bands.band_model import Profile, refined, shaped

FloatArray = npt.NDArray[np.float64]

_LARGEST_STEP: Final = 0.01  # of the count
_MOST_STEPS: Final = 25  # to either side
_BORDER: Final = 20.0  # logarithm by which what lies beyond is less likely
_OVER: Final = 3.0  # likewise, by which a count may be less likely and still show its neighbour a better fit
_TRIES: Final = 20  # of a fit that is begun where its neighbour ended


@dataclass(frozen=True, slots=True, eq=False)
class Valley:
    """Mean and variance of the number of bands by its likelihood, and the parameters of where it is likeliest."""

    count: float
    variance: float
    likeliest: FloatArray


def valley_about(weighed: Profile, found: FloatArray, count_sd: float) -> Valley:
    """Weigh all numbers of bands near a fit by how well the best fit with each of them describes rows and strips.

    Parameters
    ----------
    weighed : Profile
        With misfits weighed by noise and texture, of which the fit is.
    found : ndarray of shape (6,)
        Parameters of the fit.
    count_sd : float
        Uncertainty of its count by the slopes there: how far apart the numbers are.

    Returns
    -------
    Valley
        By Bayes' rule over evenly spaced counts, equally likely beforehand, as far as they are less likely than the
        likeliest by exp(20). Each is fitted from where its neighbours ended, outwards from the fit and back again.

    Notes
    -----
    A texture is smoother from row to row than noise, so wherever a corner of the model crosses a row, chi-squared has a
    minimum of its own, some tenths of a per cent from the next, and the slopes there tell of it alone. Of 50 draws of
    one to two bands by another hand, 38 were read by the slopes at the best fit, within 12.8 % (p90), and 31 held (rms
    error 2.4 u); so 36, within 5.6 %, and 33 (1.5 u); of the two that are refused now one was 6 % off, 7 u, and of the
    other u was 29 %. Of 40 of two bands and more 37 held, within 0.81 % (p90, 1.7 u); so 38, within 0.47 % (1.0 u). 53
    draws of a milder texture are read alike (0.67 for 0.54 %, and 0.22 %). Only where noise of rows is less than 2 % of
    their range, 86 of 100 of the first held and p90 was 8.7 %. A picture takes a fifth to two thirds longer.

    Breaks down where the texture that weighs misfits is not alike everywhere: before things in the field, triangles of
    1.95 bands are likeliest 4.8 % off, so the doubt is no less than other fits leave
    (`inspect_app.numerics.bands.band_turns.left_open`). What lost: fits begun again with noise added, and less and less
    of it, found a better minimum in one of four pictures that were 6 to 12 u off, and in another one that was 3.3 u
    off; their doubt was of that minimum alone. A border of exp(6) was a ridge that hid the number in two of 14 draws
    before a stronger texture.
    """
    fits = {0: _with(weighed, found, float(found[0]))}
    step = float(found[0]) * min(count_sd / float(found[0]), _LARGEST_STEP)
    most = _BORDER * weighed.scatter**2
    for way in (-1, 1):
        for number in range(way, way * (_MOST_STEPS + 1), way):
            fits[number] = _with(weighed, fits[number - way].x, float(found[0]) + number * step)
            if fits[number].cost > min(fit.cost for fit in fits.values()) + most:
                break
    numbers = sorted(fits)
    for order in (numbers, numbers[::-1]):
        for before, number in pairwise(order):
            if fits[before].cost < fits[number].cost + _OVER * weighed.scatter**2:
                again = _with(weighed, fits[before].x, float(found[0]) + number * step)
                fits[number] = min(fits[number], again, key=lambda fit: float(fit.cost))
    counts = np.array([fits[number].x[0] for number in numbers])
    costs = np.array([fits[number].cost for number in numbers]) / weighed.scatter**2
    odds = np.exp(costs.min() - costs)
    mean = float(odds @ counts / odds.sum())
    return Valley(mean, float(odds @ (counts - mean) ** 2 / odds.sum()), fits[numbers[int(costs.argmin())]].x)


def _with(weighed: Profile, near: FloatArray, count: float) -> optimize.OptimizeResult:
    """Return the best fit with a number of bands, begun at another fit that is stretched about the middle."""
    own, middle, *lengths = shaped(near)
    start = np.array([count, middle + 0.5 * (count - own), *lengths])
    return refined(weighed, start, count=count, tries=_TRIES)
