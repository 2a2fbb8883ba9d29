"""Bands that repeat what a strobe's cannot: columns that show them more than others, and a course that is lopsided."""

from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.bands.fitted_bands import Bands
from inspect_app.numerics.bands.row_texture import without_fall_off

FloatArray = npt.NDArray[np.float64]

_FEWEST_BANDS: Final = 3.0
_LIT: Final = 0.2  # of the brightest column: what is darker lies beyond the field
_BLACKS: Final = np.linspace(0.0, 0.95, 20)  # of the darkest lit column, that may be the camera's black level
_SURE: Final = 3.0  # standard deviations of what noise alone agrees on
_PARTS: Final = (6, 24)  # of a period, each of two rows at least
_WHOLE: Final = 0.9  # of them, in a band that is compared


def columns_apart(picture: FloatArray, found: Bands) -> float:
    """Return by how much odd and even bands agree that some columns show them more than others, for their light.

    Parameters
    ----------
    picture : ndarray of shape (rows, cols)
        Proportional to exposure.
    found : Bands
        What was fitted to the means of its rows.

    Returns
    -------
    float
        Covariance over columns of their shares of the change in odd and in even bands, less what noise makes, over the
        squared mean: the variance of what columns differ by in both. 0 for a strobe, and of less than three bands.

    Notes
    -----
    A strobe's light is in every column, in proportion to what light it has, and what stands behind it is other in the
    next band; rows of dots, letters or bolts are at the same columns again. Covariance has no noise and no texture in
    it, so single columns can be asked, where `inspect_app.numerics.bands.common_rows.is_shared` asks 16 strips at most,
    each of which held one of the 16 dots of every row of a chart that was read, without a warning, as twelve bands.
    Rows of dots that are set off by half of a distance agree as well, for the middle of a dark one ends a band.

    Clipping takes bands from the brightest columns alone: 0.15 where light that rises fourfold from side to side is
    clipped above half of its mean, and 0.02 at most in 110 pictures with bands in which little or nothing is.
    """
    if found.count < _FEWEST_BANDS:
        return 0.0
    down = (np.arange(len(picture)) + 0.5) / len(picture)
    change = np.interp(down, found.places, found.fitted)
    light = picture.mean(axis=0)
    is_lit = light > _LIT * float(light.max())
    is_odd = _turns(found, down) % 2 == 1
    halves = [_shares(picture[rows][:, is_lit], down[rows], change[rows]) for rows in (is_odd, ~is_odd)]
    own = light[is_lit]
    apart = [_agreed(*(half / (own - black) for half in halves)) for black in _BLACKS * float(own.min(initial=1.0))]
    return min(apart)


def lopsided(found: Bands) -> tuple[float, float]:
    """Return what all bands agree to leave of a fit of a trapezoid, which is alike to both sides.

    Parameters
    ----------
    found : Bands
        What was fitted to the means of the rows.

    Returns
    -------
    tuple of float
        Mean product of what the fit leaves in a band and at the same place of another, over the squared height of the
        bands, and over its own scatter from pair to pair (standard deviations). 0 where less than three are seen whole.

    Notes
    -----
    Flash and open row overlap for as long while one begins as while it ends, so their bands are alike to both sides,
    and rise by straight lines. Steps of a wedge or of a print, over light that falls off, are teeth of a saw, of which
    the best trapezoid leaves more than a tenth of their height.
    """
    parts = min(int(len(found.places) / found.count / 2), _PARTS[1])
    if parts < _PARTS[0]:
        return 0.0, 0.0
    turn = _turns(found, found.places)
    phase = found.places * found.count - found.parameters[1] + 0.5 - turn
    part = np.minimum((phase * parts).astype(np.int64), parts - 1)
    height = max(float(np.ptp(without_fall_off(found.fitted))), 1e-30)
    rest = (found.profile - found.fitted) / height
    left = []
    for number in np.unique(turn):
        own = turn == number
        rows = np.bincount(part[own], minlength=parts)
        if np.mean(rows > 0) >= _WHOLE:
            means = np.bincount(part[own], rest[own], minlength=parts) / np.maximum(rows, 1)
            left.append(means - means.mean())
    if len(left) < _FEWEST_BANDS:
        return 0.0, 0.0
    products = np.array(left) @ np.array(left).T / parts
    pairs = products[np.triu_indices(len(left), 1)]
    scatter = float(np.sqrt(np.mean(pairs**2) / len(pairs)))
    return float(pairs.mean()), float(pairs.mean()) / max(scatter, 1e-30)


def _turns(found: Bands, places: FloatArray) -> npt.NDArray[np.int64]:
    """Return the number of the band that each place belongs to."""
    return np.asarray(np.floor(places * found.count - found.parameters[1] + 0.5), dtype=np.int64)


def _shares(picture: FloatArray, down: FloatArray, change: FloatArray) -> FloatArray:
    """Return how much of a change each column has besides its parabola."""
    columns = np.stack([np.ones_like(down), down - 0.5, (down - 0.5) ** 2, change], axis=1)
    return np.asarray(np.linalg.lstsq(columns, picture, rcond=None)[0][-1])


def _agreed(first: FloatArray, second: FloatArray) -> float:
    """Return the covariance of values beyond chance, either way, over the product of their means."""
    covariance = float(np.mean((first - first.mean()) * (second - second.mean())))
    chance = _SURE * float(first.std() * second.std()) / len(first) ** 0.5
    return float(max(abs(covariance) - chance, 0.0) / max(float(first.mean() * second.mean()), 1e-30))
