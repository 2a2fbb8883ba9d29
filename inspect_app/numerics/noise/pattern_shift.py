"""Whether frames hold one pattern in different places, as they do where camera or scene moved between them."""

from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.noise.noise_split import without_trend

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

_SIDE: Final = 1024  # of the part that is looked at
_LIGHT_ORDER: Final = 3  # of the surface that is light and lens
_SURE: Final = 25.0  # standard deviations of a place: strong JPEG alone makes up to 22 (own trials)


def has_shifted(frames: FloatArray) -> bool:
    """Say whether a later frame surely holds the pattern of the first one elsewhere, and not in its place.

    Parameters
    ----------
    frames : ndarray of shape (n, rows, cols)

    Notes
    -----
    Phase correlation (C. D. Kuglin and D. C. Hines, 1975, from memory) about a smooth surface, in which weak
    frequencies count less. A pattern that stays makes a peak at the origin, one that moves makes it elsewhere, and
    frames of noise make none. Stacks at rest, 160 by two other hands and 80 of grains, bands and codes, stay below 9
    standard deviations of a place; 60 of JPEG below 9 from quality 70 on and 22 at worst; frames that move by 9 pixels
    by another hand are at 43, own ones from 45 on. Plain phase correlation lost: 15 for the former, and 40 for a JPEG.
    Without a window the border makes peaks of 60. A pattern much weaker than the noise, and a shift of less than half a
    pixel or of less than the pattern's grain, are not seen.
    """
    cut = frames[:, :_SIDE, :_SIDE]
    first = _spectrum(cut[0])
    return any(_peak_off_origin(first, _spectrum(frame), frame.shape) > _SURE for frame in cut[1:])


def _spectrum(frame: FloatArray) -> ComplexArray:
    """Return the spectrum under Hann's window: the jump from border to border would be alike in all frames."""
    rows, cols = frame.shape
    window = np.hanning(rows + 2)[1:-1, None] * np.hanning(cols + 2)[1:-1]
    return np.asarray(np.fft.rfft2(without_trend(frame, _LIGHT_ORDER) * window), dtype=np.complex128)


def _peak_off_origin(first: ComplexArray, later: ComplexArray, shape: tuple[int, ...]) -> float:
    """Return by how much the highest place lies above the origin, in standard deviations of a place by chance."""
    cross = first * np.conj(later)
    weighted = cross / (np.abs(cross) + np.abs(cross).mean() + np.finfo(np.float64).tiny)
    correlation = np.fft.irfft2(weighted, s=shape)
    return float(correlation.max() - max(correlation[0, 0], 0.0)) / max(float(correlation.std()), 1e-300)
