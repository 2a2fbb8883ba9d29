"""What a coder hides of a region of a film: it holds blocks still, and moves them by more where they change."""

from typing import Final

import numpy as np

from inspect_app.capture import Film
from inspect_app.measure._films.light import Box, FloatArray, Samples

_STILL: Final = 0.85  # of the points of a region repeat the frame before, in half of the frames
_LEFT_OUT: Final = 1 / 255  # of the range of codes: less than that a coder may leave out
_MOST_FRAMES: Final = 64  # evenly spread, that tell it
_LEVELS: Final = (0.02, 0.98)  # of the frames, between which the light swings


def coded_share(film: Film, samples: Samples, box: Box, light: FloatArray) -> float:
    """Return the share of its swing by which a coder may move the light of a region that changes; 0 where it is noisy.

    Parameters
    ----------
    film : Film
        For the exposure of each code.
    samples : Samples
        Its frames, as they are stored.
    box : tuple of int
        The region, in pixels.
    light : ndarray of shape (n,)
        Its mean exposure, frame by frame.

    Notes
    -----
    Where nothing is seen to change a coder repeats the frame before, noise and all, and what changes by a code or so it
    leaves out as well (x264 at a quality of 14 to 18): levels without any noise, between which samples lie off by a
    code. Taken for what they seem, such levels trust a wrong shape. Of 160 films (own draws, none of them tuned on)
    first changes were held 97 of 100 at an error / u of 1.09 (rms), halves 99 at 0.70; so 98 and 0.81, 99 and 0.63. Of
    the 33 of them at a quality of 18 first changes came within 0.91 frames (p90) and were held 88 of 100, so 0.48 and
    94; halves 0.093 and 0.081. Breaks down where a coder leaves out two codes: a decay that began so is told by its
    second frame.

    What lost: two codes (of 60 films halves at an error / u of 0.69 instead of 0.71, first changes no better); 0.7 of
    one (of 192 films first changes at 0.90 instead of 0.87, one more far off); to believe it of regions of which 0.6
    repeat, as brief films of good quality do (first changes of 16 at a quality of 10: u 0.160 instead of 0.142). Where
    levels that creep by parts of a code were taken to drift, one of the 160 came 11 frames late.
    """
    (x, y, width_px, height_px), step = box, samples.step_px
    region = samples.codes[:, y // step : -(-(y + height_px) // step), x // step : -(-(x + width_px) // step)]
    chosen = np.unique(np.linspace(0, len(region) - 2, min(len(region) - 1, _MOST_FRAMES)).astype(int))
    repeats = (region[chosen + 1] == region[chosen]).mean(axis=(1, 2))
    low, high = np.interp(np.quantile(light, _LEVELS), film.exposures, np.arange(len(film.exposures)))
    left_out = _LEFT_OUT * (len(film.exposures) - 1)
    return float(left_out / max(high - low, left_out)) if np.median(repeats) > _STILL else 0.0
