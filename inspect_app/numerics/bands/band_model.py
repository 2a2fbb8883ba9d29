"""Model of a strobe's bands in a profile of rows: a periodic trapezoid in front of a fall-off, and its fit."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import linalg, optimize

from inspect_app.numerics.bands.strip_light import StripLight

FloatArray = npt.NDArray[np.float64]

FLASH: Final = 3  # of the parameters: the one that is told, if any
FALL: Final = 4  # of them: where those of the fall-off of the light begin
PARAMETERS: Final = 6  #: count, middle, longer and shorter of flash and exposure in periods, tilt, bow
MODEL_SD: Final = 0.002  # of the range: noise is taken for no less
_MOST_SCATTER: Final = 0.6  # of the range: textures reached 0.5, more is a thing in the picture
_LEAST_LIGHT: Final = 1e-3  # of the brightest
_NARROW: Final = 0.004
_TRIES: Final = 60  # of the model in one fit
_LOW: Final = np.array([0.2, -np.inf, 0.01, _NARROW, -1.5, -3.0])
_HIGH: Final = np.array([np.inf, np.inf, 0.99, 0.98, 1.5, 3.0])
_SCALES: Final = np.array([0.02, 0.02, 0.05, 0.05, 0.1, 0.1])
_LEVELS_PRIOR: Final = np.array([1.0, 1.0, 10.0])  # of the range: pedestal, light between bands, height of bands
_FALL_PRIOR: Final = np.array([0.0, -0.8])  # tilt and bow of the light over the profile, and
_FALL_PRIOR_SD: Final = np.array([0.4, 0.8])  # how far they may be from it (common practice, no source)


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """Values over a range of 1 at places from 0 to 1, the noise from one to the next, and the flash if it is told.

    Each value is the mean of so many rows `together`, and the model is averaged over them likewise: it has corners.
    `scatter` is that of many values together, times the root of their number: the noise, or more by a texture; `scale`
    is the range that the values had. `whitener` is the lower factor (Cholesky) of the covariance of the values over
    `scatter` squared, where it is known: misfits are then as even and free of memory as noise of that scatter. `strips`
    is the light by what columns differ by, at the same places, where that is known.
    """

    places: FloatArray
    values: FloatArray
    noise: float
    scatter: float
    flash: float | None
    scale: float
    together: int = 1
    whitener: FloatArray | None = None
    strips: StripLight | None = None


def profile_of(
    values: FloatArray, flash: float | None, scatter: float = 0.0, reach: float = 1.0, *, together: int = 1
) -> Profile:
    """Return a profile of values that are not all the same, over their range; `scatter` is that of a texture.

    The values stand for the first `reach` of the whole height, each for so many rows `together`. The noise is that of
    their second differences, which the slopes of bands leave alone: by first differences, with what a fit leaves at
    least added and not only the least, u of 63 pictures of two bands and more was larger by a half in the median,
    and the count of the 38 with a texture off by 45 instead of 37 ppm (median).
    """
    scale = float(np.ptp(values))
    scaled = values / scale
    noise = max(float(np.median(np.abs(np.diff(scaled, 2)))) / (0.6745 * 6**0.5), MODEL_SD)
    places = reach * (np.arange(len(scaled)) + 0.5) / len(scaled)
    return Profile(places, scaled, noise, max(noise, min(scatter / scale, _MOST_SCATTER)), flash, scale, together)


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


def refined(
    seen: Profile, start: FloatArray, *, most: float | None = None, count: float | None = None, tries: int = _TRIES
) -> optimize.OptimizeResult:
    """Return the least-squares fit from a start: with `most` bands at most, or with exactly `count`."""
    begun = start if len(start) == PARAMETERS else np.concatenate([start, _FALL_PRIOR / 2])
    high = _HIGH.copy()
    high[0] = most or len(seen.values) / 3
    begun = np.clip(begun, _LOW + 1e-6, high - 1e-6)
    is_free = np.ones(PARAMETERS, dtype=bool)
    is_free[FLASH] = seen.flash is None
    if count is not None:
        begun[0], is_free[0] = count, False

    def whole(free: FloatArray) -> FloatArray:
        parameters = begun.copy()
        parameters[is_free] = free
        return parameters

    def rest(free: FloatArray) -> FloatArray:
        return misfit(seen, whole(free))

    found = optimize.least_squares(
        rest,
        begun[is_free],
        bounds=(_LOW[is_free], high[is_free]),
        x_scale=_SCALES[is_free],
        diff_step=[1e-5] * int(is_free.sum()),
        max_nfev=tries,
    )
    slopes = np.zeros((len(found.fun), PARAMETERS))
    slopes[:, is_free] = np.asarray(found.jac)
    found.x, found.jac = whole(found.x), slopes
    return found


def misfit(seen: Profile, parameters: FloatArray) -> FloatArray:
    """Return model less values, then what the priors ask, and what is off by the strips, shape (n + 5,) or (2n + 5,).

    The levels are solved.
    """
    shapes = bands_and_level(seen, parameters)
    columns, values, levels = _levelled(seen, shapes)
    asked = np.concatenate([levels / _LEVELS_PRIOR, (parameters[FALL:] - _FALL_PRIOR) / _FALL_PRIOR_SD])
    apart = np.empty(0) if seen.strips is None else seen.strips.misfit(shapes[:, 1:])
    return np.concatenate([columns @ levels - values, seen.scatter * asked, seen.scatter * apart])


def _levelled(seen: Profile, shapes: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return shapes and values as weighed, and how much of each shape there is, shape (3,)."""
    columns = np.concatenate([shapes, seen.values[:, None]], axis=1)
    if seen.whitener is not None:
        columns = linalg.solve_triangular(seen.whitener, columns, lower=True, check_finite=False)
    columns, values = columns[:, :3], columns[:, 3]
    normal = columns.T @ columns + np.diag((seen.scatter / _LEVELS_PRIOR) ** 2)
    return columns, values, np.linalg.solve(normal, columns.T @ values)


