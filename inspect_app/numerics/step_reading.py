"""Mean and noise of one step of a wedge from its pixels, where black may cut them off."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

FloatArray = npt.NDArray[np.float64]

CENSORED_SHARE = 0.003  # more pixels than this at the lowest code: black is clipped
HOPELESS_SHARE = 0.9
CENSORED_ROUNDS = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class StepReading:
    """Mean and noise of one step.

    `exposure` is nominal, the brightest step 1. `variance_u` is the standard uncertainty of `variance`. `code_step` is
    the quantisation step at this level. `saturated` and `censored` are the shares of pixels at highest and lowest code.
    """

    exposure: float
    mean: float
    mean_u: float
    variance: float
    variance_u: float
    code_step: float
    saturated: float
    censored: float


def read_step(frames: FloatArray, *, exposure: float, saturated: float, code_step: float) -> StepReading:
    """Read mean and noise of one step.

    Parameters
    ----------
    frames : ndarray of shape (n, pixels)
        Exposure values of the step's pixels in each frame.
    exposure : float
        Nominal, the brightest step 1.
    saturated : float
        Share of pixels at the highest code.
    code_step : float
        Quantisation step at this level.

    Notes
    -----
    With several frames the variance is temporal: each frame is first brought to the common mean of the step, so that
    flicker is no noise. A single frame gives the variance over the pixels, which holds the fixed pattern as well. Where
    more than 0.3 % of the values stand at zero, black is clipped: mean and variance are then those of the censored
    normal distribution that is most likely (found by expectation-maximisation; Dempster, Laird and Rubin, 1977, from
    memory).
    """
    count, pixels = frames.shape
    lowest = float(frames.min())
    censored = float(np.mean(frames <= 0))
    if censored > CENSORED_SHARE and lowest <= 0:
        positive = frames[frames > 0]
        border = float(positive.min()) / 2 if len(positive) else 0.0
        mean, variance, relative_u = _censored_moments(positive, frames.size, border)
        freedom = 2 / relative_u**2
    else:
        even = frames - frames.mean(axis=1, keepdims=True)
        if count > 1:
            variance = float(np.square(even - even.mean(axis=0)).sum() / ((count - 1) * (pixels - 1)))
            freedom = (count - 1) * (pixels - 1)
        else:
            variance = float(np.square(even).sum() / (pixels - 1))
            freedom = pixels - 1
        mean = float(frames.mean())
    floor = code_step**2 / 12
    return StepReading(
        exposure=exposure,
        mean=mean,
        mean_u=math.hypot(math.sqrt(max(variance, floor) / frames.size), _rounded_mean_u(variance, code_step)),
        variance=variance,
        variance_u=max(variance, floor) * math.sqrt(2 / freedom),
        code_step=code_step,
        saturated=saturated,
        censored=censored,
    )


def _rounded_mean_u(variance: float, code_step: float) -> float:
    """Return the standard uncertainty that rounding gives a mean whose noise is finer than the codes.

    The mean of rounded normal values is off by ``step / pi * exp(-2 (pi sigma / step)^2)`` times the sine of where it
    lies between two codes (B. Widrow and I. Kollár, Quantization Noise, 2008, from memory).
    """
    if code_step <= 0:
        return 0.0
    own = max(variance / code_step**2 - 1 / 12, 0.0)
    return code_step / math.pi * math.exp(-2 * math.pi**2 * own) / math.sqrt(2)


def _censored_moments(positive: FloatArray, total: int, border: float) -> tuple[float, float, float]:
    """Return mean, variance and the variance's relative uncertainty of a normal distribution cut off below `border`."""
    n = len(positive)
    if n < 10 or n < (1 - HOPELESS_SHARE) * total:
        spread = float(np.sqrt(np.mean(positive**2))) if n else 0.0
        return 0.0, spread**2, 2.0
    first, second = float(positive.mean()), float(np.mean(positive**2))
    rounding = border**2 / 3  # of values within one code, of which `border` is half
    mean, variance = first, max(second - first**2, rounding)
    for _ in range(CENSORED_ROUNDS):
        sd = math.sqrt(variance)
        z = (border - mean) / sd
        ratio = math.exp(-(z**2) / 2 - float(special.log_ndtr(z))) / math.sqrt(2 * math.pi)
        below = mean - sd * ratio
        below_square = variance * (1 - z * ratio - ratio**2) + below**2
        new_mean = (n * first + (total - n) * below) / total
        new_variance = max((n * second + (total - n) * below_square) / total - new_mean**2, rounding)
        is_settled = abs(new_mean - mean) < 1e-6 * sd and abs(new_variance - variance) < 1e-6 * variance
        mean, variance = new_mean, new_variance
        if is_settled:
            break
    return mean, variance, math.sqrt(2 / n) * 1.5
