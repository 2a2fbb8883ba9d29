"""Families of blur by their transforms, and the edge that each makes: what an edge spread is fitted with."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import special

FloatArray = npt.NDArray[np.float64]

CUTOFF_TIMES_SIGMA: Final = 0.4639  # of an aperture and a Gaussian that fall to half alike: 0.18739 / 0.40397
LEAST_SOFTENING_PX2: Final = 0.02  # adds 0.3 % to the variance that a pixel and its optics have at the least
EXPECTED_SOFTENING_PX2, SOFTENING_SCATTER_PX2 = 0.15, 0.3  # standard deviations of nought to 0.7 px
ODDS_OF_RARE: Final = 0.15  # believed like the plain ones, they widen the 90th percentile of MTF10 from 5.6 to 6.3 %

Transform = Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]
"""(frequency of shape (n,), parameters of shape (p,)) to (transform of shape (n,), derivatives of shape (p, n))."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """One family of blur, without the pixel.

    Parameters
    ----------
    name : str
        As printed in the budget.
    transform : callable
        See `Transform`.
    expected, scatter : tuple of float
        Mean and standard deviation of what each parameter may be, before the edge is seen. They only keep a parameter
        that the data do not speak of from running away, and make families comparable.
    starts : tuple of tuple of float
        Where fits begin; the first parameter is replaced by the logarithm of a first estimate of the blur.
    odds : float
        How far the family is believed before the edge is seen, against one of the plain families.
    stands_in : bool
        Whether it bends to blurs that it is not quite, rather than being some lens's own.
    """

    name: str
    transform: Transform
    expected: tuple[float, ...]
    scatter: tuple[float, ...]
    starts: tuple[tuple[float, ...], ...]
    odds: float = 1.0
    stands_in: bool = False


def _gaussian(frequency: FloatArray, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
    power = 2 * (math.pi * math.exp(parameters[0]) * frequency) ** 2
    value = np.exp(-power)
    return value, np.array([-2 * power * value])


def _two_gaussians(frequency: FloatArray, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
    log_sigma, share, log_ratio = parameters
    narrow_power = 2 * (math.pi * math.exp(log_sigma) * frequency) ** 2
    wide_power = narrow_power * math.exp(2 * log_ratio)
    narrow, wide = np.exp(-narrow_power), np.exp(-wide_power)
    value = (1 - share) * narrow + share * wide
    by_wide = -2 * wide_power * wide * share
    by_sigma = -2 * narrow_power * narrow * (1 - share) + by_wide
    return value, np.array([by_sigma, wide - narrow, by_wide])


def _disc(frequency: FloatArray, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Disc of radius r = 2 exp(parameter 0), whose standard deviation along a line is r / 2.

    The derivative of 2 J1(u) / u by log u is -2 J2(u) = -2 (2 J1(u) / u - J0(u)).
    """
    u = 4 * math.pi * math.exp(parameters[0]) * np.maximum(frequency, 1e-9)
    first, nought = special.j1(u), special.j0(u)
    disc = 2 * first / u
    return disc, np.array([-2 * (disc - nought)])


