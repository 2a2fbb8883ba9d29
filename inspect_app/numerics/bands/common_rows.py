"""What all columns of a picture have in common along its rows, as light that changes with time does."""

from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import linalg

from inspect_app.numerics.bands.row_texture import averaged_rows

FloatArray = npt.NDArray[np.float64]

_STRIPS: Final = (3, 16)
_LEAST_SHARE: Final = 0.6  # of the change, in the middle strip
_SHARES: Final = (0.6, 1.6)  # of that, in the middle half; bands stayed within 0.63 and 1.5 in 250 pictures (own bench)
_SHARES_OF_LIGHT: Final = (0.75, 1.33)  # in nearly all strips, for their light; things left a strip without (own bench)
_LIT: Final = 0.2  # of the brightest strip: what is darker lies beyond the field, in
_BLACKS: Final = np.linspace(0.0, 0.95, 20)  # of the darkest lit strip, that may be the camera's black level
_LEAST_LIT: Final = 0.5  # of the strips at most, or it is a bright thing that is lit


def is_shared(
    picture: FloatArray, places: FloatArray, change: FloatArray, strips: int, whitener: FloatArray | None = None
) -> bool:
    """Tell whether a change of the light from row to row is in all of a picture and not in some things in it.

    Parameters
    ----------
    picture : ndarray of shape (rows, cols)
        Proportional to exposure.
    places : ndarray of shape (n,)
        From 0 to 1 down the picture, where `change` is given.
    change : ndarray of shape (n,)
        The change that was found in the means of the rows.
    strips : int
        Into how many upright strips the picture is cut, from 3 to 16: as many as each shows the change beyond chance.
    whitener : ndarray of shape (n, n), optional
        Lower factor (Cholesky) of the covariance of texture and noise at those places, by which misfits are weighed.

    Returns
    -------
    bool
        True where at least half of the strips that are lit show it, as much or each in proportion to its light.

    Notes
    -----
    The mean of each row of a strip is a parabola and a share of the change; the share over the strip's brightness is 1
    in a field whose light changes with time, however its texture is, and far from 1 where things in the picture make
    the change: their edges lie in some strips only. The camera's black level is no light: any is allowed that makes the
    shares alike, for what dims a strip takes as much of its bands, but a thing that makes a change takes light. What
    lies beyond the field at its sides is dark, and shows nothing.

    Strips have more texture than all of the picture, so a strong and coarse one moves their shares where misfits count
    alike: to between 0.17 and 1.75 in a picture whose shares are 1.3 to 1.6 with misfits weighed.
    """
    rows, cols = picture.shape
    count = min(cols, int(np.clip(strips, *_STRIPS)))
    profiles = np.stack([strip.mean(axis=1) for strip in np.array_split(picture, count, axis=1)], axis=1)
    if whitener is None:
        down = (np.arange(rows) + 0.5) / rows
        shares = _shares(profiles, down, np.interp(down, places, change))
    else:
        shares = _shares(averaged_rows(profiles, len(places)), places, change, whitener)
    if _are_alike(shares, (0.25, 0.5, 0.75), _SHARES):
        return True
    brightness = profiles.mean(axis=0) / max(float(picture.mean()), 1e-30)
    is_lit = brightness > max(_LIT * float(brightness.max()), 0.0)
    lit, own = shares[is_lit], brightness[is_lit]
    by_light = (lit * (1 - black) / (own - black) for black in _BLACKS * float(own.min(initial=1.0)))
    return bool(np.mean(is_lit) >= _LEAST_LIT) and any(
        _are_alike(each, (0.05, 0.5, 0.95), _SHARES_OF_LIGHT) for each in by_light
    )


def _shares(
    profiles: FloatArray, places: FloatArray, change: FloatArray, whitener: FloatArray | None = None
) -> FloatArray:
    """Return how much of a change each column of profiles, of shape (n, strips), has besides its parabola."""
    columns = np.stack([np.ones_like(places), places - 0.5, (places - 0.5) ** 2, change], axis=1)
    if whitener is not None:
        columns, profiles = (linalg.solve_triangular(whitener, each, lower=True) for each in (columns, profiles))
    return np.asarray(np.linalg.lstsq(columns, profiles, rcond=None)[0][-1])


def _are_alike(shares: FloatArray, quantiles: tuple[float, float, float], most: tuple[float, float]) -> bool:
    low, usual, high = np.quantile(shares, quantiles)
    return bool(usual > _LEAST_SHARE and low > most[0] * usual and high < most[1] * usual)
