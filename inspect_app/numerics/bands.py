"""Bands that a strobe draws across a rolling shutter: their period, by a fit of the trapezoid that physics makes."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import linalg, optimize

from inspect_app.numerics.band_model import (
    FLASH,
    PARAMETERS,
    Profile,
    misfit,
    profile_of,
    refined,
    shaped,
    stretched,
    trapezoid,
)
from inspect_app.numerics.row_texture import brightness, texture_memory

FloatArray = npt.NDArray[np.float64]

_MOST_ROWS: Final = 1000  # longer profiles are averaged down: an edge spans many rows
_FEWEST_ROWS: Final = 16
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
_TIGHTENED_TO: Final = (1.1, 1.3, 1.5, 1.8)  # bands, from which a fit with few begins again
_ASTRIDE: Final = (-0.01, 0.01)  # relative, by which fits are begun anew to either side of the best
_BROADER: Final = 0.01
_FEW_TRIES: Final = 20
_ROUNDS: Final = 3  # of fits begun anew
_BETTER: Final = 0.2  # chi-squared by which a round must be better than the last one to be followed by another
_SLOPING: Final = 0.03  # of a period: ramps that show the way to an edge
_STEEPER: Final = 0.4  # times the ramp, and
_LEVELLED: Final = 0.2  # of the way from width to ramp: other shapes with the same edges
_FALLS: Final = ((0.0, -1.0), (0.0, -2.5))  # tilt and bow: light and pedestal trade places, which holds a fit up
_CORNERS: Final = 1.2  # by which corners of the model make its own claim too small (own bench, 240 pictures)
_FEW_BANDS: Final = 2.0
_TRADING: Final = 1.15  # with fewer, fall-off of the light and distance of the bands trade places (the same bench)
_LEAST_STEP: Final = 1e-5  # of a parameter
_LARGEST_STEP: Final = 0.05
_LONGEST_MEMORY: Final = 0.1  # of the rows: reach of the correlation of what remains
_QUIETEST: Final = 0.05  # of the largest variance of what remains


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
    parameters : ndarray of shape (6,)
        Of the model, as `inspect_app.numerics.band_model` has them.
    variance : float
        Of the scatter in the long run, over the range of the profile squared.
    fitted : ndarray of shape (n,)
        The fitted profile, at `places`.
    places : ndarray of shape (n,)
        Positions from 0 to 1 along the profile.
    profile : ndarray of shape (n,)
        What was fitted.
    is_distance_seen : bool
        False where the count was not fitted but weighed by `inspect_app.numerics.one_band.likely_count`.
    """

    count: float
    count_sd: float
    contrast: float
    gain: float
    gain_below_one: float
    parameters: FloatArray
    variance: float
    fitted: FloatArray
    places: FloatArray
    profile: FloatArray
    is_distance_seen: bool = True


_TEMPLATES: Final = tuple((width, min(ramp, width)) for width in _WIDTHS for ramp in _RAMPS)
_TABLE: Final = np.array([trapezoid((np.arange(_TABLE_STEPS) + 0.5) / _TABLE_STEPS, *shape) for shape in _TEMPLATES])


def fit_bands(profile: FloatArray, flash: float | None = None, differences: FloatArray | None = None) -> Bands | None:
    """Fit a strobe's bands to the mean of each row.

    Parameters
    ----------
    profile : ndarray of shape (rows,)
        Proportional to exposure.
    flash : float, optional
        Share of the strobe's period for which it is lit, where it is known.
    differences : ndarray of shape (strips, rows), optional
        What the columns differ by, of `inspect_app.numerics.row_texture.strip_differences`.

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

    With few bands the search is made again from the same edges at other periods: of 60 profiles with triangles (a flash
    about as long as the exposure) and 1.05 to 1.5 bands, 17 were left with less than one, 11 of them in error.

    Whether a full period is seen is told by a second fit: the same edges with a period longer than the profile. Where
    only one rising and one falling edge are seen, it is as good, and nothing tells the period.

    What remains is larger where the light is brighter (texture, shot noise) and correlated where a texture lies behind
    the bands: the covariance of the parameters is of the sandwich form, with the variance as a line over the light
    squared and the autocovariance of the remainder, over secants of one standard uncertainty; it is widened by 20 %,
    and by 15 % more below two bands, where the fall-off of the light can stand in for part of their distance. A fit
    takes a part of a coarse texture for bands, so its remainder is too small: the same covariance is made of what the
    columns differ by, and the larger one counts.

    What lost, in prototypes of 600 rows at a row SNR of 10 (standard deviation of the readout time), for 1.84 and 3.7
    bands: peak of the spectrum 2.6 and 0.39 %, autocorrelation 4.5 and 0.40 %, four harmonics of one phase 5.5 and
    0.105 %, a trapezoid 0.11 and 0.087 %. Harmonics are as good once several periods are seen and never better. A
    free parabola for the light of the bands and one between them: p90 7 % against 3 % below two bands, for bands could
    vanish. No pedestal: 25 % off where the light fell off by 80 %.
    Rows that are clipped left out: four in ten of 60 clipped pictures refused, and no fewer of the others off.
    """
    averaged = _averaged(np.asarray(profile, dtype=np.float64))
    scale = float(np.ptp(averaged))
    if scale <= 0 or len(averaged) < _FEWEST_ROWS:
        return None
    seen = profile_of(averaged, flash)
    apart = None if differences is None else _averaged(differences) / scale
    *starts, below = _starts(seen.values)
    if flash is not None:
        told = [start for found in (*starts, below) for start in _as_told(found, flash)]
        return _described(seen, [refined(seen, start) for start in told], [], apart)
    fits = _searched(seen, starts)
    best = min(fits, key=_cost)
    if best.x[0] < _FEW_BANDS:
        more = [start for count in _TIGHTENED_TO for start in stretched(best.x, count)]
        fits += _searched(seen, more)
        best = min(fits, key=_cost)
    kept = [start for count in _STRETCHED_TO for start in stretched(best.x, count)]
    fewer = [refined(seen, start, most=_BELOW_ONE) for start in (below, *kept)]
    return _described(seen, fits, fewer, apart)


