"""The light of a field to a higher order, where a soft reflection or a shadow is narrower than its smooth part."""

import math

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.fields.smooth_field import TUKEY, Blocks, SmoothField, clustered, fitted, terms_of, used_of

FloatArray = npt.NDArray[np.float64]

FINER_ORDER = 12
FEWEST_TO_A_TERM = 4  # blocks
LEAST_SPREAD = 0.002  # of the light: at a border the neighbours lie to one side, and their slope is no outlier


def finer_surface(smooth: SmoothField, is_clear: npt.NDArray[np.bool_]) -> SmoothField | None:
    """Fit a surface up to order 12 to the blocks to which a smooth part was fitted, or say that they are too few.

    Parameters
    ----------
    smooth : SmoothField
        As it was fitted, not enlarged.
    is_clear : ndarray of shape (blocks,), bool
        Which blocks hold no spot.

    Notes
    -----
    By Tukey's biweight of what a block departs from the median of the nine about it, each over the smooth part: the top
    of a reflection departs from the surface, and would be left out by its own residual, but not from its neighbours.
    With spots known and left out, one round serves. The covariance is that of `smooth_field`; there are fewer tiles
    than terms, and of white noise it tells up to 1.8 times the scatter, which what the surface cannot follow makes up
    for.
    """
    blocks = smooth.blocks.only(is_clear)
    terms = terms_of(blocks.y, blocks.x, (smooth.rows, smooth.cols), FINER_ORDER)
    if len(terms) < FEWEST_TO_A_TERM * terms.shape[1]:
        return None
    levels = blocks.levels / smooth.at(blocks.x, blocks.y)
    off = levels - _median_about(levels, blocks)
    spread = max(1.4826 * float(np.median(np.abs(off))), LEAST_SPREAD)
    weights = np.square(1 - np.minimum(np.square(off / (TUKEY * spread)), 1))
    normal, solution, rest = fitted(blocks, terms, weights)
    coefficients = np.zeros((FINER_ORDER + 1, FINER_ORDER + 1))
    coefficients[used_of(FINER_ORDER)] = solution
    bread = np.linalg.pinv(normal)
    return SmoothField(
        coefficients=coefficients,
        covariance=bread @ clustered(terms * (weights * rest)[:, None], blocks) @ bread,
        rows=smooth.rows,
        cols=smooth.cols,
        spread=1.4826 * float(np.median(np.abs(rest))),
        blocks=blocks,
    )


def departures_of(finer: SmoothField) -> FloatArray:
    """Return the median of what each block and the eight about it depart from their surface, over it."""
    return _median_about(_off(finer), finer.blocks)


def alike_of(smooth: SmoothField) -> float:
    """Return by how much blocks side by side depart alike from their surface, over it: across or down, the lesser.

    The root of their robust covariance, that of sums and differences (Gnanadesikan and Kettenring, Biometrics 28, 1972;
    from memory). Noise, fibres and scintillation depart by chance: 170 fields of another hand reach 0.0014, and 28 own
    ones of coarse textures, two to six times as strong as those that drown faint spots, 0.05, which is 0.83 at most of
    all that they depart by. What no surface follows departs alike over many blocks: of 20 edges across a picture it was
    a twentieth to a fifth of the step, and 0.9 or more of all.
    """
    grid = _grid_of(_off(smooth), smooth.blocks)
    return min(_together(grid[1:], grid[:-1]), _together(grid[:, 1:], grid[:, :-1]))


def _together(one: FloatArray, other: FloatArray) -> float:
    known = np.isfinite(one) & np.isfinite(other)
    if not known.any():
        return 0.0
    apart, both = (np.median(np.abs(values[known])) for values in (one - other, one + other))
    return 1.4826 / 2 * math.sqrt(max(float(both**2 - apart**2), 0.0))


def _off(smooth: SmoothField) -> FloatArray:
    return np.asarray(smooth.blocks.levels / smooth.at(smooth.blocks.x, smooth.blocks.y) - 1)


def _grid_of(values: FloatArray, blocks: Blocks) -> FloatArray:
    """Return values of blocks where these lie, with a row and a column to spare all around; NaN where there is none."""
    row, col = _places_of(blocks)
    grid = np.full((row.max() + 2, col.max() + 2), np.nan)
    grid[row, col] = values
    return grid


def _places_of(blocks: Blocks) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    row, col = ((places // blocks.side_px).astype(np.intp) + 1 for places in (blocks.y, blocks.x))
    return row, col


def _median_about(values: FloatArray, blocks: Blocks) -> FloatArray:
    """Return the median of the values of nine blocks, of those there are, about each."""
    grid = _grid_of(values, blocks)
    row, col = _places_of(blocks)
    about = np.stack([grid[row + down, col + across] for down in (-1, 0, 1) for across in (-1, 0, 1)])
    return np.asarray(np.nanmedian(about, axis=0))
