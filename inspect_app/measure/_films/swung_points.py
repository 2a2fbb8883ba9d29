"""The points of a film that switch with a patch: its outline, finer than the cells in which it was found."""

from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

BoolArray = npt.NDArray[np.bool_]
FloatArray = npt.NDArray[np.float64]
CodeArray = npt.NDArray[np.unsignedinteger[Any]]

_SETTLED: Final = 0.15  # of the swing, within which a frame shows one of the two levels
_MOST_FRAMES: Final = 24  # of each level, evenly spread
_SWUNG: Final = 0.3  # of the usual swing of the patch, from which on a point belongs to it
_CLEAR: Final = 6.0  # times the noise of a point that the usual swing must be
_KEPT: Final = 0.5  # of the patch that must be found again


def swung_points(codes: CodeArray, patch: BoolArray, near: BoolArray, light: FloatArray) -> BoolArray:
    """Return the points near a patch that switch with it, shape (rows, cols); the patch where noise hides them.

    Parameters
    ----------
    codes : ndarray of shape (n, rows, cols)
        Stored codes.
    patch, near : ndarray of shape (rows, cols), bool
        Points of the cells in which the patch was found, and of those in which it may lie.
    light : ndarray of shape (n,)
        Mean light of the patch, frame by frame.
    """
    middle = (float(light.min()) + float(light.max())) / 2
    if light.min() == middle:
        return patch
    low, high = float(np.median(light[light < middle])), float(np.median(light[light > middle]))
    share = (light - low) / (high - low)
    rows, cols = (slice(int(at.min()), int(at.max()) + 1) for at in np.nonzero(near))
    dark, lit = (_settled(codes, np.abs(share - level))[:, rows, cols] for level in (0, 1))
    swing = lit.mean(axis=0, dtype=np.float64) - dark.mean(axis=0, dtype=np.float64)
    usual = float(np.median(swing[patch[rows, cols]]))
    noise = sum(float(np.median(each.std(axis=0, dtype=np.float32))) / len(each) ** 0.5 for each in (dark, lit))
    if abs(usual) < _CLEAR * noise:
        return patch
    found = near.copy()
    found[rows, cols] &= swing / usual > _SWUNG
    labels, _ = ndimage.label(found, np.ones((3, 3)))
    found &= np.isin(labels, labels[patch & found])
    return found if (found & patch).sum() > _KEPT * patch.sum() else patch


def most_swung(codes: CodeArray, points: BoolArray, light: FloatArray) -> float:
    """Return by how many codes the point that swings most does so, between frames of the two levels of a region.

    Parameters are as of `swung_points`; `points` are those of the region.
    """
    middle = (float(light.min()) + float(light.max())) / 2
    if light.min() == middle:
        return 0.0
    low, high = float(np.median(light[light < middle])), float(np.median(light[light > middle]))
    share = (light - low) / (high - low)
    dark, lit = (_settled(codes, np.abs(share - level)).mean(axis=0, dtype=np.float64) for level in (0, 1))
    return float(np.abs(lit - dark)[points].max())


def _settled(codes: CodeArray, off: FloatArray) -> CodeArray:
    """Return some frames that show a level, evenly spread: those near it, or the nearest where none is."""
    chosen = np.flatnonzero(off <= max(_SETTLED, float(off.min())))
    some: CodeArray = codes[chosen[np.unique(np.linspace(0, len(chosen) - 1, _MOST_FRAMES).astype(int))]]
    return some