def _cost(fit: optimize.OptimizeResult) -> float:
    return float(fit.cost)


def _searched(seen: Profile, starts: list[FloatArray]) -> list[optimize.OptimizeResult]:
    """Return fits from every start, and from around the best as long as that gains."""
    fits = [refined(seen, start) for start in starts]
    for _ in range(_ROUNDS):
        best = min(fits, key=_cost)
        anew = [refined(seen, start, tries=_FEW_TRIES) for start in _around(best.x)]
        fits += anew
        if 2 * (best.cost - min(anew, key=_cost).cost) < _BETTER * seen.noise**2:
            break
    return fits


def _around(found: FloatArray) -> list[FloatArray]:
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


def _as_told(found: FloatArray, flash: float) -> list[FloatArray]:
    """Return starts with a flash as told, which is the ramp of the parameters: as many bands, or bands as wide."""
    count, middle, width, ramp = found
    place = (middle + round(0.5 * count - middle)) / count
    starts = [np.array([count, middle, shape, flash]) for shape in (width, ramp)]
    for own, other in ((width, ramp), (ramp, width)):
        scaled = count * flash / own
        starts.append(np.array([scaled, place * scaled, min(other * flash / own, 0.98), flash]))
    return starts


def _averaged(profiles: FloatArray) -> FloatArray:
    rows = profiles.shape[-1]
    count = max(1, rows // _MOST_ROWS)
    kept = profiles[..., : rows // count * count]
    return np.asarray(kept.reshape(*profiles.shape[:-1], -1, count).mean(axis=-1))


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


def _described(
    seen: Profile,
    fits: list[optimize.OptimizeResult],
    fewer: list[optimize.OptimizeResult],
    differences: FloatArray | None,
) -> Bands:
    values = seen.values
    best = min([*fits, *fewer], key=_cost)
    remainder = best.fun[: len(values)]
    growth = _growth(values + remainder, remainder)
    memory = _tapered(_autocovariance(remainder / growth)) * len(values) / max(1, len(values) - PARAMETERS - 3)
    memory[np.cumsum(memory < 0) > 0] = 0.0
    variance = max(float(memory[0] + 2 * memory[1:].sum()), 1e-12)
    spread = _spread(best.jac, memory, growth, seen.noise)
    secants = _secants(seen, best.x, np.sqrt(np.maximum(np.diag(spread), 0.0)))
    spreads = [_spread(secants, memory, growth, seen.noise)]
    if differences is not None:
        spreads.append(_spread(secants, _tapered(texture_memory(differences, values)), brightness(values), seen.noise))
    within = max(0.0, *(float(spread[0, 0]) for spread in spreads)) + _between(best, [*fits, *fewer], variance)
    return Bands(
        count=float(best.x[0]),
        count_sd=_CORNERS * (_TRADING if best.x[0] < _FEW_BANDS else 1.0) * float(np.sqrt(within)),
        contrast=float(np.ptp(values + remainder)) / float(np.sqrt(max(memory[0], 1e-12))),
        gain=(_flat_cost(seen) - 2 * best.cost) / variance,
        gain_below_one=2 * float(min(map(_cost, fewer), default=np.inf) - best.cost) / variance,
        parameters=best.x,
        variance=variance,
        fitted=(values + remainder) * seen.scale,
        places=seen.places,
        profile=values * seen.scale,
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


def _secants(seen: Profile, found: FloatArray, steps: FloatArray) -> FloatArray:
    """Return the slopes of the model over a standard uncertainty to either side: its corners make tangents lie."""
    columns = []
    for number, step in enumerate(np.clip(steps, _LEAST_STEP, _LARGEST_STEP)):
        away = np.zeros_like(found)
        away[number] = 0.0 if number == FLASH and seen.flash is not None else step
        columns.append((misfit(seen, found + away) - misfit(seen, found - away)) / (2 * step))
    return np.stack(columns, axis=1)


def _between(best: optimize.OptimizeResult, fits: list[optimize.OptimizeResult], variance: float) -> float:
    """Return the variance of the count from other fits that are nearly as good."""
    odds = np.exp(-np.array([max(float(fit.cost - best.cost), 0.0) for fit in fits]) / variance)
    away = np.array([float(fit.x[0] - best.x[0]) for fit in fits])
    return float(odds @ away**2 / odds.sum())


def _flat_cost(seen: Profile) -> float:
    columns = np.stack([np.ones_like(seen.places), seen.places, seen.places**2], axis=1)
    rest = seen.values - columns @ np.linalg.lstsq(columns, seen.values, rcond=None)[0]
    return float(rest @ rest)


def _autocovariance(remainder: FloatArray) -> FloatArray:
    """Return the autocovariance of what remains, from lag 0 on."""
    rows = len(remainder)
    spectrum = np.abs(np.fft.rfft(remainder - remainder.mean(), 2 * rows)) ** 2
    return np.asarray(np.fft.irfft(spectrum)[:rows] / rows)


def _tapered(memory: FloatArray) -> FloatArray:
    """Return an autocovariance that falls to nothing over a tenth of the rows."""
    rows = len(memory)
    longest = max(2, int(_LONGEST_MEMORY * rows))
    return memory * np.maximum(1 - np.arange(rows) / longest, 0.0)
