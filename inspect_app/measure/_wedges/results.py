"""Dynamic range for each SNR criterion, steps told apart and the SNR trace, from the readings of a wedge."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from inspect_app.capture import FloatArray
from inspect_app.model import Result, Trace
from inspect_app.numerics.wedges.step_reading import StepReading
from inspect_app.numerics.wedges.wedge_response import WedgeResponse, faintest_exposure
from inspect_app.quantity import Contribution, quantity_from_budget

COARSE_ROUNDING = 0.5  # noise over quantisation step: below it, the noise read is partly that of rounding
USELESS_ROUNDING = 0.3
CROOKED_STOP = 0.15  # departure of a step from the line that points to a wrong transfer
TOLD_CENSORED = 0.003  # of the pixels of a step that stand at black
FARTHEST_BELOW = 0.5  # of the darkest step's exposure, how far below it the fitted noise is believed
SKEW_U_STOP = 0.1  # for noise of skewness 1 that black cuts off; 0.07 left errors of 1.2 u at an SNR of 1 (own draw)
UNSEEN_U = 0.5  # of the way from the brightest step to the highest code: both ends lie within 2 u
SLOPE_SEEN = 0.5  # share of the ideal difference of two steps that must remain under flare


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeResults:
    """What a wedge gives."""

    results: tuple[Result, ...]
    traces: tuple[Trace, ...]
    warnings: tuple[str, ...]


def range_results(
    readings: Sequence[StepReading],
    response: WedgeResponse,
    criteria: Sequence[int],
    ratio_stop: float,
    other_lines: Sequence[Contribution],
) -> RangeResults:
    """Work out dynamic range, steps told apart, and what must be said about them."""
    warnings: list[str] = []
    code_steps = _code_steps(readings)
    flare_limit = _flare_limit(readings, response)
    results = []
    darkest = _darkest(readings, response, criteria, code_steps)
    for criterion in criteria:
        result, told = _range(readings, response, criterion, darkest[criterion], code_steps, flare_limit, other_lines)
        results.append(result)
        warnings += told
    if flare_limit is not None:
        step = 1 + round(-math.log2(flare_limit) / ratio_stop)
        warnings.append(f"Flare hides the difference of steps {step} and {step + 1}: the range ends there.")
    if not response.is_clipped:
        warnings.append(_unclipped(response))
    if response.nonlinearity_stop > CROOKED_STOP:
        warnings.append(
            f"A step departs by {response.nonlinearity_stop:.2f} stop from a linear response: "
            "check --transfer, the step ratio, and the evenness of the light."
        )
    if any(reading.censored > TOLD_CENSORED for reading in readings):
        warnings.append(
            "Black is clipped: mean and noise of the darkest steps are those of a normal distribution cut off."
        )
    return RangeResults(
        results=(*results, _steps_discerned(readings, response, flare_limit)),
        traces=_traces(readings, response, ratio_stop),
        warnings=tuple(dict.fromkeys(warnings)),
    )


def _unseen_line(response: WedgeResponse) -> tuple[Contribution, ...]:
    """Return the doubt where the response clips, where no step showed it."""
    if response.unseen_stop == 0:
        return ()
    u = UNSEEN_U * response.unseen_stop
    return (
        Contribution(source="clipping above the brightest step", distribution="rectangular", standard_uncertainty=u),
    )


def _skew_line(readings: Sequence[StepReading], response: WedgeResponse, faintest: float) -> tuple[Contribution, ...]:
    """Return the doubt that few electrons, whose noise is skew and not normal, bring where black is cut off.

    The third moment of Poisson's distribution is its variance times the signal of one electron, which the slope is.
    """
    if readings[-1].censored <= TOLD_CENSORED:
        return ()
    shot = response.noise_slope * response.gain * faintest
    variance = response.noise_floor + shot
    u = SKEW_U_STOP * response.noise_slope * shot / variance**1.5 if variance > 0 else 0.0
    return (Contribution(source="skew noise cut off at black", distribution="normal", standard_uncertainty=u),)


def _unclipped(response: WedgeResponse) -> str:
    if response.unseen_stop > 0:
        return (
            f"No step is clipped: the range is read on by {response.unseen_stop:.2f} stop to the highest code. "
            "Take the wedge with more light."
        )
    return "No step is clipped: the range is at least the one given. Take the wedge with more light."


def _code_steps(readings: Sequence[StepReading]) -> tuple[FloatArray, FloatArray]:
    ordered = list(reversed(readings))
    return np.array([r.exposure for r in ordered]), np.array([r.code_step for r in ordered])


@dataclass(frozen=True, slots=True)
class _Darkest:
    """Where the range ends by one criterion: an exposure, of the brightest step's, and whether it may go on there."""

    exposure: float
    is_least: bool


