"""Where to begin a fit of a strobe's bands: a scan over all they may be, and what lies beside a fit that was found."""

from collections.abc import Iterator
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import linalg

from inspect_app.numerics.bands.band_model import Profile, shaped, trapezoid

FloatArray = npt.NDArray[np.float64]

BELOW_ONE: Final = 0.95
"""Bands, up to which there is less than a full period."""
_COARSE_ROWS: Final = 160
_FEWEST_BANDS: Final = 0.35
_SCANNED_BANDS: Final = 6.0  # up to here every period is tried; above, the peaks of the spectrum
_BAND_STEP: Final = 0.075
_PEAKS: Final = 2
_WIDTHS: Final = (0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.65, 0.8)
_RAMPS: Final = (0.05, 0.2)
_PLACES: Final = 24
_TABLE_STEPS: Final = 512
_STARTS: Final = 5
_WEIGHED_BANDS: Final = 8.0  # up to here every period is tried with misfits weighed,
_STARTS_WEIGHED: Final = 3  # and so many of them are fitted
_HOPEFUL: Final = 3.0  # times the lowest cost of the scan up to which a start is worth refining
_ASTRIDE: Final = (-0.01, 0.01)  # relative, by which fits are begun anew to either side of the best
_BROADER: Final = 0.01
_FURTHER: Final = (-0.04, -0.02, 0.02, 0.04)  # likewise with misfits weighed: a texture has more minima beside the best
_HALVED: Final = 0.5  # times the ramp, from which those begin: soft edges hide in a texture
_SLOPING: Final = 0.03  # of a period: ramps that show the way to an edge
_STEEPER: Final = 0.4  # times the ramp, and
_LEVELLED: Final = 0.2  # of the way from width to ramp: other shapes with the same edges
_FALLS: Final = ((0.0, -1.0), (0.0, -2.5))  # tilt and bow: light and pedestal trade places, which holds a fit up
_TEMPLATES: Final = tuple((width, min(ramp, width)) for width in _WIDTHS for ramp in _RAMPS)
_TABLE: Final = np.array([trapezoid((np.arange(_TABLE_STEPS) + 0.5) / _TABLE_STEPS, *shape) for shape in _TEMPLATES])