def bright(seen: Profile, parameters: FloatArray) -> FloatArray:
    """Return the same light as bright bands, where the parameters are those of dark ones between them.

    Of one length for both, bands of a negative height fit as well (algebra), and what asks where a band is, or how
    long, would be told of the gaps. As they are where the flash is told, or no gap is as long as an edge.
    """
    count, middle, width, ramp, *fall = shaped(parameters)
    if seen.flash is not None or 1 - width < ramp or _levelled(seen, bands_and_level(seen, parameters))[2][2] >= 0:
        return parameters
    return np.array([count, (middle + 0.5) % 1.0, 1 - width, ramp, *fall])


def depth_of(seen: Profile, parameters: FloatArray) -> float:
    """Return by what share of the light bands change it, where that is brightest; its fall-off is none of it."""
    shapes = bands_and_level(seen, parameters)
    fall, bands = shapes[:, 1], shapes[:, 2]
    levels = _levelled(seen, shapes)[2]
    light = shapes @ levels
    brightest = int(np.argmax(light))
    low, high = np.quantile(bands / np.where(fall == 0, 1.0, fall), (0, 1))
    change = abs(levels[2]) * (high - low) * fall[brightest]
    return float(change / max(float(light[brightest]), 1e-30))


def unlikeliness(seen: Profile, parameters: FloatArray) -> float:
    """Return minus the logarithm of how likely a profile is whose misfits are weighed, but for a constant."""
    rest = misfit(seen, parameters) / seen.scatter
    return float(rest @ rest) / 2 + (0.0 if seen.whitener is None else float(np.log(np.diag(seen.whitener)).sum()))


def light_by_strips(seen: Profile, parameters: FloatArray) -> FloatArray:
    """Return the light of a model that is fitted to strips as well, less the black level, shape (n,)."""
    shapes = _shapes(seen, parameters)
    levels = np.array([0.0, 1.0]) if seen.strips is None else seen.strips.levels(shapes)
    light = shapes @ levels
    return np.asarray(np.maximum(light, _LEAST_LIGHT * light.max()))


def bands_and_level(seen: Profile, parameters: FloatArray) -> FloatArray:
    """Return an even level, the fall-off of the light and the bands in it, shape (n, 3)."""
    shapes = _shapes(seen, parameters)
    return np.concatenate([np.ones((len(shapes), 1)), shapes], axis=1)


def _shapes(seen: Profile, parameters: FloatArray) -> FloatArray:
    """Return the fall-off of the light and the bands in it, shape (n, 2)."""
    away = seen.places - 0.5
    count, middle, width, ramp, tilt, bow = shaped(parameters)
    fall = 1 + tilt * away + bow * away**2
    beside = ((np.arange(seen.together) + 0.5) / seen.together - 0.5) * 2 * seen.places[0]
    rows = seen.places + beside[:, None]
    bands = trapezoid(rows * count - middle, width, ramp).reshape(seen.together, -1).mean(axis=0)
    return np.stack([fall, fall * bands], axis=1)


def shaped(parameters: FloatArray) -> FloatArray:
    """Return parameters with the longer of flash and exposure first."""
    count, middle, width, ramp, *fall = parameters
    return np.array([count, middle, max(width, ramp), min(width, ramp), *fall])


def stretched(found: FloatArray, count: float) -> list[FloatArray]:
    """Return starts with another number of bands that keep the edges of the band, or of the gap, in the middle."""
    own_count, middle, width, ramp, *fall = shaped(found)
    wider = count / own_count
    starts = []
    for own, share in ((0.0, min(width * wider, 1.0)), (0.5, 1 - min((1 - width) * wider, 1.0))):
        place = (middle + own + round(0.5 * own_count - middle - own)) / own_count
        starts.append(np.array([count, place * count - own, share, ramp * wider, *fall]))
    return starts