def _darkest(
    readings: Sequence[StepReading],
    response: WedgeResponse,
    criteria: Sequence[int],
    code_steps: tuple[FloatArray, FloatArray],
) -> dict[int, _Darkest]:
    """Return where the range ends by each criterion; where no noise ends it, no earlier than by a stricter one."""
    shortest = readings[-1].exposure
    found = {criterion: faintest_exposure(response, criterion, code_steps) for criterion in criteria}
    read = {of: each for of, each in found.items() if each is not None and each >= shortest * FARTHEST_BELOW}
    least = {of: min([shortest, *(each for other, each in read.items() if other > of)]) for of in criteria}
    return {of: _Darkest(read.get(of, least[of]), is_least=of not in read) for of in criteria}


def _range(
    readings: Sequence[StepReading],
    response: WedgeResponse,
    criterion: int,
    darkest: _Darkest,
    code_steps: tuple[FloatArray, FloatArray],
    flare_limit: float | None,
    other_lines: Sequence[Contribution],
) -> tuple[Result, list[str]]:
    warnings = []
    faintest, shortest = darkest.exposure, readings[-1].exposure
    if darkest.is_least:
        warnings.append(
            f"The darkest step still has an SNR above {criterion}: the range is at least the one given. "
            "Use a longer wedge."
        )
    elif faintest < shortest:
        warnings.append(
            f"The darkest step still has an SNR above {criterion}: the range is read on by "
            f"{math.log2(shortest / faintest):.2f} stop from the noise of all steps. Use a longer wedge."
        )
    if flare_limit is not None:
        faintest = max(faintest, flare_limit)
    value = math.log2(response.clip_exposure / faintest)
    noise_u = _noise_u_stop(response, criterion, code_steps)
    lines = [
        Contribution(source="noise of the steps", distribution="normal", standard_uncertainty=noise_u),
        Contribution(
            source="gain and clipping level",
            distribution="normal",
            standard_uncertainty=response.clip_relative_u / math.log(2),
        ),
        *_unseen_line(response),
        *_skew_line(readings, response, faintest),
        *other_lines,
    ]
    rounding = _rounding_u_stop(readings, response, faintest)
    if rounding > 0:
        warnings.append(
            "The range is limited by quantisation: the noise of dark steps is below half a code and reads badly."
        )
        lines.append(
            Contribution(source="rounding to codes", distribution="rectangular", standard_uncertainty=rounding)
        )
    quantity = quantity_from_budget(value, "stop", lines)
    result = Result(
        quantity_name="dynamic_range", quantity=quantity, condition={"snr_criterion": criterion}, budget=tuple(lines)
    )
    return result, warnings


