"""Bands that a strobe draws across a rolling shutter: their period, by a fit of the trapezoid that physics makes."""

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
_STRETCHED_TO: Final = (0.9, 0.6)  # bands, from which a fit with less than one begins
_NARROW: Final = 0.004
_ASTRIDE: Final = (-0.01, 0.01)  # relative, by which fits are begun anew to either side of the best
_BROADER: Final = 0.01
_TRIES: Final = 60  # of the model in one fit
_FEW_TRIES: Final = 20
_ROUNDS: Final = 3  # of fits begun anew
_BETTER: Final = 0.2  # chi-squared by which a round must be better than the last one to be followed by another
_SLOPING: Final = 0.03  # of a period: ramps that show the way to an edge
_STEEPER: Final = 0.4  # times the ramp, and
_LEVELLED: Final = 0.2  # of the way from width to ramp: other shapes with the same edges
_CORNERS: Final = 1.2  # by which corners of the model make its own claim too small (own bench, 240 pictures)
_FEW_BANDS: Final = 2.0
_TRADING: Final = 1.15  # with fewer, fall-off of the light and distance of the bands trade places (the same bench)
_LEAST_STEP: Final = 1e-5  # of a parameter
_LARGEST_STEP: Final = 0.05
_LONGEST_MEMORY: Final = 0.1  # of the rows: reach of the correlation of what remains
_QUIETEST: Final = 0.05  # of the largest variance of what remains

_LOW: Final = np.array([0.2, -np.inf, 0.01, _NARROW, -1.5, -3.0])
_HIGH: Final = np.array([np.inf, np.inf, 0.99, 0.98, 1.5, 3.0])
_FLASH: Final = 3  # of the parameters: the one that is told, if any
_SCALES: Final = np.array([0.02, 0.02, 0.05, 0.05, 0.1, 0.1])
_LEVELS_PRIOR: Final = np.array([1.0, 1.0, 10.0])  # of the range: pedestal, light between bands, height of bands
_FALL_PRIOR: Final = np.array([0.0, -0.8])  # tilt and bow of the light over the profile, and
_FALL_PRIOR_SD: Final = np.array([0.4, 0.8])  # how far they may be from it (common practice, no source)


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
        period is in the picture. Infinite where the flash is known.
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
    fitted: FloatArray
    places: FloatArray
    profile: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Profile:
    """Values over a range of 1 at places from 0 to 1, the noise from one to the next, and the flash if it is told."""

    places: FloatArray
    values: FloatArray
    noise: float
    flash: float | None


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


def fit_bands(profile: FloatArray, flash: float | None = None) -> Bands | None:
    """Fit a strobe's bands to the mean of each row.

    Parameters
    ----------
    profile : ndarray of shape (rows,)
        Proportional to exposure.
    flash : float, optional
        Share of the strobe's period for which it is lit, where it is known.

    Returns
    -------
    Bands or None
        None where the profile is flat.

    Notes
    -----
    Model: pedestal + (light + height x trapezoid) x (1 + a t + b t²), the last factor for the fall-off of lens and
    light, which the black level of the camera does not share. Weak priors hold a and b where few bands leave them open:
    the light falls off to both sides. Starts come from a scan over periods, places, widths and ramps, so no prior value
    of the period is needed; the best starts are refined by least squares, and the best of those again from either side
    and with other ramps, until that gains nothing, because the corners of a trapezoid hold a fit up.

    Whether a full period is seen is told by a second fit: the same edges with a period longer than the profile. Where
    only one rising and one falling edge are seen, it is as good, and nothing tells the period.

    What remains is larger where the light is brighter (texture, shot noise) and correlated where a texture lies behind
    the bands: the covariance of the parameters is of the sandwich form, with the variance as a line over the light
    squared and the autocovariance of the remainder, over secants of one standard uncertainty; it is widened by 20 %,
    and by 15 % more below two bands, where the fall-off of the light can stand in for part of their distance.

    What lost, in prototypes of 600 rows at a row SNR of 10 (standard deviation of the readout time), for 1.84 and 3.7
    bands: peak of the spectrum 2.6 and 0.39 %, autocorrelation 4.5 and 0.40 %, four harmonics of one phase 5.5 and
    0.105 %, a trapezoid 0.11 and 0.087 %. Harmonics are as good once several periods are seen and never better. A
    free parabola for the light of the bands and one between them: p90 7 % against 3 % below two bands, for bands could
    vanish. No pedestal: 25 % off where the light fell off by 80 %.
    """
    averaged = _averaged(np.asarray(profile, dtype=np.float64))
    scale = float(np.ptp(averaged))
    if scale <= 0 or len(averaged) < 16:
        return None
    values = averaged / scale
    noise = max(float(np.median(np.abs(np.diff(values)))) / (0.6745 * 2**0.5), _LEAST_STEP)
    seen = _Profile((np.arange(len(values)) + 0.5) / len(values), values, noise, flash)
    *starts, below = _starts(values)
    if flash is not None:
        told = [start for found in (*starts, below) for start in _as_told(found, flash)]
        return _described(seen, [_refined(seen, start) for start in told], [], scale)
    fits = _searched(seen, starts)
    best = min(fits, key=_cost)
    fewer = [_refined(seen, start, most=_BELOW_ONE) for start in (below, *_stretched(best.x))]
    return _described(seen, fits, fewer, scale)


