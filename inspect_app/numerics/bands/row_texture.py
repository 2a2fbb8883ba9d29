"""What the columns of a picture differ by: texture and noise, but no light that changes with time."""

from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import linalg

FloatArray = npt.NDArray[np.float64]

_STRIPS: Final = 3  # upright: wide enough that a coarse texture differs from one to the next
_PLACES: Final = 160  # along the rows, at which a change is sought with misfits weighed
_FALL_TERMS: Final = 3  # of a polynomial, by which light falls off otherwise in a strip than in all of the picture


def strip_differences(picture: FloatArray) -> FloatArray:
    """Return what the rows of three upright strips differ by from their share of the whole rows' means.

    Parameters
    ----------
    picture : ndarray of shape (rows, cols)
        Proportional to exposure.

    Returns
    -------
    ndarray of shape (3, rows)
        In the unit of the picture: what is left of each strip when its light, which may fall off otherwise than that of
        the whole picture, is taken off.
    """
    light = picture.mean(axis=1)
    strips = np.stack([strip.mean(axis=1) for strip in np.array_split(picture, _STRIPS, axis=1)], axis=1)
    down = np.linspace(-1.0, 1.0, len(light))
    columns = np.stack([np.ones_like(light), *(light * down**power for power in range(_FALL_TERMS))], axis=1)
    return np.asarray((strips - columns @ np.linalg.lstsq(columns, strips, rcond=None)[0]).T)


def without_fall_off(profile: FloatArray) -> FloatArray:
    """Return what is left of a profile of shape (rows,) when the best parabola, light that falls off, is taken off."""
    places = np.linspace(-1.0, 1.0, len(profile))
    return np.asarray(profile - np.polynomial.Polynomial.fit(places, profile, 2)(places))


def certainty(differences: FloatArray, change: FloatArray) -> float:
    """Return how many standard deviations of texture and noise a change of the light from row to row is.

    Parameters
    ----------
    differences : ndarray of shape (strips, rows)
        See `strip_differences`.
    change : ndarray of shape (rows,)
        The change that was found in the means of the rows.

    Returns
    -------
    float
        1 over the scatter of its share in the mean of all strips: by what the strips hold of the same change at every
        other place along the rows.
    """
    rows = len(change)
    bent = without_fall_off(change)
    spectrum = np.fft.rfft(differences, axis=1) * np.conj(np.fft.rfft(bent))
    shares = np.fft.irfft(spectrum, rows, axis=1) / max(float(bent @ bent), 1e-30)
    return _certainty(shares)


def certainty_weighed(picture: FloatArray, change: FloatArray, whitener: FloatArray) -> float:
    """Return the same as `certainty` does, where misfits are weighed by the covariance of texture and noise.

    Parameters
    ----------
    picture : ndarray of shape (rows, cols)
        Proportional to exposure.
    change : ndarray of shape (n,)
        The change that was found in the means of the rows, averaged to n of them.
    whitener : ndarray of shape (n, n)
        Lower factor (Cholesky) of that covariance.

    Returns
    -------
    float
        1 over the scatter of its share in the mean of all strips: a strong texture that is coarser than the borders of
        bands adds less to it than to that of `certainty`.
    """
    averaged = averaged_rows(picture, len(change))
    bent = without_fall_off(change)
    steps = np.arange(0, len(bent), max(1, len(bent) // _PLACES))
    moved = np.stack([np.roll(bent, step) for step in steps], axis=1)
    moved, strips = (
        linalg.solve_triangular(whitener, each, lower=True) for each in (moved, strip_differences(averaged).T)
    )
    shares = strips.T @ moved / np.maximum(np.einsum("ij,ij->j", moved, moved), 1e-30)
    return _certainty(shares)


def averaged_rows(picture: FloatArray, count: int) -> FloatArray:
    """Return rows of a picture of shape (rows, cols) averaged to `count` of them; the last ones may be left out."""
    together = len(picture) // count
    return np.asarray(picture[: count * together].reshape(count, together, -1).mean(axis=1))


def _certainty(shares: FloatArray) -> float:
    """Return 1 over the scatter of the mean of independent strips' shares of a change, shape (strips, places)."""
    return float(1 / max(float(np.sqrt(np.mean(shares**2) / (len(shares) - 1))), 1e-12))
