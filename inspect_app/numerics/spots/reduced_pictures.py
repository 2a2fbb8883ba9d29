"""Pictures reduced by a whole number of pixels."""

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

STRIP_ROWS = 16


def reduced(image: FloatArray, factor: int) -> FloatArray:
    """Return the means of factor by factor pixels of a picture of shape (rows, cols); what is left over is cut off."""
    if factor == 1:
        return image
    rows, cols = image.shape[0] // factor * factor, image.shape[1] // factor * factor
    small = np.empty((rows // factor, cols // factor))
    # Rows first, which lie one after the other in memory, and in strips that fit a cache.
    for top in range(0, rows, STRIP_ROWS * factor):
        strip = image[top : min(top + STRIP_ROWS * factor, rows), :cols]
        tall = strip.reshape(-1, factor, cols).sum(axis=1)
        small[top // factor : top // factor + len(tall)] = sum(
            (tall[:, j::factor] for j in range(1, factor)), tall[:, ::factor]
        )
    small /= factor**2
    return small


def reduced_all(mask: npt.NDArray[np.bool_], factor: int) -> npt.NDArray[np.bool_]:
    """Return where all of factor by factor pixels are true, of shape as `reduced`."""
    rows, cols = mask.shape[0] // factor * factor, mask.shape[1] // factor * factor
    whole = np.ones((rows // factor, cols // factor), dtype=bool)
    for i in range(factor):
        for j in range(factor):
            whole &= mask[i:rows:factor, j:cols:factor]
    return whole