def _diffraction(frequency: FloatArray, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return a round aperture's 2 / pi (arccos v - v sqrt(1 - v^2)), v = f / cutoff; by log v, -4 / pi v sqrt(1 - v^2).

    Parameter 0 is the logarithm of the width of the Gaussian that falls to half at the same frequency.
    """
    v = np.minimum(frequency * math.exp(parameters[0]) / CUTOFF_TIMES_SIGMA, 1.0)
    root = np.sqrt(1 - v**2)
    return 2 / math.pi * (np.arccos(v) - v * root), np.array([-4 / math.pi * v * root])


def _stretched(frequency: FloatArray, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return exp(-u^m), where u is the exponent of a Gaussian, and the logarithm of m is parameter 1.

    Image tubes are described by it with m between 0.55 and 1 (common practice, no source).
    """
    power = math.exp(parameters[1])
    log_u = math.log(2 * math.pi**2) + 2 * (parameters[0] + np.log(np.maximum(frequency, 1e-9)))
    raised = np.exp(power * log_u)
    value = np.exp(-raised)
    return value, np.array([-2 * power * raised * value, -power * log_u * raised * value])


def _softened(core: Transform) -> Transform:
    """Return the transform of a core and a Gaussian, whose variance in squared pixels is about the last parameter.

    Below nought the variance fades, v = (p + sqrt(p^2 + 4 e^2)) / 2, so that a core alone lies where the parameter's
    normal distribution reaches. With the logarithm of the width it lay at minus infinity: MTF10 of defocus had a 90th
    percentile of 6.1 instead of 5.8 %, and of responses that fall exponentially 92 instead of 94 of 100 were held.
    """

    def transform(frequency: FloatArray, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        value, by_core = core(frequency, parameters[:-1])
        root = math.hypot(parameters[-1], 2 * LEAST_SOFTENING_PX2)
        variance = 0.5 * (parameters[-1] + root)
        power = 2 * (math.pi * frequency) ** 2
        soft = np.exp(-variance * power)
        return value * soft, np.vstack([by_core * soft, -variance / root * power * value * soft])

    return transform


def _with_gaussians(ratios: tuple[float, ...]) -> Transform:
    """Return the transform of which Gaussians take any share from one; their widths are ratios of its width.

    The first parameter is the logarithm of that width, the others are the shares, of either sign.
    """
    squares = np.square(ratios)

    def transform(frequency: FloatArray, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        value, by_core = _gaussian(frequency, parameters[:1])
        shares = parameters[1:]
        powers = np.outer(squares, 2 * (math.pi * math.exp(parameters[0]) * frequency) ** 2)
        gaussians = np.exp(-powers)
        rest = 1 - float(np.sum(shares))
        derivatives = np.vstack([rest * by_core, gaussians - value])
        derivatives[0] += shares @ (-2 * powers * gaussians)
        return rest * value + shares @ gaussians, derivatives

    return transform


def _scattering(core: Transform) -> Transform:
    """Return the transform of which scattered light takes a share from a core.

    Its point spread falls as exp(-r / L), whose transform is (1 + (2 pi f L)^2)^(-3/2). The last two parameters are the
    share, and the logarithm of L over the core's own width.
    """

    def transform(frequency: FloatArray, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        value, by_core = core(frequency, parameters[:-2])
        share, log_ratio = parameters[-2:]
        square = (2 * math.pi * math.exp(parameters[0] + log_ratio) * frequency) ** 2
        halo = (1 + square) ** -1.5
        by_ratio = -3 * share * halo * square / (1 + square)
        derivatives = np.vstack([(1 - share) * by_core, halo - value, by_ratio])
        derivatives[0] += by_ratio
        return (1 - share) * value + share * halo, derivatives

    return transform


DISC: Final = _softened(_disc)
GAUSSIAN: Final = Family(name="Gaussian", transform=_gaussian, expected=(0.0,), scatter=(1.0,), starts=((0.0,),))
TWO_GAUSSIANS: Final = Family(
    name="two Gaussians",
    transform=_two_gaussians,
    expected=(0.0, 0.0, math.log(3.0)),
    scatter=(1.0, 0.25, 0.5),
    starts=((0.0, 0.12, math.log(3.0)), (0.0, -0.2, math.log(2.0))),
)
DEFOCUS: Final = Family(
    name="defocus",
    transform=DISC,
    expected=(0.0, EXPECTED_SOFTENING_PX2),
    scatter=(1.0, SOFTENING_SCATTER_PX2),
    starts=((0.0, 0.25),),
)
DIFFRACTION: Final = Family(
    name="diffraction",
    transform=_softened(_diffraction),
    expected=(0.0, EXPECTED_SOFTENING_PX2),
    scatter=(1.0, SOFTENING_SCATTER_PX2),
    starts=((0.0, 0.1),),
    odds=ODDS_OF_RARE,
)
STRETCHED: Final = Family(
    name="stretched exponential",
    transform=_softened(_stretched),
    expected=(0.0, -0.25, EXPECTED_SOFTENING_PX2),
    scatter=(1.0, 0.3, SOFTENING_SCATTER_PX2),
    starts=((0.0, -0.3, 0.1),),
    odds=ODDS_OF_RARE,
    stands_in=True,
)
SEVERAL_GAUSSIANS: Final = Family(
    name="several Gaussians",
    transform=_with_gaussians((0.4, 0.6, 1.6, 2.5, 4.0, 6.5)),
    expected=(0.0,) * 7,
    scatter=(1.0, 0.1, 0.1, 0.1, 0.1, 0.08, 0.05),
    starts=((0.0,) * 7,),
    odds=ODDS_OF_RARE,
    stands_in=True,
)
DEFOCUS_AND_SCATTER: Final = Family(
    name="defocus and scattered light",
    transform=_scattering(DISC),
    expected=(0.0, EXPECTED_SOFTENING_PX2, 0.0, math.log(3.0)),
    scatter=(1.0, SOFTENING_SCATTER_PX2, 0.25, 0.5),
    starts=((0.0, 0.25, 0.12, math.log(2.0)),),
    odds=ODDS_OF_RARE,
    stands_in=True,
)
FAMILIES: Final = (
    GAUSSIAN,
    TWO_GAUSSIANS,
    DEFOCUS,
    DIFFRACTION,
    STRETCHED,
    SEVERAL_GAUSSIANS,
    DEFOCUS_AND_SCATTER,
)


def pixel_transform(frequency_cy_px: FloatArray, tilt_deg: float) -> FloatArray:
    """Return the transform of a square pixel along a normal tilted against an axis."""
    angle = math.radians(tilt_deg)
    return np.asarray(
        np.sinc(frequency_cy_px * math.cos(angle)) * np.sinc(frequency_cy_px * math.sin(angle)), dtype=np.float64
    )


class EdgeBasis:
    """The sines that make the edge of any symmetric blur at given distances.

    Parameters
    ----------
    distance_px : ndarray of shape (bins,)
        Where the edge is wanted.
    period_px : float
        Longer than twice the reach of distances and blur together.
    highest_cy_px : float
        Beyond it every transform counts as nothing.

    Notes
    -----
    A periodic line spread with the transform T has the edge 1/2 + s/P + sum over k of T(k/P) sin(2 pi k s/P) / (pi k).
    This is exact while the line spread is narrower than the period, for any blur, at any distance, without
    interpolation.
    """

    def __init__(self, distance_px: FloatArray, period_px: float, highest_cy_px: float) -> None:
        order = np.arange(1, math.ceil(highest_cy_px * period_px) + 1)
        self.period_px = period_px
        self.distance_px = distance_px
        self.frequency = order / period_px
        phases = np.exp(np.outer(distance_px, 2j * math.pi * self.frequency))
        self._sine = np.ascontiguousarray(phases.imag / (math.pi * order))
        self._cosine = np.ascontiguousarray(phases.real / (math.pi * order))

    def edge(self, transform: FloatArray, derivatives: FloatArray, shift_px: float) -> tuple[FloatArray, FloatArray]:
        """Return the edge, shifted, of shape (bins,), and its derivatives, of shape (p, bins)."""
        turn = 2 * math.pi * shift_px * self.frequency
        both = np.vstack([transform, derivatives])
        linear = (both * np.cos(turn)) @ self._sine.T - (both * np.sin(turn)) @ self._cosine.T
        ramp = 0.5 + (self.distance_px - shift_px) / self.period_px
        return np.asarray(ramp + linear[0], dtype=np.float64), np.asarray(linear[1:], dtype=np.float64)

    def line(self, transform: FloatArray) -> FloatArray:
        """Return the line spread at no shift, per pixel: shape (bins,)."""
        order_pi = math.pi * self.frequency * self.period_px
        return np.asarray((1 + 2 * (self._cosine @ (transform * order_pi))) / self.period_px, dtype=np.float64)
