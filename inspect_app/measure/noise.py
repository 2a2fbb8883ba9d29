"""Signal-to-noise ratio and fixed pattern of an even scene, from two frames or more."""

import math
from collections.abc import Sequence
from typing import Annotated

import numpy as np
from pydantic import Field

from inspect_app.capture import Capture, FloatArray, Still
from inspect_app.errors import UnusableInput
from inspect_app.measure import _budget
from inspect_app.measure._even_frames import MOST_CLIPPED, NO_CHANGE, OTHER_LIGHT, code_step, prove_frames, unevenness
from inspect_app.measure._options import PictureOptions, Region, Repeated, Unit
from inspect_app.measure._registry import Needs, check
from inspect_app.model import Condition, Measured, Outline, Result
from inspect_app.numerics.noise.noise_split import NoiseSplit, split_noise
from inspect_app.quantity import Contribution, Quantity, quantity_from_budget

METHOD = "ISO 15739:2023, temporal and fixed-pattern noise; EMVA 1288 separation of the two"
SMALLEST_SIDE_PX = 8  # fewer pixels carry no curved surface
CLIPPED_SHARE_TOLD = 0.001
CORRELATED_PIXELS = 3.0  # one independent value per this many pixels: denoised, or a scintillating tube
FLICKER_TOLD = 0.01
UNEVEN_TOLD = 0.02
RIPPLE_TOLD = 0.001  # of the mean, rms
ROUNDING_TOLD = 0.02  # of the temporal variance: noise of two codes, a ratio that is 1 % lower


class NoiseOptions(PictureOptions):
    """Options of the noise check: an even region, or readings of another instrument."""

    roi: Annotated[Region | None, Field(description="Even region, X,Y,W,H in pixels")] = None
    snr_reading: Annotated[
        tuple[Annotated[float, Field(gt=0)], ...],
        Field(description="Signal-to-noise ratio read from an analyser, one per repeat"),
        Unit("1"),
        Repeated(),
    ] = ()
    reading_u: Annotated[
        float | None, Field(gt=0, description="Standard uncertainty of one reading, where it stands alone"), Unit("1")
    ] = None


@check(
    "noise",
    title="Noise of an even scene",
    method=METHOD,
    quantities={"snr": "1", "snr_total": "1", "fixed_pattern": "%"},
    options=NoiseOptions,
    needs={"scene": Needs(kinds=("still",), at_least=0, at_most=None)},
)
def noise(captures: tuple[Capture, ...], options: NoiseOptions) -> Measured:
    """Measure temporal and total signal-to-noise ratio and the fixed pattern of an even scene.

    Parameters
    ----------
    captures : tuple of Still
        Two frames or more of the same even scene; none with readings.
    options : NoiseOptions
        The region, or the readings.

    Returns
    -------
    Measured
        ``snr``: mean over temporal standard deviation; ``snr_total``: mean over the root of temporal and fixed-pattern
        variance; ``fixed_pattern``: its standard deviation in per cent of the mean. All are those of the region, in
        the mean light of the frames. The uncertainties cover the finite number of pixels and frames, and what of the
        pattern may pass for light.

    Raises
    ------
    UnusableInput
        One frame alone, frames of different size, a region outside of the picture, both files and readings or neither.
    NothingToMeasure
        Frames that are equal, black or saturated, rounded to fewer codes than noise needs, in different light, or of a
        scene that is not even or moves.

    Notes
    -----
    Mean and noise are those of the exposure as stored: a black level must be taken out by the transfer (table), and
    what rounding to codes adds, the twelfth of a code squared, counts as noise, as both standards have it (from
    memory): with a warning where it is 2 % of the variance or more. See
    `inspect_app.numerics.noise.noise_split.split_noise` for the formulas. Texture of the scene counts as fixed pattern.
    Assumes an even scene under light that changes smoothly over the frame, noise that is independent from frame to
    frame, and pixels away from black and white. It breaks down where the device moves by less than half a pixel
    between frames, where pictures were denoised over time, and where clipping takes a part of the noise away.

    A frame that repeats the pixels of another, that is saturated, or that has less than a third or more than three
    times the usual light is left out and told: with one repeated among five, ``snr`` was 5 % too high, at 30 u. A
    shadow, a bright patch or a blur in one frame of several is told by its scatter about the mean frame, which the
    uncertainty then allows for; of two frames, neither can be told.

    Over 368 stacks of 2 to 15 frames of 30 to 150 pixels a side, under flicker to 15 % and gradient, 2 u held 94 to 97
    of 100 truths of each quantity (`tests/bench/bench_noise.py`); over 300 by another hand, under flicker to 30 % and
    vignetting, 95 to 98, and 90 % were within 0.3 % (both ratios) and 1.6 % of the fixed pattern.

    A weak pattern is known no better than noise allows. Of a pattern p, with temporal noise t in each of n frames of m
    pixels, the variance of the mean frame errs by 4 p² q / m + 2 q² / m, q being t² / n, and what is taken off it for
    the noise by 2 q² / (m (n - 1)), as squares of normal noise do; half of the root over p² is the relative standard
    error of p. Of 100 stacks by another hand, with noise of the mean frame 0.3 to 5 times the pattern in eight of ten,
    90 % come within 5.2 %, where this bound leaves 6.6 (4.4 to 9.4 by the draw); errors are 0.94 of it (rms).

    References
    ----------
    ISO 15739:2023, clause 6 (from memory). EMVA Standard 1288, release 3.1, clauses 6 and 8 (from memory).
    """
    stills = [taken for taken in captures if isinstance(taken, Still)]
    if options.snr_reading:
        if stills:
            raise UnusableInput("noise", "both files and readings were given", "Give the files or the readings.")
        return Measured(check="noise", method="readings of an analyser", results=(_from_readings(options),))
    if len(stills) < 2:
        raise UnusableInput(
            stills[0].name if stills else "noise",
            f"{len(stills)} frames given, and noise is what changes between frames",
            "Give two frames or more of the same even scene, or --snr-reading.",
        )
    region = options.roi or (0, 0, stills[0].exposure.shape[1], stills[0].exposure.shape[0])
    frames, clipped_shares = _cut_out(stills, region)
    kept, left_out = _frames_of_use(stills, frames, clipped_shares)
    if 1 < len(kept) < len(stills):
        stills, frames, clipped_shares = [stills[number] for number in kept], frames[kept], clipped_shares[kept]
    clipped_share = float(clipped_shares.mean())
    prove_frames(stills[0].name, frames, clipped_share)
    split = split_noise(frames)
    x, y, width, height = region
    return Measured(
        check="noise",
        method=METHOD,
        results=_results(split, region, len(stills)),
        outlines=(Outline(label="region", shape="rectangle", x=x, y=y, width_px=width, height_px=height),),
        warnings=(
            *left_out,
            *_warnings(split, clipped_share, unevenness(frames.mean(axis=0))),
            *_unlike(split, stills),
            *_rounding(split, code_step(frames[0])),
        ),
    )


