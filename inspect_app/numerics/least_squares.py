"""Linear least squares, with the doubt of each point where it is known and with scatter that nobody stated."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.errors import NothingToMeasure, UnusableInput

FloatArray = npt.NDArray[np.float64]

_REFINEMENTS: Final = 2
_MOST_STEPS: Final = 100  # some five are taken
_CLOSE_ENOUGH: Final = 1e-9  # of the variance of the scatter


@dataclass(frozen=True, slots=True, kw_only=True)
class LinearFit:
    """Coefficients of a linear model and their doubt.

    Parameters
    ----------
    coefficients : ndarray of shape (parameters,)
        One for each column of the design.
    covariance : ndarray of shape (parameters, parameters)
        Of the coefficients; it covers the doubt of the points, and their scatter where that is larger.
    degrees_of_freedom : int
        Points less parameters.
    chi_squared : float
        Sum of the squared residuals over the squared doubts; without doubts the plain sum of squares.
    scatter : float
        Standard deviation between points beyond their stated doubt, in the unit of the points; without doubts the
        residual standard deviation.
    """

    coefficients: FloatArray
    covariance: FloatArray
    degrees_of_freedom: int
    chi_squared: float
    scatter: float

    @property
    def standard_uncertainties(self) -> FloatArray:
        """Of the coefficients, shape (parameters,)."""
        return np.asarray(np.sqrt(np.diag(self.covariance)), dtype=np.float64)


def fit_plain(design: FloatArray, values: FloatArray) -> LinearFit:
    """Fit a linear model to points of equal, unknown doubt.

    Parameters
    ----------
    design : ndarray of shape (points, parameters)
        Each column is what one coefficient multiplies.
    values : ndarray of shape (points,)

    Returns
    -------
    LinearFit
        Its covariance is scaled by the residual variance.

    Raises
    ------
    NothingToMeasure
        Not more points than parameters, or columns that say the same.
    UnusableInput
        A value that is not finite.

    Notes
    -----
    Householder QR of the design with columns scaled to about unit length, then two steps of refinement in extended
    precision (Björck, BIT 7 (1967) 257, from memory). Of the certified values of NIST StRD (linear regression) it keeps
    eleven digits, and seven for the polynomial of degree ten, where forming the powers loses the rest; without the
    refinement five to six of the ill-posed ones, by the processor.

    Examples
    --------
    >>> line = fit_plain(np.array([[1, 0], [1, 1], [1, 2.0]]), np.array([1.0, 2.0, 3.0]))
    >>> line.coefficients.round(12).tolist()
    [1.0, 1.0]
    """
    _prove_usable(design, values)
    coefficients, unscaled, squares = _solve(design, values)
    freedom = values.size - design.shape[1]
    variance = squares / freedom
    return LinearFit(
        coefficients=coefficients,
        covariance=variance * unscaled,
        degrees_of_freedom=freedom,
        chi_squared=squares,
        scatter=math.sqrt(variance),
    )


def fit_weighted(design: FloatArray, values: FloatArray, doubts: FloatArray) -> LinearFit:
    """Fit a linear model to points of known doubt, between which there may be scatter that nobody stated.

    Parameters
    ----------
    design : ndarray of shape (points, parameters)
        Each column is what one coefficient multiplies.
    values : ndarray of shape (points,)
    doubts : ndarray of shape (points,)
        Standard uncertainty of each value, above zero, independent of the others.

    Returns
    -------
    LinearFit
        As `fit_plain`; chi squared is about the stated doubts alone, the covariance about doubts and scatter.

    Raises
    ------
    NothingToMeasure
        Not more points than parameters, or columns that say the same.
    UnusableInput
        A value or a doubt that is not finite, or a doubt that is not above zero.

    Notes
    -----
    Weights 1 / (u² + s²), where the scatter s makes chi squared equal to its degrees of freedom (Paule and Mandel,
    J. Res. NBS 87 (1982) 377, for a mean; here for a line), and is zero where chi squared is smaller already: points
    that agree better than their doubt do not make the doubt smaller.
    """
    _prove_usable(design, values)
    if doubts.shape != values.shape or not np.all(np.isfinite(doubts)) or np.any(doubts <= 0):
        raise UnusableInput("uncertainties", "not each is a number above zero", "Give every point its uncertainty.")
    freedom = values.size - design.shape[1]
    scatter = _scatter(design, values, doubts, freedom)
    weight = 1 / np.hypot(doubts, scatter)
    coefficients, unscaled, _ = _solve(design * weight[:, None], values * weight)
    residuals = (values - design @ coefficients) / doubts
    return LinearFit(
        coefficients=coefficients,
        covariance=unscaled,
        degrees_of_freedom=freedom,
        chi_squared=float(residuals @ residuals),
        scatter=scatter,
    )


def _prove_usable(design: FloatArray, values: FloatArray) -> None:
    points, parameters = design.shape
    if points <= parameters:
        raise NothingToMeasure(
            "series", f"{points} points cannot tell {parameters} coefficients and their doubt", "Measure again later."
        )
    if not (np.all(np.isfinite(design)) and np.all(np.isfinite(values))):
        raise UnusableInput("series", "not every value is a finite number", "Leave out what was not measured.")


def _solve(design: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Return coefficients, their covariance for points of variance one, and the sum of squared residuals."""
    lengths = np.linalg.norm(design, axis=0)
    if np.any(lengths == 0):
        raise NothingToMeasure("series", "its points do not tell the coefficients apart", "Measure at other dates.")
    lengths = 2.0 ** np.round(np.log2(lengths))  # a power of two rounds nothing
    q, r = np.linalg.qr(design / lengths)
    if np.min(np.abs(np.diag(r))) < values.size * np.finfo(np.float64).eps:
        raise NothingToMeasure("series", "its points do not tell the coefficients apart", "Measure at other dates.")
    inverse = np.linalg.inv(r)
    coefficients, residuals = _refined(design / lengths, values, q, inverse)
    inverse /= lengths[:, None]
    return coefficients / lengths, inverse @ inverse.T, float(residuals @ residuals)


