"""What a JPEG does to a picture's codes: the cosine transforms of its blocks of 8 x 8 pixels are rounded."""

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import fft, special

FloatArray = npt.NDArray[np.float64]

BLOCK_PX: Final = 8
WHITE: Final = 255.0
MIDDLE: Final = 128.0  # what is taken off before the transform
MOST_NOISE: Final = 64.0  # codes; a quarter of them all is no picture
LOW_TERMS: Final = 4  # of eight: those that make an edge's MTF50
FLATTEST: Final = 1e-9  # of white: no code is worth less
LEAST_NOISE: Final = 0.05
SCATTER: Final = 1.25  # by which the variance of an even part may be misread;
CODE_VARIANCE: Final = 0.15  # likewise, in squared codes
NOISES_TRIED: Final = 80
STEPS_PASSED: Final = 40  # of a term's rounding, by noise at most


@dataclass(frozen=True, kw_only=True)
class Coding:
    """How a region of a picture was coded.

    Parameters
    ----------
    steps : ndarray of shape (8, 8)
        To which the terms of a block's transform are rounded, in codes; rows go with the frequency along the columns.
    exposures : ndarray of shape (codes,)
        Of the codes up to the highest that the picture has; 0 below the lowest.
    corner : tuple of int
        Row and column of the region's first pixel within its block.
    """

    steps: FloatArray
    exposures: FloatArray
    corner: tuple[int, int]

    @cached_property
    def curve(self) -> FloatArray:
        """Exposure of every code, shape (256,), straight on beyond those that the picture has."""
        first = int(np.argmax(self.exposures > 0))
        first = first if first > 1 else 0
        known = self.exposures[first:]
        below = known[0] - (known[min(1, known.size - 1)] - known[0]) * np.arange(first, 0, -1)
        above = known[-1] + (known[-1] - known[max(-2, -known.size)]) * np.arange(1, WHITE + 2 - self.exposures.size)
        return np.concatenate([below, known, above])

    def codes(self, exposure: FloatArray) -> FloatArray:
        """Return codes, not yet whole, of the same shape."""
        return np.asarray(np.interp(exposure, self.curve, np.arange(self.curve.size)), dtype=np.float64)

    def exposed(self, codes: FloatArray) -> FloatArray:
        """Return the exposures of whole codes, of the same shape."""
        return np.asarray(self.curve[codes.astype(np.int64)], dtype=np.float64)

    def in_codes(self, variance: FloatArray, exposure: FloatArray) -> FloatArray:
        """Return variances at exposures, both of shape (n,), in squared codes."""
        per_code = np.interp(exposure, self.curve, np.gradient(self.curve))
        return np.asarray(variance / np.maximum(per_code, FLATTEST * self.curve[-1]) ** 2, dtype=np.float64)

    def distance_from_white(self, exposures: FloatArray, variance: float) -> float:
        """Return how far an even part lies below white, at the highest that it may, over its noise before coding.

        Parameters
        ----------
        exposures : ndarray of shape (n,)
            Of its pixels.
        variance : float
            Of single pixels, in squared exposure.

        Notes
        -----
        Even parts come back up to half a step too low or too high: the mean of a block is an eighth of its first term.
        Of the noise that may have been there the middle is taken.
        """
        level = np.array([float(np.mean(exposures))])
        (seen,) = self.in_codes(np.array([variance]), level)
        noise = np.mean(
            noise_before(np.array([seen / SCATTER - CODE_VARIANCE, SCATTER * seen + CODE_VARIANCE]), self.steps)
        )
        below = WHITE - float(np.mean(self.codes(exposures))) - float(self.steps[0, 0]) / (2 * BLOCK_PX)
        return below / max(float(noise), LEAST_NOISE)

    @property
    def coarseness(self) -> float:
        """Root mean square of the steps of coarse detail, in codes: of the lowest four terms along each axis."""
        return float(np.sqrt(np.mean(self.steps[:LOW_TERMS, :LOW_TERMS] ** 2)))


def coded(codes: FloatArray, steps: FloatArray, corner: tuple[int, int]) -> FloatArray:
    """Return codes as a JPEG gives them back.

    Parameters
    ----------
    codes : ndarray of shape (rows, cols)
        From 0 to 255.
    steps : ndarray of shape (8, 8)
        To which the terms of a block's transform are rounded, in codes; rows go with the frequency along y.
    corner : tuple of int
        Row and column of the first pixel within its block.

    Returns
    -------
    ndarray of shape (rows, cols)
        Whole codes from 0 to 255. Blocks that the picture's rim cuts are filled up with its last row and column.

    References
    ----------
    ITU-T T.81, A.3.3 and A.3.4 (from memory).
    """
    rows, cols = codes.shape
    down, across = corner
    padded = np.pad(
        codes - MIDDLE, ((down, -(rows + down) % BLOCK_PX), (across, -(cols + across) % BLOCK_PX)), mode="edge"
    )
    blocks = padded.reshape(padded.shape[0] // BLOCK_PX, BLOCK_PX, padded.shape[1] // BLOCK_PX, BLOCK_PX)
    terms = fft.dctn(blocks.transpose(0, 2, 1, 3), axes=(2, 3), norm="ortho")
    back = fft.idctn(steps * np.rint(terms / steps), axes=(2, 3), norm="ortho").transpose(0, 2, 1, 3)
    whole = np.clip(np.rint(back.reshape(padded.shape) + MIDDLE), 0.0, WHITE)
    return np.asarray(whole[down : down + rows, across : across + cols], dtype=np.float64)


def noise_before(variances: FloatArray, steps: FloatArray) -> FloatArray:
    """Return the noise that even parts of a picture had before a JPEG was made of it.

    Parameters
    ----------
    variances : ndarray of shape (n,)
        Of pixels of the JPEG, in squared codes.
    steps : ndarray of shape (8, 8)
        As in `coded`.

    Returns
    -------
    ndarray of shape (n,)
        Standard deviation of each pixel, in codes; 0 where less is seen than any noise leaves.

    Notes
    -----
    Each term of a block has the noise of a pixel, for the transform is orthonormal, about nought but for the mean,
    which may lie anywhere between two steps. Rounded to k steps q, it has the variance
    sum of (k q)² (Phi((k + 1/2) q / s) - Phi((k - 1/2) q / s)). Noise that is small against the steps is rounded to
    nothing: what is seen then tells only how great it may have been.
    """
    noise = np.geomspace(LEAST_NOISE, MOST_NOISE, NOISES_TRIED)
    k = np.arange(1, STEPS_PASSED)[:, None, None]
    relative = steps.ravel()[1:] / noise[:, None]
    chance = special.ndtr((k + 0.5) * relative) - special.ndtr((k - 0.5) * relative)
    terms = 2 * np.sum(k**2 * chance, axis=0) * relative**2
    terms = np.where(relative * STEPS_PASSED > 8, terms, 1.0)
    after = (np.sum(terms, axis=1) + 1) * noise**2 / BLOCK_PX**2 + 1 / 12
    return np.interp(variances, np.maximum.accumulate(after), noise, left=0.0)