def _cost(fit: optimize.OptimizeResult) -> float:
    return float(fit.cost)


def _searched(seen: _Profile, starts: list[FloatArray]) -> list[optimize.OptimizeResult]:
    """Return fits from every start, and from around the best as long as that gains."""
    fits = [_refined(seen, start) for start in starts]
    for _ in range(_ROUNDS):
        best = min(fits, key=_cost)
        anew = [_refined(seen, start, tries=_FEW_TRIES) for start in _around(best.x)]
        fits += anew
        if 2 * (best.cost - min(anew, key=_cost).cost) < _BETTER * seen.noise**2:
            break
    return fits


def _around(found: FloatArray) -> list[FloatArray]:
    """Return starts to either side of a fit, in number and width of the bands, and with the same edges otherwise."""
    count, middle, width, ramp, *fall = _shaped(found)
    beside = [
        [count * (1 + away), middle + 0.5 * count * away, width * (1 + broader), max(ramp, _SLOPING), *fall]
        for away in _ASTRIDE
        for broader in (-_BROADER, _BROADER)
    ]
    levelled = _LEVELLED * (width - ramp)
    reshaped = [[width, _STEEPER * ramp], [width + levelled, width - levelled]]
    return [np.array(start) for start in beside + [[count, middle, *shape, *fall] for shape in reshaped]]


def _stretched(found: FloatArray) -> list[FloatArray]:
    """Return starts with less than one band that keep the edges of the band, or of the gap, in the middle."""
    count, middle, width, ramp, *fall = _shaped(found)
    starts = []
    for fewer in _STRETCHED_TO:
        wider = fewer / count
        for own, share in ((0.0, min(width * wider, 1.0)), (0.5, 1 - min((1 - width) * wider, 1.0))):
            place = (middle + own + round(0.5 * count - middle - own)) / count
            starts.append(np.array([fewer, place * fewer - own, share, ramp * wider, *fall]))
    return starts


def _as_told(found: FloatArray, flash: float) -> list[FloatArray]:
    """Return starts with a flash as told, which is the ramp of the parameters: as many bands, or bands as wide."""
    count, middle, width, ramp = found
    place = (middle + round(0.5 * count - middle)) / count
    starts = [np.array([count, middle, shape, flash]) for shape in (width, ramp)]
    for own, other in ((width, ramp), (ramp, width)):
        scaled = count * flash / own
        starts.append(np.array([scaled, place * scaled, min(other * flash / own, 0.98), flash]))
    return starts


def _shaped(parameters: FloatArray) -> FloatArray:
    """Return parameters with the longer of flash and exposure first."""
    count, middle, width, ramp, *fall = parameters
    return np.array([count, middle, max(width, ramp), min(width, ramp), *fall])


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
    seen: _Profile, start: FloatArray, most: float | None = None, tries: int = _TRIES
) -> optimize.OptimizeResult:
    begun = start if len(start) == len(_LOW) else np.concatenate([start, _FALL_PRIOR / 2])
    high = _HIGH.copy()
    high[0] = most or len(seen.values) / 3
    begun = np.clip(begun, _LOW + 1e-6, high - 1e-6)
    is_free = np.arange(len(_LOW)) != (_FLASH if seen.flash is not None else -1)

    def whole(free: FloatArray) -> FloatArray:
        parameters = begun.copy()
        parameters[is_free] = free
        return parameters

    def misfit(free: FloatArray) -> FloatArray:
        return _misfit(seen, whole(free))

    found = optimize.least_squares(
        misfit,
        begun[is_free],
        bounds=(_LOW[is_free], high[is_free]),
        x_scale=_SCALES[is_free],
        diff_step=[1e-5] * int(is_free.sum()),
        max_nfev=tries,
    )
    slopes = np.zeros((len(found.fun), len(_LOW)))
    slopes[:, is_free] = np.asarray(found.jac)
    found.x, found.jac = whole(found.x), slopes
    return found


def _misfit(seen: _Profile, parameters: FloatArray) -> FloatArray:
    """Return model less values, followed by what the priors ask, shape (n + 5,); the levels are solved."""
    away = seen.places - 0.5
    count, middle, width, ramp, tilt, bow = _shaped(parameters)
    fall = 1 + tilt * away + bow * away**2
    columns = np.stack([np.ones_like(away), fall, fall * trapezoid(seen.places * count - middle, width, ramp)], axis=1)
    normal = columns.T @ columns + np.diag((seen.noise / _LEVELS_PRIOR) ** 2)
    levels = np.linalg.solve(normal, columns.T @ seen.values)
    asked = np.concatenate([levels / _LEVELS_PRIOR, (parameters[4:] - _FALL_PRIOR) / _FALL_PRIOR_SD])
    return np.concatenate([columns @ levels - seen.values, seen.noise * asked])


