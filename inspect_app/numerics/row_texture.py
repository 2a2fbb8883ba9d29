"""What the columns of a picture differ by: texture and noise, but no light that changes with time."""

from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

_STRIPS: Final = 3  # upright: wide enough that a coarse texture differs from one to the next
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
    return float(1 / max(float(np.sqrt(np.mean(shares**2) / (len(differences) - 1))), 1e-12))