def _noise_u_stop(response: WedgeResponse, criterion: int, code_steps: tuple[FloatArray, FloatArray]) -> float:
    """Return the standard uncertainty in stops that floor and slope of the noise give the faintest exposure."""
    u_floor = math.sqrt(max(float(response.noise_covariance[0, 0]), 0.0))
    u_slope = math.sqrt(max(float(response.noise_covariance[1, 1]), 0.0))
    covariance = float(response.noise_covariance[0, 1])
    base = faintest_exposure(response, criterion, code_steps)
    more_floor = faintest_exposure(replace(response, noise_floor=response.noise_floor + u_floor), criterion, code_steps)
    more_slope = faintest_exposure(replace(response, noise_slope=response.noise_slope + u_slope), criterion, code_steps)
    if base is None or more_floor is None or more_slope is None:
        return 0.0
    a, b = math.log2(more_floor / base), math.log2(more_slope / base)
    mixed = 2 * a * b * covariance / (u_floor * u_slope) if u_floor > 0 and u_slope > 0 else 0.0
    return math.sqrt(max(a**2 + b**2 + mixed, 0.0))


def _rounding_u_stop(readings: Sequence[StepReading], response: WedgeResponse, faintest: float) -> float:
    nearest = min(readings, key=lambda r: abs(math.log(r.exposure / faintest)))
    noise = math.sqrt(max(response.noise_floor + response.noise_slope * response.gain * faintest, 0.0))
    if nearest.code_step <= 0 or noise > COARSE_ROUNDING * nearest.code_step:
        return 0.0
    return 0.5 if noise < USELESS_ROUNDING * nearest.code_step else 0.1


def _flare_limit(readings: Sequence[StepReading], response: WedgeResponse) -> float | None:
    """Return the exposure of the first step from which on differences are less than half of the ideal ones.

    One pair alone is no flare: flare hides all that is darker.
    """
    limit, hidden = None, 0
    for k in range(response.first_linear, len(readings) - 1):
        here, following = readings[k], readings[k + 1]
        ideal = response.gain * (here.exposure - following.exposure)
        doubt = 2 * math.hypot(here.mean_u, following.mean_u)
        if doubt >= SLOPE_SEEN * ideal:
            break
        if here.mean - following.mean + doubt >= SLOPE_SEEN * ideal:
            limit, hidden = None, 0
            continue
        limit, hidden = (here.exposure if limit is None else limit), hidden + 1
    return limit if hidden > 1 else None


def _steps_discerned(readings: Sequence[StepReading], response: WedgeResponse, flare_limit: float | None) -> Result:
    """Count the steps told apart: those below clipping whose SNR is 1 or more, and one for all that are clipped."""
    seen = 1 if response.first_linear > 0 else 0
    doubtful = 0.0
    for reading in readings[response.first_linear :]:
        if flare_limit is not None and reading.exposure < flare_limit:
            break
        noise = math.sqrt(max(reading.variance, reading.code_step**2 / 12, 1e-30))
        snr = response.gain * reading.exposure / noise
        if snr >= 1:
            seen += 1
        if abs(snr - 1) < 2 * snr * reading.variance_u / (2 * noise**2):
            doubtful += 0.25
    budget = (
        (
            Contribution(
                source="steps close to an SNR of 1",
                distribution="rectangular",
                standard_uncertainty=math.sqrt(doubtful),
            ),
        )
        if doubtful
        else ()
    )
    return Result(
        quantity_name="steps_discerned", quantity=quantity_from_budget(float(seen), "1", budget), budget=budget
    )


def _traces(readings: Sequence[StepReading], response: WedgeResponse, ratio_stop: float) -> tuple[Trace, ...]:
    stops = tuple(ratio_stop * round(-math.log2(reading.exposure) / ratio_stop) for reading in readings)
    ratio = []
    for reading in readings:
        noise = math.sqrt(max(reading.variance, reading.code_step**2 / 12, 1e-30))
        is_clipped = reading.exposure > response.clip_exposure
        ratio.append(0.0 if is_clipped else response.gain * reading.exposure / noise)
    return (
        Trace(name="snr", x=stops, x_unit="stop", y=tuple(ratio), y_unit="1"),
        Trace(name="mean", x=stops, x_unit="stop", y=tuple(r.mean for r in readings), y_unit="1"),
    )
