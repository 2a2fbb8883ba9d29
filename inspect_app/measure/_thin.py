"""Thin a long curve to what a plot can show."""

import numpy as np
import numpy.typing as npt

MOST_POINTS = 500


def thin(x: npt.NDArray[np.float64], y: npt.NDArray[np.float64]) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return at most 500 points of a curve, evenly chosen, its ends among them."""
    kept = np.unique(np.linspace(0, len(x) - 1, min(len(x), MOST_POINTS)).round().astype(int))
    return tuple(float(f"{value:.7g}") for value in x[kept]), tuple(float(f"{value:.7g}") for value in y[kept])