def _described(
    seen: _Profile, fits: list[optimize.OptimizeResult], fewer: list[optimize.OptimizeResult], scale: float
) -> Bands:
    values = seen.values
    best = min([*fits, *fewer], key=_cost)
    remainder = best.fun[: len(values)]
    growth = _growth(values + remainder, remainder)
    covariance = _autocovariance(remainder / growth) * len(values) / max(1, len(values) - len(_LOW) - 3)
    covariance[np.cumsum(covariance < 0) > 0] = 0.0
    variance = max(float(covariance[0] + 2 * covariance[1:].sum()), 1e-12)
    memory = np.concatenate([covariance, np.zeros(len(values) - len(covariance))])
    spread = _spread(best.jac, memory, growth, seen.noise)
    secants = _secants(seen, best.x, np.sqrt(np.maximum(np.diag(spread), 0.0)))
    spread = _spread(secants, memory, growth, seen.noise)
    within = max(float(spread[0, 0]), 0.0) + _between(best, [*fits, *fewer], variance)
    return Bands(
        count=float(best.x[0]),
        count_sd=_CORNERS * (_TRADING if best.x[0] < _FEW_BANDS else 1.0) * float(np.sqrt(within)),
        contrast=float(np.ptp(values + remainder)) / float(np.sqrt(max(covariance[0], 1e-12))),
        gain=(_flat_cost(seen) - 2 * best.cost) / variance,
        gain_below_one=2 * float(min(map(_cost, fewer), default=np.inf) - best.cost) / variance,
        fitted=(values + remainder) * scale,
        places=seen.places,
        profile=values * scale,
    )


def _growth(light: FloatArray, remainder: FloatArray) -> FloatArray:
    """Return the scatter of what remains at each place over its mean: its variance is a line over the light squared."""
    brightness = (light - light.min()) / max(float(np.ptp(light)), 1e-12)
    line, _ = optimize.nnls(np.stack([np.ones_like(light), brightness**2], axis=1), remainder**2)
    variance = line[0] + line[1] * brightness**2
    variance = np.maximum(variance, max(_QUIETEST * float(variance.max()), 1e-30))
    return np.asarray(np.sqrt(variance / variance.mean()))


def _spread(slopes: FloatArray, memory: FloatArray, growth: FloatArray, noise: float) -> FloatArray:
    """Return the covariance of the parameters, where what remains grows and has the autocovariance `memory`."""
    inverse = np.linalg.pinv(slopes)
    seen, asked = inverse[:, : len(growth)] * growth, inverse[:, len(growth) :]
    return np.asarray(seen @ linalg.matmul_toeplitz(memory, seen.T) + noise**2 * asked @ asked.T)


def _secants(seen: _Profile, found: FloatArray, steps: FloatArray) -> FloatArray:
    """Return the slopes of the model over a standard uncertainty to either side: its corners make tangents lie."""
    columns = []
    for number, step in enumerate(np.clip(steps, _LEAST_STEP, _LARGEST_STEP)):
        away = np.zeros_like(found)
        away[number] = 0.0 if number == _FLASH and seen.flash is not None else step
        columns.append((_misfit(seen, found + away) - _misfit(seen, found - away)) / (2 * step))
    return np.stack(columns, axis=1)


def _between(best: optimize.OptimizeResult, fits: list[optimize.OptimizeResult], variance: float) -> float:
    """Return the variance of the count from other fits that are nearly as good."""
    odds = np.exp(-np.array([max(float(fit.cost - best.cost), 0.0) for fit in fits]) / variance)
    away = np.array([float(fit.x[0] - best.x[0]) for fit in fits])
    return float(odds @ away**2 / odds.sum())


def _flat_cost(seen: _Profile) -> float:
    columns = np.stack([np.ones_like(seen.places), seen.places, seen.places**2], axis=1)
    rest = seen.values - columns @ np.linalg.lstsq(columns, seen.values, rcond=None)[0]
    return float(rest @ rest)


def _autocovariance(remainder: FloatArray) -> FloatArray:
    """Return the tapered autocovariance of what remains, from lag 0 to a tenth of the rows."""
    rows = len(remainder)
    longest = max(2, int(_LONGEST_MEMORY * rows))
    spectrum = np.abs(np.fft.rfft(remainder - remainder.mean(), 2 * rows)) ** 2
    raw = np.fft.irfft(spectrum)[:longest] / rows
    return np.asarray(raw * (1 - np.arange(longest) / longest))