def _from_readings(options: NoiseOptions) -> Result:
    readings = options.snr_reading
    count = len(readings)
    lines: list[Contribution] = []
    if count > 1:
        lines.append(_budget.read_off(readings, "analyser read"))
    elif options.reading_u is None:
        raise UnusableInput(
            "option --snr-reading",
            "one reading alone says nothing of its uncertainty",
            "Repeat the reading, or give its standard uncertainty with --reading-u.",
        )
    if options.reading_u is not None:
        lines.append(
            Contribution(
                source="reading", distribution="normal", standard_uncertainty=options.reading_u / math.sqrt(count)
            )
        )
    mean = float(np.mean(readings))
    return Result(quantity_name="snr", quantity=quantity_from_budget(mean, "1", lines), budget=tuple(lines))


def _cut_out(stills: Sequence[Still], region: tuple[int, int, int, int]) -> tuple[FloatArray, FloatArray]:
    rows, cols = stills[0].exposure.shape
    for still in stills[1:]:
        if still.exposure.shape != (rows, cols):
            size = f"{still.exposure.shape[1]} × {still.exposure.shape[0]}"
            raise UnusableInput(
                still.name,
                f"its size {size} differs from {cols} × {rows} of {stills[0].name}",
                "Give frames of one scene.",
            )
    x, y, width, height = region
    if x + width > cols or y + height > rows:
        raise UnusableInput(
            "option --roi", f"it reaches beyond the picture of {cols} × {rows} pixels", "Give a region inside of it."
        )
    if min(width, height) < SMALLEST_SIDE_PX:
        raise UnusableInput(
            stills[0].name,
            f"a region of {width} × {height} pixels is too small",
            f"Give one of {SMALLEST_SIDE_PX} × {SMALLEST_SIDE_PX} or more.",
        )
    cut = (slice(y, y + height), slice(x, x + width))
    frames = np.stack([still.exposure[cut] for still in stills])
    return frames, np.array([still.clipped[cut].mean() for still in stills])


def _frames_of_use(
    stills: Sequence[Still], frames: FloatArray, clipped_shares: FloatArray
) -> tuple[list[int], tuple[str, ...]]:
    """Return which frames have pixels of their own, below white, in the usual light; what to tell of all others."""
    means = frames.mean(axis=(1, 2))
    light = means / max(float(np.median(means)), np.finfo(np.float64).tiny)
    kept: list[int] = []
    told = []
    for number, frame in enumerate(frames):
        earlier = next((other for other in kept if _is_same(frames[other], frame)), None)
        if earlier is not None:
            told.append(f"{stills[number].name} holds the same pixels as {stills[earlier].name} and was left out.")
        elif clipped_shares[number] > MOST_CLIPPED:
            told.append(f"{stills[number].name} is saturated at {clipped_shares[number]:.0%} and was left out.")
        elif not 1 / OTHER_LIGHT <= light[number] <= OTHER_LIGHT:
            told.append(f"{stills[number].name} has {light[number]:.2g} times the usual light and was left out.")
        else:
            kept.append(number)
    return kept, tuple(told)


