"""The light of each row by what upright strips of a picture differ by: noise that whole rows share is not in it."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import fft, linalg, optimize

from inspect_app.numerics.bands.strip_texture import Strips, Texture, across, along, differences

FloatArray = npt.NDArray[np.float64]

_WAVES: Final = 128  # half waves over the rows, of which the texture of a strip is summed; what is finer is noise
_QUIETEST: Final = 1e-4  # of the mean square of the differences: the least variance of noise
_FAINTEST: Final = 1e-12  # of the strongest wave
_UNTOLD: Final = 1e-6  # of the mean information of a row: what nothing tells is not singular


@dataclass(frozen=True, slots=True, eq=False)
class StripLight:
    """Light of the rows, shape (n,), 1 in the root of its mean square, and its information: `root` squared, (n, n).

    `cost` is minus the logarithm of how likely the strips are in the light from which the step was taken.
    """

    light: FloatArray
    root: FloatArray
    cost: float

    def levels(self, shapes: FloatArray) -> FloatArray:
        """Return how much of each of some shapes, (n, m), make up the light best."""
        weighed = self.root @ shapes
        return np.asarray(np.linalg.lstsq(weighed, self.root @ self.light, rcond=None)[0])

    def misfit(self, shapes: FloatArray) -> FloatArray:
        """Return what shapes leave of the light, shape (n,), in standard deviations and free of memory."""
        return np.asarray(self.root @ (shapes @ self.levels(shapes) - self.light))


def strip_light(strips: Strips, texture: Texture) -> StripLight:
    """Take one step from the light of a texture towards the light under which the strips are likeliest.

    Parameters
    ----------
    strips : Strips
        Of the picture.
    texture : Texture
        In them, under about the same light.

    Notes
    -----
    A texture is multiplied by the light, so an edge of a band is a step in what strips differ by as well, and noise
    that all columns of a row share is in none of it. Each cosine over the strips is the light L times a Gaussian
    process t of known covariance, and noise of variance N, which is a line over the light squared. With the mean and
    the covariance X of t when the strips are seen, the slope of the log likelihood is the sum of (y t - L (t² + X)) / N
    and the information is that of a Gaussian whose covariance depends on L; Fisher's scoring is one step of Newton's
    with it. What is finer than the waves that are summed is taken for noise at its strongest.

    Assumed is that all columns have the same light but for a factor: a lamp beside the strobe that lights one side
    breaks that.
    """
    light, rows = texture.growth, len(texture.growth)
    if not texture.strength.any():
        return StripLight(light, _UNTOLD * np.eye(rows), 0.0)
    waves = min(_WAVES, rows // 3)
    seen = differences(strips)
    power = across(strips.width_rows).T @ (texture.strength[:, None] * along(rows, waves))
    power[:, 0] = np.maximum(power[:, 0], rows * (seen @ light / rows) ** 2)  # a fall-off from side to side
    noise = _noise(seen, light)
    basis = fft.idct(np.eye(rows, waves), axis=0, norm="ortho")
    slope, told, cost = np.zeros(rows), np.zeros((rows, rows)), 0.0
    for each, strength in zip(seen, np.maximum(power, _FAINTEST * power.max() + 1e-30), strict=True):
        own = noise + light**2 * strength[-1]
        known = np.linalg.inv(np.diag(1 / strength) + basis.T @ (basis * (light**2 / own)[:, None]))
        left = basis @ known @ basis.T
        found = left @ (light * each / own)
        sizes = np.log(own).sum() + np.log(strength).sum() - np.linalg.slogdet(known)[1]
        cost += float((each - light * found) @ (each / own) + sizes) / 2
        slope += (each * found - light * (found**2 + np.diag(left))) / own
        moved = (light / own)[:, None] * left
        inverse = np.diag(1 / own) - moved * (light / own)
        told += inverse * ((basis * strength) @ basis.T - left) + moved * moved.T
    told[np.diag_indices(rows)] += _UNTOLD * np.trace(told) / rows
    try:
        root = linalg.cholesky((told + told.T) / 2)
    except linalg.LinAlgError:  # rounding, where next to nothing is told
        return StripLight(light, _UNTOLD * np.eye(rows), cost)
    return StripLight(light + linalg.cho_solve((root, False), slope), root, cost)


def _noise(seen: FloatArray, light: FloatArray) -> FloatArray:
    """Return the variance of noise at each row, by what differences differ by from row to row."""
    near = np.mean(np.diff(seen, axis=1) ** 2, axis=0) / 2
    squared = (light[1:] ** 2 + light[:-1] ** 2) / 2
    line, _ = optimize.nnls(np.stack([np.ones_like(near), squared], axis=1), near)
    return np.asarray(np.maximum(line[0] + line[1] * light**2, _QUIETEST * float(np.mean(seen**2)) + 1e-30))
