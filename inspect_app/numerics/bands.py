"""Bands that a strobe draws across a rolling shutter: their period, by a fit of the trapezoid that physics makes."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import linalg, optimize

FloatArray = npt.NDArray[np.float64]

_MOST_ROWS: Final = 1000  # longer profiles are averaged down: an edge spans many rows
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
_HOPEFUL: Final = 3.0  # times the lowest cost of the scan up to which a start is worth refining
_BELOW_ONE: Final = 0.95
_MARGIN: Final = 0.004  # of the profile: an edge so near its end is not seen
_NARROW: Final = 0.004
_ASTRIDE: Final = (-0.01, 0.01)  # relative, by which fits are begun anew to either side of the best
_BROADER: Final = 0.01
_TRIES: Final = 60  # of the model in one fit
_FEW_TRIES: Final = 20
_SLOPING: Final = 0.03  # of a period: ramps that show the way to an edge
_CORNERS: Final = 1.15  # by which corners of the model make its own claim too small (own bench, 120 pictures)
_FEW_BANDS: Final = 2.0
_TRADING: Final = 1.4  # with fewer, fall-off of the light and distance of the bands trade places (the same bench)
_LEAST_STEP: Final = 1e-5  # of a parameter
_LARGEST_STEP: Final = 0.05
_LONGEST_MEMORY: Final = 0.1  # of the rows: reach of the correlation of what remains


@dataclass(frozen=True, slots=True, kw_only=True)
class Bands:
    """Bands in a profile.

    Parameters
    ----------
    count : float
        Periods over the whole profile.
    count_sd : float
        Its standard uncertainty from the fit.
    contrast : float
        Height of the bands over the scatter that remains after the fit.
    gain : float
        Drop of the sum of squares against a profile without bands, in units of the scatter's variance: chi-squared.
    gain_below_one : float
        How much better (chi-squared) the fit is than the best one with less than one band; tells whether a full
        period is in the picture.
    edges : int
        Edges of one kind, rising or falling, in the profile.
    fitted : ndarray of shape (n,)
        The fitted profile, at `places`.
    places : ndarray of shape (n,)
        Positions from 0 to 1 along the profile.
    profile : ndarray of shape (n,)
        What was fitted.
    """

    count: float
    count_sd: float
    contrast: float
    gain: float
    gain_below_one: float
    edges: int
    fitted: FloatArray
    places: FloatArray
    profile: FloatArray


def trapezoid(phase: FloatArray, width: float, ramp: float) -> FloatArray:
    """Return the periodic overlap of a shutter and a flash, 0 to 1.

    Parameters
    ----------
    phase : ndarray
        In periods from the middle of a band.
    width : float
        Full width at half height, in periods: the longer of flash and exposure.
    ramp : float
        Length of each ramp, in periods: the shorter of the two.

    Examples
    --------
    >>> trapezoid(np.array([0.0, 0.2, 0.25, 0.3, 0.5]), 0.5, 0.2).round(3).tolist()
    [1.0, 0.75, 0.5, 0.25, 0.0]
    """
    away = np.abs(phase - np.round(phase))
    rise = 1 / max(ramp, 1e-6)
    direct = np.clip((width / 2 - away) * rise + 0.5, 0.0, 1.0)
    around = np.clip((width / 2 - (1 - away)) * rise + 0.5, 0.0, 1.0)
    return np.asarray(direct + around)


_TEMPLATES: Final = tuple((width, min(ramp, width)) for width in _WIDTHS for ramp in _RAMPS)
_TABLE: Final = np.array([trapezoid((np.arange(_TABLE_STEPS) + 0.5) / _TABLE_STEPS, *shape) for shape in _TEMPLATES])


def fit_bands(profile: FloatArray) -> Bands | None:
    """Fit a strobe's bands to the mean of each row.

    Parameters
    ----------
    profile : ndarray of shape (rows,)
        Proportional to exposure.

    Returns
    -------
    Bands or None
        None where the profile is flat.

    Notes
    -----
    Model: (level + height x trapezoid) x (1 + a x + b x²), the last factor for the fall-off of lens and light. Starts
    come from a scan over periods, places, widths and ramps, so no prior value is needed; the best starts are refined by
    least squares, and the best of those again from either side, because the corners of a trapezoid hold a fit up. What
    remains is correlated where a texture lies behind the bands: the covariance of the parameters is of the sandwich
    form with the remainder's own autocovariance, over secants of one standard uncertainty, widened by 15 %,
    and by 40 % more below two bands, where the fall-off of the light can stand in for part of their distance.

    What lost, in prototypes of 600 rows at a row SNR of 10 (standard deviation of the readout time), for 1.84 and 3.7
    bands: peak of the spectrum 2.6 and 0.39 %, autocorrelation 4.5 and 0.40 %, four harmonics of one phase 5.5 and
    0.105 %, this fit 0.11 and 0.087 %. Harmonics are as good once several periods are seen and never better.
    """
    values = _averaged(np.asarray(profile, dtype=np.float64))
    scale = float(np.ptp(values))
    if scale <= 0 or len(values) < 16:
        return None
    values = values / scale
    places = (np.arange(len(values)) + 0.5) / len(values)
    *starts, below = _starts(values)
    fits = [_refined(places, values, start) for start in starts]
    fits += [_refined(places, values, start, tries=_FEW_TRIES) for start in _astride(min(fits, key=_cost))]
    best = min(fits, key=_cost)
    fewer = _refined(places, values, below, most=_BELOW_ONE)
    return _described(places, values, best, [*fits, fewer], scale)


def _cost(fit: optimize.OptimizeResult) -> float:
    return float(fit.cost)


def _astride(best: optimize.OptimizeResult) -> list[FloatArray]:
    """Return starts to either side of a fit, in number and width of the bands: corners of the model hold a fit up."""
    count, middle, width, ramp = best.x[:4]
    return [
        np.array([count * (1 + away), middle + 0.5 * count * away, width * (1 + broader), max(ramp, _SLOPING)])
        for away in _ASTRIDE
        for broader in (-_BROADER, _BROADER)
    ]


def _averaged(profile: FloatArray) -> FloatArray:
    count = max(1, len(profile) // _MOST_ROWS)
    kept = len(profile) // count * count
    return np.asarray(profile[:kept].reshape(-1, count).mean(axis=1))


def _starts(values: FloatArray) -> list[FloatArray]:
    """Return the best parameter sets of the coarse scan, and the best with less than one band at the end."""
    size = max(1, len(values) // _COARSE_ROWS)
    counts = np.arange(_FEWEST_BANDS, _SCANNED_BANDS, _BAND_STEP)
    coarse = values[: len(values) // size * size].reshape(-1, size).mean(axis=1)
    scanned = [_best_of(coarse, float(count)) for count in counts]
    scanned += [_best_of(values, count) for count in _spectral_counts(values)]
    hopeful = _HOPEFUL * min(entry[0] for entry in scanned) + 0.02
    minima = [entry for entry in _local_minima(scanned) if entry[0] < hopeful]
    below = min((entry for entry in scanned if entry[1][0] < _BELOW_ONE), key=lambda entry: entry[0])
    return [entry[1] for entry in minima[:_STARTS]] + [below[1]]


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


def _best_of(values: FloatArray, count: float) -> tuple[float, FloatArray]:
    """Return the lowest remaining share of the sum of squares for a number of bands, and its parameters."""
    places = (np.arange(len(values)) + 0.5) / len(values)
    middles = np.arange(_PLACES) / _PLACES
    phase = places[None, :] * count - middles[:, None]
    shapes = _TABLE[:, (phase * _TABLE_STEPS).astype(int) % _TABLE_STEPS].reshape(-1, len(values))
    curved = np.linalg.qr(np.stack([np.ones_like(places), places - 0.5, (places - 0.5) ** 2], axis=1))[0]
    rest = values - curved @ (curved.T @ values)
    own = np.einsum("ij,ij->i", shapes, shapes) - ((shapes @ curved) ** 2).sum(axis=1)
    shared = shapes @ rest
    gain = np.where((own > 1e-3) & (shared > 0), shared**2 / np.maximum(own, 1e-3), 0.0)
    best = int(gain.argmax())
    width, ramp = _TEMPLATES[best // _PLACES]
    cost = 1 - float(gain[best]) / max(float(rest @ rest), 1e-30)
    return cost, np.array([count, middles[best % _PLACES], width, ramp])


def _refined(
    places: FloatArray, values: FloatArray, start: FloatArray, most: float | None = None, tries: int = _TRIES
) -> optimize.OptimizeResult:
    low = np.array([0.2, -1.0, 0.01, _NARROW, -1.5, -3.0])
    high = np.array([most or len(values) / 3, 2.0, 0.99, 0.98, 1.5, 3.0])
    begun = np.clip(np.concatenate([start, [0.0, 0.0]]), low + 1e-6, high - 1e-6)

    def remainder(parameters: FloatArray) -> FloatArray:
        return _modelled(places, values, parameters) - values

    return optimize.least_squares(
        remainder,
        begun,
        bounds=(low, high),
        x_scale=np.array([0.02, 0.02, 0.05, 0.05, 0.1, 0.1]),
        diff_step=[1e-5] * 6,
        max_nfev=tries,
    )


def _modelled(places: FloatArray, values: FloatArray, parameters: FloatArray) -> FloatArray:
    """Return the model with level and height solved by least squares."""
    count, middle, width, ramp, tilt, bow = parameters
    away = places - 0.5
    fall = 1 + tilt * away + bow * away**2
    band = fall * trapezoid(places * count - middle, width, ramp)
    falls, mixed, bands = float(fall @ fall), float(fall @ band), float(band @ band)
    whole = max(falls * bands - mixed**2, 1e-12)
    by_fall, by_band = float(fall @ values), float(band @ values)
    level = (bands * by_fall - mixed * by_band) / whole
    height = (falls * by_band - mixed * by_fall) / whole
    return np.asarray(level * fall + height * band)


def _described(
    places: FloatArray,
    values: FloatArray,
    best: optimize.OptimizeResult,
    fits: list[optimize.OptimizeResult],
    scale: float,
) -> Bands:
    remainder = best.fun
    rows = len(values)
    freedom = max(1, rows - 8)
    covariance = _autocovariance(remainder) * rows / freedom
    variance = float(covariance[0] + 2 * covariance[1:].sum())
    variance = max(variance, float(covariance[0]), 1e-12)
    memory = np.concatenate([covariance, np.zeros(rows - len(covariance))])
    spread = _spread(np.asarray(best.jac), memory)
    spread = _spread(_secants(places, values, best.x, np.sqrt(np.maximum(np.diag(spread), 0.0))), memory)
    flat = _flat_cost(places, values)
    spread_between = _between(best, fits, variance)
    height = float(np.ptp(values + remainder))
    return Bands(
        count=float(best.x[0]),
        count_sd=_CORNERS
        * (_TRADING if best.x[0] < _FEW_BANDS else 1.0)
        * float(np.sqrt(max(spread[0, 0], 0.0) + spread_between)),
        contrast=height / float(np.sqrt(max(covariance[0], 1e-12))),
        gain=(flat - 2 * best.cost) / variance,
        gain_below_one=2 * float(fits[-1].cost - best.cost) / variance,
        edges=_edges(best.x),
        fitted=(values + remainder) * scale,
        places=places,
        profile=values * scale,
    )


def _spread(slopes: FloatArray, memory: FloatArray) -> FloatArray:
    """Return the covariance of the parameters, where what remains has the autocovariance `memory`."""
    pseudo = np.linalg.pinv(slopes)
    return np.asarray(pseudo @ linalg.matmul_toeplitz(memory, pseudo.T))


def _secants(places: FloatArray, values: FloatArray, found: FloatArray, steps: FloatArray) -> FloatArray:
    """Return the slopes of the model over a standard uncertainty to either side: its corners make tangents lie."""
    columns = []
    for number, step in enumerate(np.clip(steps, _LEAST_STEP, _LARGEST_STEP)):
        away = np.zeros_like(found)
        away[number] = step
        rise = _modelled(places, values, found + away) - _modelled(places, values, found - away)
        columns.append(rise / (2 * step))
    return np.stack(columns, axis=1)


def _between(best: optimize.OptimizeResult, fits: list[optimize.OptimizeResult], variance: float) -> float:
    """Return the variance of the count from other fits that are nearly as good."""
    odds = np.exp(-np.array([max(float(fit.cost - best.cost), 0.0) for fit in fits]) / variance)
    away = np.array([float(fit.x[0] - best.x[0]) for fit in fits])
    return float(odds @ away**2 / odds.sum())


def _edges(parameters: FloatArray) -> int:
    """Return how many edges of one kind, rising or falling, lie in the profile: two enclose a full period."""
    count, middle, width = parameters[:3]
    turns = np.arange(-2, math.ceil(count) + 4)
    return max(
        int(np.sum((at > _MARGIN) & (at < 1 - _MARGIN)))
        for at in (
            (turns + middle - width / 2) / count,
            (turns + middle + width / 2) / count,
        )
    )


def _flat_cost(places: FloatArray, values: FloatArray) -> float:
    columns = np.stack([np.ones_like(places), places, places**2], axis=1)
    rest = values - columns @ np.linalg.lstsq(columns, values, rcond=None)[0]
    return float(rest @ rest)


def _autocovariance(remainder: FloatArray) -> FloatArray:
    """Return the tapered autocovariance of what remains, from lag 0 to a tenth of the rows."""
    rows = len(remainder)
    longest = max(2, int(_LONGEST_MEMORY * rows))
    spectrum = np.abs(np.fft.rfft(remainder - remainder.mean(), 2 * rows)) ** 2
    raw = np.fft.irfft(spectrum)[:longest] / rows
    return np.asarray(raw * (1 - np.arange(longest) / longest))
