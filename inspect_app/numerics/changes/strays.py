"""Single readings of a trace that no signal explains: a logger's slip, not a light."""

from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.changes.switching import switches

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

_FAR: Final = 2.5  # times as far from the middle of a trace as all other readings: beyond ringing of a step
_MOST: Final = 3  # readings, or
_SHARE: Final = 0.002  # of them: more are no slips


def strays(values: FloatArray) -> BoolArray:
    """Return which readings of a trace that switches lie absurdly far from all others, shape (n,).

    Parameters
    ----------
    values : ndarray of shape (n,)
        A trace between two levels.

    Notes
    -----
    A few readings are strays where they lie 2.5 times as far from the middle between the extremes of all others as
    those extremes do, and the others still switch: a flash of a few samples is the signal itself, and stays.

    Examples
    --------
    >>> strays(np.array([0.0, 0.1, -50.0, 0.0, 1.0, 1.0, 0.9, 1.0])).nonzero()[0].tolist()
    [2]
    """
    most = max(_MOST, int(_SHARE * len(values)))
    usual = float(np.median(values))
    farthest = np.argsort(np.abs(values - usual))[::-1][: most + 1]
    for count in range(most, 0, -1):
        others = np.delete(values, farthest[:count])
        if len(others) < 2:
            continue
        middle, reach = (float(others.max()) + float(others.min())) / 2, float(np.ptp(others)) / 2
        if np.all(np.abs(values[farthest[:count]] - middle) > _FAR * reach) and switches(others):
            return np.isin(np.arange(len(values)), farthest[:count])
    return np.zeros(len(values), dtype=bool)