def scanned(values: FloatArray) -> list[FloatArray]:
    """Return the best parameter sets of the coarse scan, and the best with less than one band at the end."""
    size = max(1, len(values) // _COARSE_ROWS)
    counts = np.arange(_FEWEST_BANDS, _SCANNED_BANDS, _BAND_STEP)
    coarse = values[: len(values) // size * size].reshape(-1, size).mean(axis=1)
    tried = [_best_of(coarse, float(count))[:2] for count in counts]
    tried += [_best_of(values, count)[:2] for count in _spectral_counts(values)]
    hopeful = _HOPEFUL * min(entry[0] for entry in tried) + 0.02
    minima = [entry for entry in _local_minima(tried) if entry[0] < hopeful]
    below = min((entry for entry in tried if entry[1][0] < BELOW_ONE), key=lambda entry: entry[0])
    return [entry[1] for entry in minima[:_STARTS]] + [below[1]]


def scanned_through(seen: Profile) -> tuple[list[FloatArray], float]:
    """Return the best starts of a scan in which misfits are weighed, and how much better (chi-squared) the first is.

    Than light that falls off by a parabola alone. Rows and the covariance of their misfits are averaged to 160 at most.
    """
    size = max(1, len(seen.values) // _COARSE_ROWS)
    rows = len(seen.values) // size
    root = np.eye(len(seen.values)) if seen.whitener is None else seen.whitener
    tied = (root @ root.T)[: rows * size, : rows * size].reshape(rows, size, rows, size).mean(axis=(1, 3))
    weights = linalg.solve_triangular(linalg.cholesky(tied, lower=True) * seen.scatter, np.eye(rows), lower=True)
    coarse = seen.values[: rows * size].reshape(rows, size).mean(axis=1)
    tried, cost = [], 0.0
    for count in np.arange(_FEWEST_BANDS, _WEIGHED_BANDS, _BAND_STEP):
        share, start, cost = _best_of(coarse, float(count), weights)
        tried.append((share, start))
    kept = _local_minima(tried)[:_STARTS_WEIGHED]
    return [start for _, start in kept], (1 - kept[0][0]) * cost


def around(found: FloatArray) -> list[FloatArray]:
    """Return starts to either side of a fit, in number and width of the bands, and with the same edges otherwise."""
    count, middle, width, ramp, *fall = shaped(found)
    beside = [
        [count * (1 + away), middle + 0.5 * count * away, width * (1 + broader), max(ramp, _SLOPING), *fall]
        for away in _ASTRIDE
        for broader in (-_BROADER, _BROADER)
    ]
    levelled = _LEVELLED * (width - ramp)
    reshaped = [[width, _STEEPER * ramp], [width + levelled, width - levelled]]
    others = [[count, middle, *shape, *fall] for shape in reshaped]
    others += [[count, middle, width, ramp, *other] for other in _FALLS]
    return [np.array(start) for start in beside + others]


def further(found: FloatArray) -> list[FloatArray]:
    """Return starts further to either side of a fit in the number of bands, with sharper edges."""
    count, middle, width, ramp, *fall = shaped(found)
    ramp = max(_HALVED * ramp, _SLOPING)
    return [np.array([count * (1 + away), middle + 0.5 * count * away, width, ramp, *fall]) for away in _FURTHER]


def as_told(found: FloatArray, flash: float) -> list[FloatArray]:
    """Return starts with a flash as told, which is the ramp of the parameters: as many bands, or bands as wide."""
    count, middle, width, ramp = found
    place = (middle + round(0.5 * count - middle)) / count
    starts = [np.array([count, middle, shape, flash]) for shape in (width, ramp)]
    for own, other in ((width, ramp), (ramp, width)):
        scaled = count * flash / own
        starts.append(np.array([scaled, place * scaled, min(other * flash / own, 0.98), flash]))
    return starts


def _local_minima(scanned: list[tuple[float, FloatArray]]) -> list[tuple[float, FloatArray]]:
    ordered = sorted(scanned, key=lambda entry: entry[0])
    kept: list[tuple[float, FloatArray]] = []
    for cost, start in ordered:
        if all(abs(float(start[0] - other[0])) > 2 * _BAND_STEP for _, other in kept):
            kept.append((cost, start))
    return kept


def _spectral_counts(values: FloatArray) -> Iterator[float]:
    rows = len(values)
    tapered = (values - values.mean()) * np.hanning(rows)
    power = np.abs(np.fft.rfft(tapered, 8 * rows)) ** 2
    counts = np.arange(len(power)) / 8
    power[(counts < _SCANNED_BANDS / 2) | (counts > rows / 4)] = 0
    for _ in range(_PEAKS):
        peak = int(power.argmax())
        for divisor in (1, 2, 3):
            if counts[peak] / divisor >= _SCANNED_BANDS:
                yield from counts[peak] / divisor + np.array([-0.06, 0.0, 0.06])
        power[max(0, peak - 12) : peak + 13] = 0


def _best_of(values: FloatArray, count: float, weights: FloatArray | None = None) -> tuple[float, FloatArray, float]:
    """Return the lowest remaining share of the sum of squares for a number of bands, its parameters, and that sum.

    Of what is left by a parabola, and with `weights`, of shape (n, n), of the values multiplied by them.
    """
    places = (np.arange(len(values)) + 0.5) / len(values)
    middles = np.arange(_PLACES) / _PLACES
    phase = places[None, :] * count - middles[:, None]
    shapes = _TABLE[:, (phase * _TABLE_STEPS).astype(int) % _TABLE_STEPS].reshape(-1, len(values))
    falls = np.stack([np.ones_like(places), places - 0.5, (places - 0.5) ** 2], axis=1)
    if weights is not None:
        values, shapes, falls = weights @ values, shapes @ weights.T, weights @ falls
    curved = np.linalg.qr(falls)[0]
    rest = values - curved @ (curved.T @ values)
    own = np.einsum("ij,ij->i", shapes, shapes) - ((shapes @ curved) ** 2).sum(axis=1)
    shared = shapes @ rest
    gain = np.where((own > 1e-3) & (shared > 0), shared**2 / np.maximum(own, 1e-3), 0.0)
    best = int(gain.argmax())
    width, ramp = _TEMPLATES[best // _PLACES]
    whole = float(rest @ rest)
    start = np.array([count, middles[best % _PLACES], width, ramp])
    return 1 - float(gain[best]) / max(whole, 1e-30), start, whole
