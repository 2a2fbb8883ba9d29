"""MTF50 and MTF10 of an edge as a textbook has them, so that a bench can say how hard its captures are.

The steps of ISO 12233:2014, 6.2, and nothing against noise or a bend: a line through the rows' centroids, quarter-pixel
bins, derivative, Hamming window, Fourier transform; corrected for derivative and tilt.
"""

import math

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

BINS_PER_PX = 4
FINER = 16  # frequencies per one of the transform


def textbook_frequency(region: Array, level: float, *, is_near_vertical: bool) -> float:
    """Return where a region's response first falls to a level, in cycles per pixel along the normal; nan if never."""
    rows = region if is_near_vertical else region.T
    slope, middle = _line_of_centroids(rows)
    line = np.convolve(_quarters(rows, slope, middle), [0.5, 0.0, -0.5], "valid")
    line = np.roll(line, line.size // 2 - int(np.argmax(np.abs(line)))) * np.hamming(line.size)
    response = np.abs(np.fft.rfft(line, FINER * line.size))
    frequency = np.fft.rfftfreq(FINER * line.size, 1 / BINS_PER_PX)
    response /= response[0] * np.maximum(np.abs(np.sinc(2 * frequency / BINS_PER_PX)), 0.1)
    below = int(np.argmax(response < level))
    if below == 0:
        return math.nan
    along_row = np.interp(-level, -response[below - 1 : below + 1], frequency[below - 1 : below + 1])
    return float(along_row * math.hypot(1.0, slope))


def _line_of_centroids(rows: Array) -> tuple[float, float]:
    """Return columns per row, and the column in the first row: windows about the row's middle, then about the line."""
    step = np.diff(rows, axis=1) * np.sign(rows[:, -1].sum() - rows[:, 0].sum())
    row, col = np.arange(rows.shape[0]), np.arange(step.shape[1]) + 0.5
    fitted = np.array([0.0, 0.5 * rows.shape[1]])
    for _ in range(3):
        off = col - np.polyval(fitted, row)[:, None]
        window = np.where(np.abs(off) < 0.5 * col.size, 0.54 + 0.46 * np.cos(2 * math.pi * off / col.size), 0.0)
        centroid = np.sum(step * window * col, axis=1) / np.sum(step * window, axis=1)
        is_inside = (centroid > 0) & (centroid < col.size)
        fitted = np.polyfit(row[is_inside], centroid[is_inside], 1)
    return float(fitted[0]), float(fitted[1])


def _quarters(rows: Array, slope: float, first: float) -> Array:
    """Return the mean of each quarter of a pixel along the rows, as far on one side of the edge as on the other."""
    row, col = np.mgrid[: rows.shape[0], : rows.shape[1]]
    place = np.floor(BINS_PER_PX * (col - first - slope * row)).astype(np.int64)
    reach = min(-int(place.min()), int(place.max()), 2 * rows.shape[1])
    near = np.abs(place) < reach
    count = np.bincount(place[near] + reach)
    filled = np.flatnonzero(count)
    means = np.bincount(place[near] + reach, rows[near])[filled] / count[filled]
    return np.asarray(np.interp(np.arange(1, 2 * reach), filled, means), dtype=np.float64)
