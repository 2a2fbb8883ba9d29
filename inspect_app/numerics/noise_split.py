"""Temporal noise and fixed pattern of an even scene, told apart from several frames."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

TREND_ORDER = 4  # follows vignetting of the fourth power of the cosine; what is finer is pattern
FLICKER_ORDER = 3  # follows a brightness that rolls through a frame; what is finer is noise


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseSplit:
    """Mean, variances and what is known of their doubt, all in the unit of the frames (squared for variances).

    `frame_means` holds the mean of each frame. `correlation` is the number of pixels that share one independent value:
    1 for white noise.
    """

    mean: float
    temporal_variance: float
    temporal_variance_u: float
    temporal_freedom: float
    pattern_variance: float
    pattern_variance_u: float
    frame_means: tuple[float, ...]
    correlation: float


def split_noise(frames: FloatArray, *, trend_order: int = TREND_ORDER) -> NoiseSplit:
    """Split the noise of an even scene into what changes from frame to frame and what stays.

    Parameters
    ----------
    frames : ndarray of shape (n, rows, cols)
        Two frames or more, linear in exposure.
    trend_order : int
        Order of the surface that is light and lens, not pattern; 0 counts all of it as pattern, as EMVA 1288 does.

    Returns
    -------
    NoiseSplit
        Variances with their standard uncertainties.

    Notes
    -----
    From each frame the mean frame is taken, scaled to the frame's own mean, so that flicker of the light is not taken
    for noise, and a cubic surface from the difference, so that neither is flicker that rolls through a frame. The
    temporal variance is the sum of squared differences over ``n - 2 + sum(g²)/n`` for frame gains g, which is n - 1
    without flicker. Scaling the frames instead of the mean scales their noise: 0.4 % too much under flicker of 5 %. The
    pattern's variance is that of the mean frame about a smooth surface, less the temporal variance over n (EMVA 1288,
    release 3.1, 8.2: DSNU and PRNU are freed of the temporal part in the same way).

    Neighbouring pixels may share noise (denoising, scintillation, row noise). A variance from M pixels has the relative
    variance ``2 / m`` where m counts independent ones: ``m = 2 (sum P)^2 / sum P^2`` over the periodogram P, which
    gives M for white noise. Saturated pixels must be kept out by the caller.
    """
    count, rows, cols = frames.shape
    frame_means = frames.mean(axis=(1, 2))
    mean = float(frame_means.mean())
    gains = frame_means / mean if mean > 0 else np.ones(count)
    mean_frame = frames.mean(axis=0)
    squares, independent = 0.0, 0.0
    for number, (frame, gain) in enumerate(zip(frames, gains, strict=True)):  # one at a time: frames are large
        residual = without_trend(frame - gain * mean_frame, FLICKER_ORDER)
        squares += float(np.square(residual).sum())
        if number == 0:
            independent = independent_pixels(residual)
    lost = _terms(FLICKER_ORDER) / (rows * cols)
    frame_freedom = count - 2 + float(np.square(gains).sum()) / count
    temporal = squares / (frame_freedom * rows * cols * (1 - lost))
    freedom = (count - 1) * independent
    pattern = without_trend(mean_frame, trend_order)
    spatial = float(np.square(pattern).sum() / (rows * cols - _terms(trend_order)))
    temporal_u = temporal * np.sqrt(2 / freedom)
    spatial_u = spatial * np.sqrt(2 / independent_pixels(pattern))
    return NoiseSplit(
        mean=mean,
        temporal_variance=temporal,
        temporal_variance_u=float(temporal_u),
        temporal_freedom=float(freedom),
        pattern_variance=spatial - temporal / count,
        pattern_variance_u=float(np.hypot(spatial_u, temporal_u / count)),
        frame_means=tuple(float(value) for value in frame_means),
        correlation=float(rows * cols / independent),
    )


def _terms(order: int) -> int:
    return (order + 1) * (order + 2) // 2


def without_trend(image: FloatArray, order: int) -> FloatArray:
    """Return the image less its least-squares surface of all terms x^i y^j with i + j up to `order`.

    Parameters
    ----------
    image : ndarray of shape (rows, cols)
    order : int
        Zero takes away the mean alone.

    Notes
    -----
    The surface is built on Legendre polynomials sampled at the pixels and made orthonormal, so that its coefficients
    are plain inner products and no large matrix is solved.
    """
    rows, cols = image.shape
    along_rows = _orthonormal(rows, order)
    along_cols = _orthonormal(cols, order)
    weights = along_rows.T @ image @ along_cols
    powers = np.add.outer(np.arange(weights.shape[0]), np.arange(weights.shape[1]))
    trend: FloatArray = along_rows @ np.where(powers <= order, weights, 0.0) @ along_cols.T
    return image - trend


def _orthonormal(length: int, order: int) -> FloatArray:
    places = np.linspace(-1, 1, length)
    basis, _ = np.linalg.qr(np.polynomial.legendre.legvander(places, min(order, length - 1)))
    return np.asarray(basis, dtype=np.float64)


def independent_pixels(residual: FloatArray) -> float:
    """Return how many independent values a residual of zero mean holds, for the doubt of its variance.

    Notes
    -----
    ``2 (sum P)^2 / sum P^2`` over the periodogram P. For white Gaussian noise P is exponential, its mean square
    twice its squared mean, and the count is the number of pixels.
    """
    power = np.abs(np.fft.rfft2(residual)) ** 2
    weight = np.full(power.shape[1], 2.0)
    weight[0] = 1.0
    if residual.shape[1] % 2 == 0:
        weight[-1] = 1.0
    total = float((power * weight).sum())
    squares = float((power**2 * weight).sum())
    if squares == 0:
        return float(residual.size)
    return max(1.0, min(2 * total**2 / squares, float(residual.size)))
