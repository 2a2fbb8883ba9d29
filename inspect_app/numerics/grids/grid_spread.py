"""How much worse some points of a grid are placed than others."""

from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.grids.grid_fit import GridFit, leverage, seen_at
from inspect_app.numerics.grids.lattice import WAYS

FloatArray = npt.NDArray[np.float64]

USUAL_RISES: Final = np.array([0.5, 0.1])
"""Of a variance's logarithm, by q^2 and by each neighbour that is missing (own draw)."""

RISE_SCATTERS: Final = np.array([0.4, 0.4])  # of those: where lines end, by up to 1 by each neighbour
TURNS: Final = 8
LEAST_FREE: Final = 0.2  # of a point's own noise is left in its residual, however much it draws the fit to itself


def relative_spread(fit: GridFit, seen: FloatArray, index: FloatArray) -> FloatArray:
    """Return how unequally points are placed: their standard deviations over the root mean square, of shape (n,).

    Parameters
    ----------
    fit : GridFit
        One that explains them, with all taken as placed alike.
    seen, index : ndarray of shape (n, 2)
        Points in units of half the picture's diagonal about its middle, and their column and row in the grid.

    Notes
    -----
    Towards the corners light falls off and lenses blur, and where a line ends one arm of a crossing is left: the points
    that tell most of distortion are placed worst. The logarithm of their variance rises by q^2 and by each neighbour
    that is missing. Both rises are told by the residuals, freed of what each point takes into the fit, by the largest
    likelihood (normal noise) together with what is usual.

    What lost: all placed alike, own draw of 120 charts turned by up to a degree: the variance was a tenth too low
    where charts lie within q = 0.3 and 1.2 times too high beyond 0.65; corners of lines that end had 2 to 6 times that
    of crossings within. The noise of the light about each dot: beside q^2 it told nothing (rise 0.02 +- 0.07).
    """
    numbers = {(int(i), int(j)) for i, j in index}
    missing = [sum((int(i) + a, int(j) + b) not in numbers for a, b in WAYS) for i, j in index]
    causes = np.column_stack([np.sum(seen**2, axis=1), missing])
    free = np.maximum(1 - leverage(fit, index), LEAST_FREE)
    square = np.sum((seen - seen_at(fit.parameters, index)) ** 2, axis=1) / free
    square, told = square[fit.kept], causes[fit.kept] - causes[fit.kept].mean(axis=0)
    usual = np.diag(1 / RISE_SCATTERS**2)
    rises = USUAL_RISES
    for _ in range(TURNS):
        unlike = square / np.exp(told @ rises)
        slope = told.T @ (unlike / max(float(unlike.mean()), 1e-30) - 1) - usual @ (rises - USUAL_RISES)
        rises = rises + np.clip(np.linalg.solve(told.T @ told + usual, slope), -0.5, 0.5)
    spread = np.exp(causes @ rises / 2)
    return np.asarray(spread / np.sqrt(np.mean(spread**2)), dtype=np.float64)
