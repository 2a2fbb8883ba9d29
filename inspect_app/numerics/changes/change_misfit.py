"""What the samples of a change lie off its likeliest shape, against what the levels before and after it do."""

from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

_MOST_ALIKE: Final = 0.95
_FEWEST: Final = 8  # samples on the levels that tell how alike neighbours are


def around(changes: BoolArray) -> BoolArray:
    """Return where light changes, and as long again before and after it."""
    length = _length(changes)
    return np.asarray(np.convolve(changes, np.ones(2 * length + 1), "same") > 0)


def _length(changes: BoolArray) -> int:
    return min(int(changes.sum()), len(changes) // 4)


def unsettled(changes: BoolArray) -> BoolArray:
    """Return where light changes, and as long again after it: a display may take a third step."""
    return np.asarray(np.convolve(changes, np.ones(_length(changes) + 1))[: len(changes)] > 0)


def misfit(inside: FloatArray, outside: FloatArray, explained: float) -> float:
    """Return how far the samples of the change lie off; 0 where that is explained by what the others do, so often."""
    if not inside.size or not outside.size:
        return 0.0
    within, without = (float(np.sqrt(np.mean(part**2))) for part in (inside, outside))
    return within if within > explained * without else 0.0


def neighbours_alike(off: FloatArray, coded: float) -> float:
    """Return how alike neighbours on the two levels lie off, by sway, coder or lamp; 0 where too few tell.

    What a coder may move each sample by, a share of the swing, is as unlike as noise.
    """
    if len(off) < _FEWEST:
        return 0.0
    rest = off - off.mean()
    return min(_MOST_ALIKE, float(rest[1:] @ rest[:-1]) / max(float(rest @ rest) + len(rest) * coded**2, 1e-30))
