"""The texture behind a field and how it scatters the means of rows, by what upright strips of the picture differ by."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import fft, optimize

FloatArray = npt.NDArray[np.float64]

_STRIPS: Final = 12
_PLACES: Final = 12  # in each strip, over which the covariance of strips is summed
_GRAINS_ROWS: Final = np.array([1.5, 3.0, 6.0, 12.0, 24.0, 48.0])  # standard widths of blobs of a texture
_MOST_WAVES: Final = 200  # half waves over the rows that are looked at
_FAINTEST: Final = 1e-5  # of the range of the light: strips of a picture without noise do not differ at all
_DARKEST: Final = 0.15  # of the brightest light: below, what strips differ by is not divided by it
_ROUNDS: Final = 40
_QUIETEST: Final = 1e-9  # of the mean power
_LEAST_DARK: Final = 0.01  # of the range of the light: light of the darkest row
_MOST_DARK: Final = 20.0
_LOOKS: Final = 10  # at that light


@dataclass(frozen=True, slots=True, eq=False)
class Strips:
    """Means of the rows of upright strips, shape (12, rows), and how wide all of them are together, in rows."""

    means: FloatArray
    width_rows: float
    is_clipped: bool


@dataclass(frozen=True, slots=True, eq=False)
class Texture:
    """Texture that is multiplied by the light.

    `growth` is the light of each row, shape (n,), less the black level, 1 in the root of its mean square; `strength`
    the variance of each grain where it is 1, and `memory` the autocovariance of the mean of all columns from lag 0.
    Noise, which nothing ties to the next row, is not in it.
    """

    growth: FloatArray
    strength: FloatArray
    memory: FloatArray


def strips_of(picture: FloatArray, together: int, *, is_clipped: bool = False) -> Strips:
    """Return the strips of a picture of shape (rows, cols), of which so many rows are taken `together` for one."""
    rows, cols = picture.shape
    wide = max(1, cols // _STRIPS)
    kept = picture[: rows // together * together, : _STRIPS * wide]
    means = kept.reshape(-1, together, kept.shape[1] // wide, wide).mean(axis=(1, 3))
    return Strips(np.ascontiguousarray(means.T), kept.shape[1] / together, is_clipped)


def differences(strips: Strips) -> FloatArray:
    """Return what the strips differ by, as cosines over them, shape (11, rows): light that all share is in none."""
    return np.asarray(fft.dct(strips.means, axis=0, norm="ortho")[1:])


def across(width_rows: float) -> FloatArray:
    """Return the variance of each cosine over the strips for each grain of variance 1, shape (grains, 11)."""
    return np.asarray(np.diagonal(fft.dctn(_tied(width_rows), axes=(1, 2), norm="ortho"), axis1=1, axis2=2)[:, 1:])


def along(rows: int, waves: int) -> FloatArray:
    """Return the power of each grain of variance 1 at so many half waves over the rows, shape (grains, waves)."""
    phase = np.pi * np.arange(waves) / rows * _GRAINS_ROWS[:, None]
    return np.asarray(2 * np.pi**0.5 * _GRAINS_ROWS[:, None] * np.exp(-(phase**2)))


def texture_of(strips: Strips, light: FloatArray, *, has_black: bool = True) -> Texture:
    """Estimate the texture behind a field.

    Parameters
    ----------
    strips : Strips
        Of the picture, in any unit proportional to exposure.
    light : ndarray of shape (rows,)
        Of the rows, in any unit.
    has_black : bool
        Whether the light may stand on a black level.

    Returns
    -------
    Texture
        In the unit of the strips, squared.

    Notes
    -----
    Texture that all columns share cannot be told from light that changes with time. Assumed is a texture alike in both
    directions, a sum of blobs of Gaussian grain with the covariance C exp(-lag²/4s²), multiplied by the light: what
    strips differ by then tells what all of them share. Cosines over the strips and over the rows of what they differ
    by, over the light, are nearly independent; the C are where they are likeliest (Whittle's likelihood, 1953, from
    memory; multiplicative steps as in Itakura and Saito's distance). So is the black level: with a wrong one, edges of
    bands remain in what strips differ by. The mean over the rows of each cosine is left out, as light falls off from
    side to side.

    What lost, for the readout time of 65 pictures under a strobe: non-negative least squares on covariances at some
    lags found a half to a third of the coarse grain (root mean square of error / u 1.4 to 2). Light from the means of
    the rows, with their noise, instead of a fit: p90 2.9 against 0.9 % (17 of them).

    Breaks down for grain coarser than half of the width, and where a few lit rows are all that shows the texture.
    """
    rows, level = len(light), float(light.min())
    span = max(float(np.ptp(light)), 1e-30)
    waves = max(2, min(rows // 3, _MOST_WAVES))
    tied = across(strips.width_rows)[:, :, None] * along(rows, waves)[:, None, 1:]
    model = np.concatenate([tied.reshape(len(tied), -1), np.ones((1, tied[0].size))])
    apart = differences(strips)
    apart = apart if float(np.mean(apart**2)) > (_FAINTEST * span) ** 2 else np.zeros_like(apart)

    def seen(dark: float) -> _Fit:
        return _fitted(apart, (light - level) / span + dark, model)

    dark = level / span
    if has_black and dark > _LEAST_DARK:
        bounds = (float(np.log(_LEAST_DARK)), float(np.log(min(dark, _MOST_DARK))))
        found = optimize.minimize_scalar(
            lambda logarithm: seen(float(np.exp(logarithm))).cost,
            bounds=bounds,
            method="bounded",
            options={"maxiter": _LOOKS},
        )
        dark = float(np.exp(found.x))
    best = seen(max(dark, _LEAST_DARK))
    shared = best.strength * _tied(strips.width_rows).mean(axis=(1, 2))
    return Texture(best.growth, best.strength, _alike(np.arange(rows)) @ shared)


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """How unlikely strips are at best under a light, and the strength of each grain."""

    cost: float
    growth: FloatArray
    strength: FloatArray


def _fitted(apart: FloatArray, light: FloatArray, model: FloatArray) -> _Fit:
    """Return the strength of each grain by which strips are likeliest in a light; `model` has their powers, and 1."""
    growth = light / np.sqrt(np.mean(light**2))
    divisor = np.maximum(growth, _DARKEST * growth.max())
    waves = model.shape[1] // len(apart) + 1
    power = fft.dct(apart / divisor, axis=1, norm="ortho")[:, 1:waves].ravel() ** 2
    mean = float(power.mean())
    if mean <= 0:
        return _Fit(0.0, growth, np.zeros(len(model) - 1))
    power /= mean
    grains = model * np.append(np.full(len(model) - 1, np.mean((growth / divisor) ** 2)), 1.0)[:, None]
    strength = 1 / grains.mean(axis=1) / len(grains)
    for _ in range(_ROUNDS):
        expected = np.maximum(strength @ grains, _QUIETEST)
        strength = strength * (grains @ (power / expected**2)) / (grains @ (1 / expected))
    expected = np.maximum(strength @ grains, _QUIETEST)
    cost = float(np.sum(np.log(expected * mean) + power / expected)) / 2 + float(np.log(divisor).mean()) * len(power)
    return _Fit(cost, growth, mean * strength[:-1])


def _tied(width_rows: float) -> FloatArray:
    """Return the covariance of the strips for each grain of variance 1, shape (grains, 12, 12)."""
    places = (np.arange(_STRIPS * _PLACES) + 0.5) / (_STRIPS * _PLACES) * width_rows
    away = places[:, None] - places
    alike = np.exp(-((away / (2 * _GRAINS_ROWS[:, None, None])) ** 2))
    return np.asarray(alike.reshape(-1, _STRIPS, _PLACES, _STRIPS, _PLACES).mean(axis=(2, 4)))


def _alike(lags: npt.NDArray[np.int64]) -> FloatArray:
    """Return the correlation of each grain over lags, shape (lags, grains)."""
    return np.asarray(np.exp(-((lags[:, None] / (2 * _GRAINS_ROWS)) ** 2)))