def _refined(
    design: FloatArray, values: FloatArray, q: FloatArray, inverse: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return coefficients and residuals, mended by what extended precision leaves of the two normal equations."""
    wide, residuals = design.astype(np.longdouble), values.copy()
    coefficients = np.zeros(design.shape[1])
    for _ in range(1 + _REFINEMENTS):
        off = np.asarray(values - residuals - wide @ coefficients, dtype=np.float64)
        slope = inverse.T @ np.asarray(-wide.T @ residuals, dtype=np.float64)
        along = q.T @ off - slope
        coefficients = coefficients + inverse @ along
        residuals = residuals + off - q @ along
    return coefficients, residuals


def _scatter(design: FloatArray, values: FloatArray, doubts: FloatArray, freedom: int) -> float:
    """Return the scatter that makes chi squared equal to its degrees of freedom, 0 where it is smaller without.

    Chi squared falls with the variance t of the scatter, and is convex in it: r² / (u² + t) is, and so is what the best
    coefficients leave of its sum. So a step of Newton's method never leads beyond the root; nor does the one that were
    exact if every doubt were the least. The longer of the two leads there from zero in a few steps.
    """
    variance = 0.0
    for _ in range(_MOST_STEPS):
        weight = 1 / np.sqrt(doubts**2 + variance)
        residuals = _residuals(design * weight[:, None], values * weight)
        squares = residuals**2
        excess = float(squares.sum()) - freedom
        if excess <= 0:
            break
        step = excess * max(1 / float(squares @ weight**2), 1 / (freedom * float(weight.max()) ** 2))
        variance += step
        if step < _CLOSE_ENOUGH * variance:
            break
    return math.sqrt(variance)


def _residuals(design: FloatArray, values: FloatArray) -> FloatArray:
    """Return what the best coefficients leave, without the refinement that the coefficients themselves need."""
    q, _ = np.linalg.qr(design)
    return np.asarray(values - q @ (q.T @ values), dtype=np.float64)
