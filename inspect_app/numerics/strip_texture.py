"""How a texture behind a field scatters the means of its rows, by what upright strips of the picture differ by."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import optimize

FloatArray = npt.NDArray[np.float64]

_STRIPS: Final = 12
_BLOCKS: Final = (12, 6, 4, 3, 2)  # of strips beside one another, that are compared
_LAGS: Final = (2, 4, 8, 16, 32, 64, 128)  # rows: noise, which a coder may spread to the next row, has none of them
_GRAINS_ROWS: Final = (3.0, 6.0, 12.0, 24.0, 48.0, 96.0)  # standard widths of the blobs of which a texture is summed
_FINEST: Final = 300  # places over which a mean is taken
_QUIETEST: Final = 0.05  # of the largest scatter
_FAINTEST: Final = 1e-5  # of the range of the light: strips of a picture without noise do not differ at all
_ROUNDS: Final = 3
_COARSEST: Final = 1 / 6  # of the width: what coarser grain leaves in all strips would be guessed from too little
_CHANCE_GAIN: Final = 20.0  # chi-squared; noise reached 11 in 160 pictures, textures have hundreds (own trial)


@dataclass(frozen=True, slots=True, eq=False)
class Strips:
    """Means of the rows of upright strips, shape (12, rows), and how wide all of them are together, in rows."""

    means: FloatArray
    width_rows: float


@dataclass(frozen=True, slots=True, eq=False)
class Texture:
    """Scatter of the mean of all columns: how it grows with the light, shape (n,), and its autocovariance from lag 0.

    `growth` is 1 in the root of its mean square. Noise, which nothing ties to the next row, is not in it.
    """

    growth: FloatArray
    memory: FloatArray


def strips_of(picture: FloatArray, together: int) -> Strips:
    """Return the strips of a picture of shape (rows, cols), of which so many rows are taken `together` for one."""
    rows, cols = picture.shape
    wide = max(1, cols // _STRIPS)
    kept = picture[: rows // together * together, : _STRIPS * wide]
    means = kept.reshape(-1, together, kept.shape[1] // wide, wide).mean(axis=(1, 3))
    return Strips(np.ascontiguousarray(means.T), kept.shape[1] / together)


def texture_of(strips: Strips, light: FloatArray) -> Texture:
    """Estimate how a texture scatters the means of rows.

    Parameters
    ----------
    strips : Strips
        Of the picture, in any unit proportional to exposure.
    light : ndarray of shape (rows,)
        Means of the rows.

    Returns
    -------
    Texture
        In the unit of the strips squared.

    Notes
    -----
    Texture that all columns share cannot be told from light that changes with time, and coarse grain is much the same
    in strips beside one another. Assumed is a texture alike in both directions, a sum of blobs of Gaussian grain:
    blocks of strips differ over lags by what each grain leaves in a block but not in the whole picture,
    C (q(w) - q(W)) exp(-lag²/4s²), with q(w) the mean of exp(-(x - x')²/4s²) over a block. Non-negative least squares
    give the C; the mean of all columns then scatters by C q(W). It is more where the light is brighter: a line over the
    light above the darkest row, squared. It counts the less the more likely noise alone would fit as well, by a rule
    without a step: with one, a texture went unseen, and u fell by a fifth, as noise rose.

    What lost: three strips taken for independent (of 91 pictures value ± 2 u held 88 %, root mean square of error / u
    1.5; so 94 %, 1.1). Grains up to the width of the picture, widened by Student's t for the few cells that tell of
    them (97 %): noise was taken for coarse grain now and then, and u was up to fifty times too large.

    Breaks down for grain coarser than a sixth of the width, of which it finds half to a third, and where a few lit rows
    are all that shows the texture.
    """
    rows = len(light)
    apart = _without_fall_off(strips.means, light)
    growth = _growth(light, apart)
    lags = [lag for lag in _LAGS if lag < rows / 3]
    is_told = np.array(_GRAINS_ROWS) < _COARSEST * strips.width_rows
    seen, made = [], []
    for blocks in (count for count in _BLOCKS if len(apart) % count == 0 and len(apart) >= count):
        means = (apart / growth).reshape(blocks, -1, rows).mean(axis=1)
        chance = max(float(np.mean(means**2)), (_FAINTEST * float(np.ptp(light))) ** 2) / rows**0.5
        seen.append(np.array([np.mean(means[:, lag:] * means[:, :-lag]) for lag in lags]) / chance)
        own = is_told * (_kept(strips.width_rows / blocks) - _kept(strips.width_rows))
        made.append(own * _alike(np.array(lags)) / chance)
    strength, rest = optimize.nnls(np.concatenate(made), np.concatenate(seen))
    gain = float(np.sum(np.concatenate(seen) ** 2)) - rest**2
    strength *= gain / (gain + _CHANCE_GAIN)
    return Texture(growth, _alike(np.arange(rows)) @ (strength * _kept(strips.width_rows)))


def _without_fall_off(means: FloatArray, light: FloatArray) -> FloatArray:
    """Return what strips differ by, less light that falls off over them as a parabola, and less a black level."""
    across = np.linspace(-1.0, 1.0, len(means))
    bent = np.stack([across, across**2 - np.mean(across**2)], axis=1)
    along = np.stack([np.ones_like(light), light], axis=1)
    apart = means - means.mean(axis=0)
    shares = np.linalg.lstsq(bent, apart, rcond=None)[0]
    steady = np.linalg.lstsq(along, shares.T, rcond=None)[0]
    return np.asarray(apart - bent @ (along @ steady).T)


def _kept(width: float) -> FloatArray:
    """Return which share of its variance each grain keeps in the mean over a width."""
    away = (np.arange(_FINEST) + 0.5) / _FINEST
    grains = np.array(_GRAINS_ROWS)[:, None]
    return np.asarray(2 * np.mean((1 - away) * np.exp(-((away * width / (2 * grains)) ** 2)), axis=1))


def _alike(lags: npt.NDArray[np.int64]) -> FloatArray:
    """Return the correlation of each grain over lags, shape (lags, grains)."""
    return np.asarray(np.exp(-((lags[:, None] / (2 * np.array(_GRAINS_ROWS))) ** 2)))


def _growth(light: FloatArray, apart: FloatArray) -> FloatArray:
    """Return how the texture grows with the light, by products of rows that are near."""
    near = np.mean(apart[:, _LAGS[0] :] * apart[:, : -_LAGS[0]], axis=0)
    above = (light - light.min()) / max(float(np.ptp(light)), 1e-30)
    columns = np.stack([np.ones_like(above), above**2], axis=1)
    lit, weight = columns[: -_LAGS[0]], np.ones(len(near))
    for _ in range(_ROUNDS):
        line, _ = optimize.nnls(lit / weight[:, None], near / weight)
        weight = np.maximum(lit @ line, max(_QUIETEST**2 * float((lit @ line).max()), 1e-30))
    variance = columns @ line
    variance = np.maximum(variance, max(_QUIETEST**2 * float(variance.max()), 1e-30))
    return np.asarray(np.sqrt(variance / variance.mean()))