def _is_same(one: FloatArray, other: FloatArray) -> bool:
    """Say whether two frames hold the same pixels; their first rows settle it where they do not."""
    return all(float(np.abs(one[part] - other[part]).max()) < NO_CHANGE for part in (slice(1), slice(1, None)))


def _results(split: NoiseSplit, region: tuple[int, int, int, int], frames: int) -> tuple[Result, ...]:
    condition: Condition = {"roi": region, "frames": frames}
    temporal = split.temporal_variance
    pattern = max(split.pattern_variance, 0.0)
    total = temporal + pattern
    temporal_line = "temporal variance, finite number of pixels and frames"
    pattern_line = "fixed-pattern variance, noise that the mean frame still holds"
    snr = split.mean / math.sqrt(temporal)
    snr_lines = (_line(temporal_line, snr * split.temporal_variance_u / (2 * temporal), split.temporal_freedom),)
    snr_total = split.mean / math.sqrt(total)
    own_share = 1 - 1 / frames  # noise that the mean frame still holds is in the sum as it was seen
    total_lines = (
        _line(temporal_line, snr_total * own_share * split.temporal_variance_u / (2 * total), split.temporal_freedom),
        _line(pattern_line, snr_total * split.spatial_variance_u / (2 * total), None),
    )
    percent = 100 * math.sqrt(pattern) / split.mean
    percent_lines = (
        _line(pattern_line, 100 * _root_uncertainty(pattern, split.pattern_variance_u) / split.mean, None),
    )
    return (
        _result("snr", snr, "1", snr_lines, condition),
        _result("snr_total", snr_total, "1", total_lines, condition),
        _result("fixed_pattern", percent, "%", percent_lines, condition),
    )


def _line(source: str, standard_uncertainty: float, freedom: float | None) -> Contribution:
    return Contribution(
        source=source, distribution="normal", standard_uncertainty=standard_uncertainty, degrees_of_freedom=freedom
    )


def _result(name: str, value: float, unit: str, lines: tuple[Contribution, ...], condition: Condition) -> Result:
    quantity: Quantity = quantity_from_budget(value, unit, lines)
    return Result(quantity_name=name, quantity=quantity, condition=condition, budget=lines)


def _root_uncertainty(variance: float, variance_u: float) -> float:
    """Return u of a root from u of its square: half of the wider arm of the 2 u interval, sound down to zero."""
    root = math.sqrt(variance)
    above = math.sqrt(variance + 2 * variance_u) - root
    below = root - math.sqrt(max(variance - 2 * variance_u, 0.0))
    return max(above, below) / 2


def _warnings(split: NoiseSplit, clipped_share: float, uneven: float) -> tuple[str, ...]:
    told = []
    if uneven > UNEVEN_TOLD:
        told.append(
            f"Parts of the region differ by {uneven:.1%} beside its smooth fall-off: this counts as fixed pattern; "
            "give an even part of it with --roi."
        )
    if clipped_share > CLIPPED_SHARE_TOLD:
        told.append(f"{clipped_share:.1%} of the region is saturated: the noise is underestimated.")
    if split.correlation > CORRELATED_PIXELS:
        told.append(
            f"Noise is shared by about {split.correlation:.0f} neighbouring pixels, as after denoising or from a "
            "scintillating screen: a ratio per pixel says little of the sensor."
        )
    spread = (max(split.frame_means) - min(split.frame_means)) / split.mean
    if spread > FLICKER_TOLD:
        told.append(f"The light flickers by {spread:.1%} between frames; this is taken out of the noise.")
    if split.ripple and (rms := math.sqrt(split.ripple.variance)) > RIPPLE_TOLD * split.mean:
        period = split.ripple.lines_a_period
        told.append(
            f"The light ripples by {rms / split.mean:.1%} (rms) as the shutter rolls, {period:.0f} lines to a "
            "period; this is taken out of the noise. Take the frames in steady light, if it can be had."
        )
    return tuple(told)


def _unlike(split: NoiseSplit, stills: Sequence[Still]) -> tuple[str, ...]:
    """Tell of a frame that differs from the others by more than noise, as one with a shadow in it does."""
    if split.unlike is None or len(stills) < 3:  # of two frames, either
        return ()
    name, times = stills[split.unlike.frame].name, split.unlike.times
    told = (
        f"Frames differ by more than noise that is alike in all, {name} most, by {times:.3g} times as much as usual; "
        "the uncertainty allows for it. Look whether all show the same scene, sharp and without shadows."
    )
    return (told,)


def _rounding(split: NoiseSplit, step: float) -> tuple[str, ...]:
    """Tell where rounding to codes makes much of the noise: a twelfth of a step squared (EMVA 1288, from memory)."""
    share = step**2 / 12 / split.temporal_variance
    if share < ROUNDING_TOLD:
        return ()
    codes = math.sqrt(split.temporal_variance) / step
    told = f"Rounding makes {share:.0%} of the temporal variance, for the noise is {codes:.2g} codes: store more bits."
    return (told,)
