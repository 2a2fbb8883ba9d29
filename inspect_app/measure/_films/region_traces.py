"""Regions of a film made of cells or of points, and how bright they are, frame by frame."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from inspect_app.capture import Film
from inspect_app.measure._films.light import Box, FloatArray, Samples
from inspect_app.numerics.changes.switching import scatter

BoolArray = npt.NDArray[np.bool_]
CellArray = npt.NDArray[np.float32]

_POINTS_AT_A_TIME: Final = 500_000  # so many stay near the processor
_FEWEST_CELLS: Final = 4
_SHAKEN: Final = 1.5  # times the unrest of its inside from which on a picture is shaken,
_STILL: Final = 0.001  # and by how much of the swing at least
_CLIPPED: Final = 0.98  # of the range of codes: what stands above it is clipped,
_DIM: Final = 0.9  # what below it is certainly not, though noise is
_BRIGHTEST: Final = 24  # frames of a film, in which points are looked at,
_LIT: Final = 8  # but no more than one in so many
_CALM: Final = 0.03  # scatter over swing of a trace that can be told by the points that are not clipped
_FEW: Final = 0.05  # of the points of a region: fewer clipped ones change nothing
_RIM: Final = 0.06  # frames by which the rim of a clipped lamp is off: a coder blends it with the rest
_DAZZLED: Final = 0.33  # frames by which clipped light is off: an instant may lie anywhere in a partly lit frame
_BENT: Final = 1e-6  # of the step from code to code, by which steps of a straight line do not differ


@dataclass(frozen=True, slots=True)
class Cells:
    """Codes averaged over squares of `edge` x `edge` points, shape (n, rows, cols)."""

    means: CellArray
    edge: int


def runs(frames: int, points: int) -> Iterator[slice]:
    """Yield runs of frames, so many of `points` each that a run stays near the processor."""
    length = max(1, _POINTS_AT_A_TIME // max(points, 1))
    return (slice(first, first + length) for first in range(0, frames, length))


def widened(mask: BoolArray) -> BoolArray:
    """Return a mask with all that touches it."""
    return np.asarray(ndimage.binary_dilation(mask, np.ones((3, 3), dtype=bool)))


def filled(mask: BoolArray) -> BoolArray:
    """Return a mask without gaps of one cell."""
    return np.asarray(ndimage.binary_closing(mask, np.ones((3, 3), dtype=bool)) | mask)


def cell_points(samples: Samples, cells: Cells, mask: BoolArray) -> BoolArray:
    """Return the points in cells, shape (rows, cols) of the samples; what is over beyond the last cell is in none."""
    inside = np.zeros(samples.codes.shape[1:], dtype=bool)
    whole = mask.repeat(cells.edge, axis=0).repeat(cells.edge, axis=1)
    inside[: whole.shape[0], : whole.shape[1]] = whole
    return inside


def steadiest_trace(
    film: Film, samples: Samples, points: BoolArray, margin: int
) -> tuple[tuple[FloatArray, Box], bool]:
    """Return the trace of the picture and whether it moves: of its inside if it does, for its border moves in and out.

    Where it stands still all of it is taken, for a scanned display changes first at its border.
    """
    inner = np.asarray(ndimage.minimum_filter(points, 2 * margin + 1, mode="constant", cval=0))
    if inner.sum() < _FEWEST_CELLS * margin**2:
        return trace_of(film, samples, points), False
    inside, border = traces_of(film, samples, (inner, points & ~inner)).T
    share = float(inner.sum() / points.sum())
    whole = share * inside + (1 - share) * border
    is_shaken = _unrest(whole) > _SHAKEN * _unrest(inside) + _STILL
    light, lit = (inside, inner) if is_shaken else (whole, points)
    return (light, _box(film, samples, lit)), is_shaken


def _unrest(light: FloatArray) -> float:
    return scatter(light) / max(float(np.ptp(light)), 1e-12)


def trace_of(film: Film, samples: Samples, points: BoolArray) -> tuple[FloatArray, Box]:
    """Return the mean exposure of points, frame by frame, and the box around them."""
    return traces_of(film, samples, (points,))[:, 0], _box(film, samples, points)


def unclipped(film: Film, samples: Samples, points: BoolArray, light: FloatArray) -> tuple[FloatArray, float]:
    """Return the light of those of points that are not clipped, and by how many frames it may come early or late.

    Notes
    -----
    A clipped point is as bright in a partly lit frame as in a lit one, so that its light comes early. The rim of a lamp
    is not clipped; where none is seen, or too restless a one, the light of all points is returned, and doubted by what
    a partly lit frame leaves open. Of 48 films of lamps three times too bright, first changes came late by 0.24 frames
    on the average and were held 60 of 100, halves 0.24 and 46; by their rims 0.05 and 96, 0.02 and 100. Of 32 that
    are clipped throughout, 78 and 59 were held, now all. What lost: rims up to what is clipped, with
    which a coder blends them (0.08 and 0.07 frames late), or without the neighbours of clipped points (first changes
    up to 0.4 frames off, for a coder lets faint light follow late).
    """
    brightness = _brightness(film, samples, points, light)
    if (brightness >= _CLIPPED).sum() <= _FEW * points.sum():
        return light, 0.0
    dim = points & (brightness < _DIM)
    if dim.any():
        rim = trace_of(film, samples, dim)[0]
        if np.ptp(rim) > 0 and _unrest(rim) < _CALM:
            return rim, _RIM
    return light, _DAZZLED


def _brightness(film: Film, samples: Samples, points: BoolArray, light: FloatArray) -> FloatArray:
    """Return the codes of points while their region is brightest, as shares of the range; 0 at all other points."""
    rising = np.flatnonzero(np.diff(film.exposures))
    shown = np.zeros(points.shape)
    if rising.size:
        first, last, box = float(rising[0]), float(rising[-1] + 1), _around(points)
        brightest = np.argsort(light)[-max(2, min(_BRIGHTEST, len(light) // _LIT)) :]
        shown[box] = (samples.codes[brightest][:, *box].mean(axis=0) - first) / (last - first)
    return shown * points


def traces_of(film: Film, samples: Samples, regions: Sequence[BoolArray]) -> FloatArray:
    """Return the mean exposure of regions of points, frame by frame, shape (n, regions).

    Notes
    -----
    All points of the box around the regions are weighted and summed up in one product. Where exposure is a straight
    line in the codes, codes are summed up and their mean is looked up: a sixth of the time of looking up each point.
    """
    box = _around(np.any(regions, axis=0))
    weights = np.stack([region[box].ravel() for region in regions], axis=1).astype(np.float32)
    straight, exposures = _straight(film.exposures), film.exposures.astype(np.float32)
    sums = np.empty((len(samples.codes), len(regions)))
    for run in runs(len(sums), len(weights)):
        codes = samples.codes[run][:, *box].reshape(-1, len(weights))
        lit = exposures.take(codes) if straight is None else codes.clip(*straight).astype(np.float32)
        sums[run] = lit @ weights
    means = sums / weights.sum(axis=0, dtype=np.float64)
    if straight is None:
        return np.asarray(means)
    ends = [int(code) for code in straight]
    return np.asarray(np.interp(means, ends, film.exposures[ends]))


def _straight(exposures: FloatArray) -> tuple[int, int] | None:
    """Return the codes from which and up to which exposure rises in a straight line, to stay; None if it bends."""
    steps = np.diff(exposures)
    rising = np.flatnonzero(steps)
    if not rising.size:
        return None
    first, last = int(rising[0]), int(rising[-1]) + 1
    return (first, last) if np.ptp(steps[first:last]) < _BENT * steps[first] else None


def _around(points: BoolArray) -> tuple[slice, slice]:
    """Return the rows and columns in which points lie."""
    rows, cols = (np.flatnonzero(points.any(axis=axis)) for axis in (1, 0))
    return slice(int(rows[0]), int(rows[-1]) + 1), slice(int(cols[0]), int(cols[-1]) + 1)


def _box(film: Film, samples: Samples, points: BoolArray) -> Box:
    (rows, cols), step = _around(points), samples.step_px
    left, top = cols.start * step, rows.start * step
    right, bottom = min(film.cols, cols.stop * step), min(film.rows, rows.stop * step)
    return left, top, right - left, bottom - top
