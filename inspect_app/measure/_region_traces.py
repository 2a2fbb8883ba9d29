"""Regions of a film made of cells or of points, and how bright they are, frame by frame."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from inspect_app.capture import Film
from inspect_app.measure._light import Box, FloatArray, Samples
from inspect_app.numerics.switching import scatter

BoolArray = npt.NDArray[np.bool_]
CellArray = npt.NDArray[np.float32]

FRAMES_AT_A_TIME: Final = 16  # so many stay near the processor
_FEWEST_CELLS: Final = 4
_SHAKEN: Final = 1.5  # times the unrest of its inside from which on a picture is shaken,
_STILL: Final = 0.001  # and by how much of the swing at least


@dataclass(frozen=True, slots=True)
class Cells:
    """Codes averaged over squares of `edge` x `edge` points, shape (n, rows, cols)."""

    means: CellArray
    edge: int


def widened(mask: BoolArray) -> BoolArray:
    """Return a mask with all that touches it."""
    return np.asarray(ndimage.binary_dilation(mask, np.ones((3, 3), dtype=bool)))


def filled(mask: BoolArray) -> BoolArray:
    """Return a mask without gaps of one cell."""
    return np.asarray(ndimage.binary_closing(mask, np.ones((3, 3), dtype=bool)) | mask)


def cell_points(samples: Samples, cells: Cells, mask: BoolArray) -> BoolArray:
    """Return the points in cells, shape (rows, cols) of the samples; what is over beyond the last cell is in none."""
    inside = np.zeros(samples.codes.shape[1:], dtype=bool)
    whole = np.kron(mask, np.ones((cells.edge, cells.edge), dtype=bool))
    inside[: whole.shape[0], : whole.shape[1]] = whole
    return inside


def steadiest_trace(
    film: Film, samples: Samples, points: BoolArray, margin: int
) -> tuple[tuple[FloatArray, Box], bool]:
    """Return the trace of the picture and whether it moves: of its inside if it does, for its border moves in and out.

    Where it stands still all of it is taken, for a scanned display changes first at its border.
    """
    edge = 2 * margin + 1
    inner = np.asarray(ndimage.binary_erosion(points, np.ones((edge, edge), dtype=bool)))
    if inner.sum() < _FEWEST_CELLS * margin**2:
        return trace_of(film, samples, points), False
    inside, box = trace_of(film, samples, inner)
    border, whole_box = trace_of(film, samples, points & ~inner)
    share = float(inner.sum() / points.sum())
    whole = share * inside + (1 - share) * border
    is_shaken = _unrest(whole) > _SHAKEN * _unrest(inside) + _STILL
    return ((inside, box) if is_shaken else (whole, whole_box)), is_shaken


def _unrest(light: FloatArray) -> float:
    return scatter(light) / max(float(np.ptp(light)), 1e-12)


def trace_of(film: Film, samples: Samples, points: BoolArray) -> tuple[FloatArray, Box]:
    """Return the mean exposure of points, frame by frame, and the box around them."""
    rows, cols = np.nonzero(points)
    exposures, places = film.exposures.astype(np.float32), rows * samples.codes.shape[2] + cols
    frames = samples.codes.reshape(len(samples.codes), -1)
    firsts = range(0, len(frames), FRAMES_AT_A_TIME)
    parts = (frames[first : first + FRAMES_AT_A_TIME].take(places, axis=1) for first in firsts)
    light = np.concatenate([exposures.take(part).mean(axis=1, dtype=np.float64) for part in parts])
    step = samples.step_px
    left, top = int(cols.min()) * step, int(rows.min()) * step
    right, bottom = min(film.cols, (int(cols.max()) + 1) * step), min(film.rows, (int(rows.max()) + 1) * step)
    return light, (left, top, right - left, bottom - top)
