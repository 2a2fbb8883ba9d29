"""The texture of a field as a power spectrum, for filters and fits that see through it."""

import functools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft, ndimage

from inspect_app.numerics.spots.block_medians import block_medians

FloatArray = npt.NDArray[np.float64]
SingleArray = npt.NDArray[np.float32]
BoolArray = npt.NDArray[np.bool_]

BLOCK_PX = 64
FEWEST_BLOCKS = 6
MEDIAN_OF_EXPONENTIAL = float(np.log(2))  # a periodogram of noise is exponentially distributed
MOST_BLOCKS = 160
BAND_EDGES = (0.06, 0.12, 0.2, 0.3)  # cycles per pixel
LOUDER = 1.4  # times the expected power of a band, beyond which it is not by chance
ROUNDING_SHARE = 0.6  # of the power that rounding adds to a loud signal (own trials, quality 80 to 97)
FLOOR_SHARE = 0.03  # of the mean power: no frequency is trusted to be quieter


def texture_power(relief: npt.NDArray[np.floating], inside: BoolArray) -> FloatArray:
    """Estimate the power spectrum of a field's texture.

    Parameters
    ----------
    relief : ndarray of shape (rows, cols)
        Relative brightness less 1.
    inside : ndarray of shape (rows, cols), bool

    Returns
    -------
    ndarray of shape (64, 33)
        Power per pixel at the frequencies of a real Fourier transform of 64 x 64 pixels: white noise of variance v has
        v everywhere.

    Notes
    -----
    Blocks of 64 x 64 pixels with a Hann window and half overlap (Welch, 1967, from memory). Their median instead of
    their mean is taken at each frequency, over ln 2, so that spots in a minority of blocks do not count as texture.
    With fewer than 6 blocks inside, the spectrum is flat at the relief's own variance.
    """
    blocks = _blocks_inside(relief.astype(np.float32, copy=False), inside)
    if len(blocks) < FEWEST_BLOCKS:
        chosen = relief[inside]
        spread = 1.4826 * float(np.median(np.abs(chosen - np.median(chosen)))) if len(chosen) else 1.0
        return np.full((BLOCK_PX, BLOCK_PX // 2 + 1), max(spread**2, 1e-12))
    window = np.hanning(BLOCK_PX + 1)[:-1].astype(np.float32)
    taper = np.outer(window, window)
    level = np.einsum("nij,ij->n", blocks, taper) / taper.sum()
    spectra = fft.rfft2((blocks - level[:, None, None]) * taper)
    powers = np.square(spectra.real) + np.square(spectra.imag)
    power = block_medians(np.moveaxis(powers, 0, -1)) / np.square(taper).sum() / MEDIAN_OF_EXPONENTIAL
    # The window mixes neighbouring frequencies anyway; what it took out of the lowest is put back from beside them.
    power[0, 0] = max(power[0, 1], power[1, 0], power[-1, 0])
    return np.asarray(np.maximum(power, FLOOR_SHARE * power.mean() + 1e-14), dtype=np.float64)


def _blocks_inside(relief: SingleArray, inside: BoolArray) -> SingleArray:
    half = BLOCK_PX // 2
    rows, cols = relief.shape
    starts = [
        (row, col)
        for row in range(0, rows - BLOCK_PX + 1, half)
        for col in range(0, cols - BLOCK_PX + 1, half)
        if inside[row, col]
        and inside[row, col + BLOCK_PX - 1]
        and inside[row + BLOCK_PX - 1, col]
        and inside[row + BLOCK_PX - 1, col + BLOCK_PX - 1]
    ]
    thin = max(1, len(starts) // MOST_BLOCKS)
    chosen = [relief[row : row + BLOCK_PX, col : col + BLOCK_PX] for row, col in starts[::thin]]
    return np.asarray(chosen, dtype=np.float32).reshape(-1, BLOCK_PX, BLOCK_PX)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rounding:
    """What is rounded of a picture that is kept as the cosine transforms of its blocks, as in JPEG.

    Parameters
    ----------
    steps : ndarray of shape (8, 8)
        To which the transforms are rounded, relative to the level of the field, rows along y.
    block_px : float
        Side of a block in pixels of the relief: 8, or less of one that was reduced.
    """

    steps: FloatArray
    block_px: float

    def power(self, factor: int) -> FloatArray:
        """Return the power of what is lost, as `texture_power` gives it, in a relief reduced by `factor` once more.

        Notes
        -----
        Term u of a block stands for u / 16 cycles per pixel of the picture, and loses ``step² / 12`` where many steps
        are passed (Widrow, 1956, from memory). In a quiet texture many terms round to nothing and lose less: 0.6 of it
        is taken. Reducing a relief averages what is lost, which divides its power by the pixels averaged.
        """
        side_px = self.block_px / factor
        down, across = np.abs(np.fft.fftfreq(BLOCK_PX))[:, None], np.fft.rfftfreq(BLOCK_PX)[None, :]
        terms = np.broadcast_arrays(2 * side_px * down, 2 * side_px * across)
        steps = ndimage.map_coordinates(self.steps, [np.minimum(term, 7.0) for term in terms], order=1)
        return np.asarray(ROUNDING_SHARE * steps**2 / 12 * (side_px / 8) ** 2, dtype=np.float64)


def matched_kernel(template: FloatArray, power: FloatArray) -> SingleArray:
    """Return the filter that estimates the depth of a template in a texture, shape (64, 64), centred.

    Parameters
    ----------
    template : ndarray of shape (64, 64)
        Of unit depth, its centre at pixel (32, 32).
    power : ndarray of shape (64, 33)
        As `texture_power` gives it.

    Notes
    -----
    ``conj(T) / S``, scaled so that it answers the template with 1: of all linear filters the one with the least
    variance in noise of power S (Wiener's matched filter for coloured noise; Turin, 1960, from memory). The mean is
    left out.
    """
    shape = np.fft.rfft2(np.fft.ifftshift(template))
    answer = np.conj(shape) / power
    answer[0, 0] = 0
    kernel = np.fft.irfft2(answer, s=template.shape)
    scale = float((kernel * np.fft.ifftshift(template)).sum())
    return np.asarray(np.fft.fftshift(kernel) / scale, dtype=np.float32)


def whitening_of(power: FloatArray, side_px: int = BLOCK_PX) -> SingleArray:
    """Return the gain of each frequency that makes a texture of this power white, for `whitened` in `side_px`.

    Shape (side_px, side_px // 2 + 1), from `power` of shape (64, 33) between its frequencies.
    """
    if side_px != BLOCK_PX:
        down, across = _between(side_px)
        power = down @ power @ across
    return np.asarray(np.sqrt(_halves(power.shape[1]) / power) / side_px, dtype=np.float32)


@functools.cache
def _between(side_px: int) -> tuple[FloatArray, FloatArray]:
    """Return what to multiply a power of shape (64, 33) by, from before and behind, to have it at other frequencies.

    By linear interpolation, around from the last frequency to the first along the rows.
    """
    places, known = BLOCK_PX * np.fft.fftfreq(side_px), np.arange(BLOCK_PX)
    down = np.stack([np.interp(places, known, own, period=BLOCK_PX) for own in np.eye(BLOCK_PX)], axis=1)
    places, known = BLOCK_PX * np.fft.rfftfreq(side_px), np.arange(BLOCK_PX // 2 + 1)
    return down, np.stack([np.interp(places, known, own) for own in np.eye(len(known))])


def whitened(patches: SingleArray, whitening: SingleArray) -> SingleArray:
    """Return patches with their texture made white and of unit variance, as vectors.

    Parameters
    ----------
    patches : ndarray of shape (..., b, b)
        Up to n x n pixels, beyond which all is 0.
    whitening : ndarray of shape (..., n, n // 2 + 1)
        As `whitening_of` gives it.

    Notes
    -----
    A vector holds the real and imaginary parts of the spectrum, scaled so that sums of products are those of whitened
    patches (Parseval): half of the spectrum stands for the other half too, so its inner columns count twice. Where in
    the n x n pixels a patch lies turns all phases alike, and no sum of products.
    """
    side_px = whitening.shape[-2]
    spectra = fft.fft(fft.rfft(patches, n=side_px, axis=-1), n=side_px, axis=-2, overwrite_x=True)
    spectra *= whitening
    return spectra.view(np.float32).reshape(*patches.shape[:-2], -1)


def _halves(cols: int) -> FloatArray:
    """Return how many frequencies of a whole spectrum a column of half of it stands for."""
    twice = np.full(cols, 2.0)
    twice[[0, -1]] = 1.0
    return twice


@functools.cache
def _bands(side_px: int) -> tuple[npt.NDArray[np.intp], FloatArray]:
    """Return the number of the band of each frequency of half of a spectrum, and how many of the whole are in each."""
    down, across = np.fft.fftfreq(side_px)[:, None], np.fft.rfftfreq(side_px)[None, :]
    band = np.digitize(np.hypot(down, across), BAND_EDGES)
    cells = np.broadcast_to(_halves(band.shape[1]), band.shape)
    return band, np.bincount(band.ravel(), cells.ravel()).astype(np.float64)


def local_power(
    error: npt.NDArray[np.floating], power: FloatArray, pixels: float, side_px: int = BLOCK_PX
) -> FloatArray | None:
    """Return the power of a texture raised in those bands of frequency in which a fit left more than it expected.

    Parameters
    ----------
    error : ndarray
        What the fit left, as a vector of `whitened`.
    power : ndarray of shape (64, 33)
        With which it was made white.
    pixels : float
        Sum of the squared weights of the fitted pixels.
    side_px : int
        Of the patches that were whitened.

    Returns
    -------
    ndarray of shape (64, 33) or None
        None where no band is louder.

    Notes
    -----
    Compression takes faint high frequencies out of a field's texture, but leaves an error of half of a quantisation
    step where a spot has raised them; and a line between fibre bundles is louder than the texture's median. Both show
    in the residual: of white noise every band would leave its share of `pixels`.
    """
    band, count = _bands(side_px)
    left = np.square(error, dtype=np.float64).reshape(-1, 2).sum(axis=1)
    ratio = np.bincount(band.ravel(), left) / (count * pixels / side_px**2)
    if ratio.max() <= LOUDER:
        return None
    raised: FloatArray = power * np.maximum(ratio, 1.0)[_bands(BLOCK_PX)[0]]
    return raised
