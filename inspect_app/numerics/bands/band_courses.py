"""Bands that are courses of bricks or the like: what stands in one of them is other than what stands in the next."""

from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from inspect_app.numerics.bands.fitted_bands import Bands
from inspect_app.numerics.bands.row_texture import averaged_rows

FloatArray = npt.NDArray[np.float64]

_BLOCKS: Final = 48  # over the width
_LIT: Final = 0.75  # of the height of the bands
_APART: Final = 0.6  # of a lit run, by which rows of it are compared
_FEWEST_ROWS: Final = 2  # by which they may be
_FEWEST_RUNS: Final = 4
_LESS_ALIKE: Final = 0.3  # correlation: courses had 0.6 to 1 (own bench), and
_LEAST_CERTAINTY: Final = 6.0  # standard deviations


def in_courses(picture: FloatArray, found: Bands) -> bool:
    """Tell whether rows as far from one another are less alike from one band to the next than within a band.

    Parameters
    ----------
    picture : ndarray of shape (rows, cols)
        Proportional to exposure.
    found : Bands
        What was fitted to the means of its rows.

    Returns
    -------
    bool
        False as well where no rows of two bands are as close as others of one: bands that are narrower than what is
        between them, and fewer than four.

    Notes
    -----
    Courses that lie level are dark joints in the means of rows, with bands that are lit for nearly all of a period,
    and no lean. What stands behind a strobe's bands does not know of them: how much alike the differences of columns
    are depends on the distance of two rows alone. Correlated are the differences of blocks of columns of two lit rows,
    about a parabola over the width; the scatter is that from run to run.
    """
    rows = averaged_rows(picture, len(found.places))
    blocks = np.array_split(rows, min(_BLOCKS, rows.shape[1]), axis=1)
    apart = _about_parabola(np.stack([block.mean(axis=1) for block in blocks], axis=1))
    low, high = float(found.fitted.min()), float(found.fitted.max())
    is_lit = found.fitted > low + _LIT * (high - low)
    run, count = ndimage.label(is_lit)
    away = int(_APART * float(np.median(np.bincount(run)[1:]))) if count >= _FEWEST_RUNS else 0
    if away < _FEWEST_ROWS:
        return False
    first, second = slice(None, -away), slice(away, None)
    both_lit = is_lit[first] & is_lit[second]
    alike = (apart[first] * apart[second]).sum(axis=1)
    power = ((apart[first] ** 2).sum(axis=1) + (apart[second] ** 2).sum(axis=1)) / 2

    def by_run(kept: npt.NDArray[np.bool_]) -> FloatArray:
        runs = [kept & (run[first] == number) for number in np.unique(run[first][kept])]
        return np.array([alike[own].sum() / max(float(power[own].sum()), 1e-30) for own in runs])

    within, across = by_run(both_lit & (run[first] == run[second])), by_run(both_lit & (run[first] != run[second]))
    if min(len(within), len(across)) < _FEWEST_RUNS:
        return False
    less = float(within.mean() - across.mean())
    return less > max(_LESS_ALIKE, _LEAST_CERTAINTY * float(np.hypot(_of_mean(within), _of_mean(across))))


def _of_mean(values: FloatArray) -> float:
    return float(np.std(values, ddof=1) / np.sqrt(len(values)))


def _about_parabola(values: FloatArray) -> FloatArray:
    """Return what parabolas along the second axis leave of values, shape (n, blocks)."""
    curved = np.linalg.qr(np.vander(np.linspace(-1, 1, values.shape[1]), 3))[0]
    return np.asarray(values - (values @ curved) @ curved.T)
