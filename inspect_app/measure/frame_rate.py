"""Frame rate and dropped frames, from a film of a blinking light, or from frames counted against a clock."""

from typing import Annotated, Final

import numpy as np
import numpy.typing as npt
from pydantic import Field

from inspect_app.capture import Capture, Film
from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.measure._budget import counting, line, result, scaled
from inspect_app.measure._films.event_regions import strongest_region
from inspect_app.measure._films.film_times import OwnRate, frames_missing, own_rate
from inspect_app.measure._films.light import Box, watch
from inspect_app.measure._options import PictureOptions, Region, Repeated, Unit
from inspect_app.measure._registry import Needs, check
from inspect_app.measure._thin import thin
from inspect_app.model import Measured, Outline, Trace
from inspect_app.numerics.blinks.blink_clock import BlinkClock, blink_clock, is_sure
from inspect_app.numerics.blinks.blink_rates import HIGHEST

FloatArray = npt.NDArray[np.float64]

METHOD: Final = "frames counted against a light of known frequency (common practice, no source; GUM, JCGM 100:2008)"
_GENERATOR: Final = 2e-6 / 3**0.5
"""Relative standard uncertainty of the light's frequency: 2 ppm, checked by a counter (common practice, no source)."""
_FEWEST_BLINKS_BY_CLOCK: Final = 0.05  # a film that plays thirty times too fast may still be told by its light
_ALIAS: Final = 0.01  # blinks per frame by which an alias may be off
_DISAGREEMENT: Final = 0.01
_MUCH_BEYOND: Final = 0.1  # of the frames
_MOST_MISSING: Final = 0.3  # of the frames, with switches that do not fit: another light, or none that blinks
_MISFIT_OF_MANY: Final = 0.2  # of the swing, by which a frame is off: with so many missing anything nearly fits


class FrameRateOptions(PictureOptions):
    """Options of the frame rate check."""

    blink_hz: Annotated[float | None, Field(gt=0, description="Frequency of the blinking light"), Unit("Hz")] = None
    roi: Annotated[Region | None, Field(description="Region of the light, X,Y,W,H in pixels")] = None
    frames_counted: Annotated[
        tuple[Annotated[int, Field(ge=1, le=10_000_000)], ...],
        Field(description="Frames counted over the duration, by one reader or in one repeat"),
        Repeated(),
    ] = ()
    duration_s: Annotated[float | None, Field(gt=0, description="Duration by the clock in the film"), Unit("s")] = None
    clock_step_s: Annotated[float, Field(gt=0, description="Smallest step of that clock"), Unit("s")] = 0.01


@check(
    "frame-rate",
    title="Frame rate",
    method=METHOD,
    quantities={"frame_rate": "1/s", "frames_dropped": "1"},
    options=FrameRateOptions,
    needs={"scene": Needs(kinds=("film",), at_least=0, at_most=1)},
)
def frame_rate(captures: tuple[Capture, ...], options: FrameRateOptions) -> Measured:
    """Measure the frame rate of a device, and how many frames it dropped.

    Parameters
    ----------
    captures : tuple of Capture
        The device's own film of a light that blinks at a known frequency; or none, with `options.frames_counted`.
    options : FrameRateOptions
        Without `blink_hz` the film's own clock is believed, with a warning.

    Returns
    -------
    Measured
        ``frame_rate`` (1/s) between frames that follow one another, ``frames_dropped`` (1).

    Raises
    ------
    UnusableInput
        Neither film nor counted frames, or both; a region outside the frame.
    NothingToMeasure
        No light blinks in the film, or too few blinks are there.

    Notes
    -----
    Frame rate = frames per blink x blinks per second: the light is the clock, not the file. A missing frame is a whole
    step off the clock. Assumes that frames follow one another evenly, or at the uneven times that the file has for them
    (the rate is then their mean), and a light that is switched on and off sharply: one that is as much a sine is
    refused (`inspect_app.numerics.blinks.blink_sine.is_sine`).
    Breaks down where the light blinks faster than half of the frame rate (refused, for its alias looks the same), and
    with a shutter that is open so briefly that no frame is partly lit: then an edge lies anywhere between two frames,
    which widens the doubt, and frames that are missing are hard to tell from a rate a little off. See
    `inspect_app.numerics.blinks.blink_clock.blink_clock`.
    """
    if options.frames_counted:
        return _counted(captures, options)
    if not captures:
        raise UnusableInput(
            "frame-rate", "neither a film nor counted frames are given", "Give a film, or --frames-counted."
        )
    film = captures[0]
    if not isinstance(film, Film):
        raise UnusableInput(film.name, "it is not a film", "Give the device's own film.")
    return _by_file_clock(film) if options.blink_hz is None else _by_light(film, options.blink_hz, options.roi)


def _counted(captures: tuple[Capture, ...], options: FrameRateOptions) -> Measured:
    if captures:
        raise UnusableInput("option --frames-counted", "a film is given as well", "Give one of the two.")
    if options.duration_s is None:
        raise UnusableInput("option --duration-s", "it is missing", "Give the duration over which frames were counted.")
    rate = float(np.mean(options.frames_counted)) / options.duration_s
    ends = counting(options.frames_counted, 1.0, "first and last frame each seen")
    clock = options.clock_step_s / 6**0.5
    budget = (
        *scaled([ends], 1 / options.duration_s),
        line(f"clock read to {options.clock_step_s:g} s", rate * clock / options.duration_s, "triangular"),
    )
    return Measured(
        check="frame-rate",
        method="frames counted against a clock (GUM, JCGM 100:2008)",
        results=(result("frame_rate", rate, "1/s", budget, {"repeats": len(options.frames_counted)}),),
    )


def _by_file_clock(film: Film) -> Measured:
    times_s = watch(film, ()).times_s
    missing = frames_missing(times_s)
    frames = np.concatenate([[0.0], np.cumsum(missing + 1.0)])
    slope, offset = np.polyfit(frames, times_s, 1)
    rest = times_s - (slope * frames + offset)
    away = frames - frames.mean()
    jitter = float(np.sqrt(rest @ rest / max(1, len(frames) - 2) / (away @ away)))
    rate = float(1 / slope)
    budget = (
        line("jitter of the time stamps", rate * jitter / float(slope)),
        line("clock of the device, 100 ppm", rate * 1e-4 / 3**0.5, "rectangular"),
    )
    return Measured(
        check="frame-rate",
        method="the file's own time stamps",
        results=(
            result("frame_rate", rate, "1/s", budget),
            result("frames_dropped", float(missing.sum()), "1", ()),
        ),
        warnings=("the rate is by the film's own clock, which nothing proves: film a light of known frequency",),
    )


def _by_light(film: Film, blink_hz: float, roi: Box | None) -> Measured:
    seen = watch(film, () if roi is None else (roi,), with_samples=roi is None)
    light, box = (seen.light[:, 0], roi) if roi is not None else strongest_region(film, seen)
    own = own_rate(seen.times_s)
    expected = blink_hz * own.interval_s
    _prove_seen(film, blink_hz, expected * len(seen.times_s))
    clock = blink_clock(light, own.missing, expected, away=own.away if own.is_uneven else None)
    if clock is None:
        raise NothingToMeasure(
            film.name,
            "no light is seen that blinks steadily, switched on and off at least twice, below half of the frame rate",
            "Film a light that is switched, not one that swells and fades on the mains, slower or for longer, or give "
            "--roi around it.",
        )
    _prove_below_nyquist(film, clock, blink_hz, expected)
    dropped, unsure = int(clock.missing.sum()), not is_sure(clock)
    if dropped > _MOST_MISSING * len(light) and (unsure or clock.worst > _MISFIT_OF_MANY):
        raise NothingToMeasure(
            film.name,
            f"what switches in it does not fit a light of {blink_hz:g} Hz, unless {dropped} frames are missing",
            "Film a light that blinks steadily, give its frequency in --blink-hz, or --roi around it.",
        )
    rate = clock.frames_per_blink * blink_hz
    budget = [
        line("fit of the blinks to the frames", clock.frames_per_blink_sd * blink_hz),
        line("frequency of the light, 2 ppm", rate * _GENERATOR, "rectangular"),
    ]
    doubt = (line("switches far off the clock", 1.0, "normal"),) if unsure else ()
    x, y = thin(np.arange(len(light), dtype=np.float64), light)
    return Measured(
        check="frame-rate",
        method=METHOD,
        results=(
            result("frame_rate", rate, "1/s", budget),
            result("frames_dropped", float(dropped), "1", doubt),
        ),
        traces=(Trace(name="light", x=x, x_unit="1", y=y, y_unit="1"),),
        outlines=(Outline(label="light", shape="rectangle", x=box[0], y=box[1], width_px=box[2], height_px=box[3]),),
        warnings=_warnings(rate, own, clock, unsure=unsure) + _beyond_switches(light),
    )


def _beyond_switches(light: FloatArray) -> tuple[str, ...]:
    """Warn where much of the film lies before the first switch of its light or after the last."""
    low, high = np.quantile(light, (0.02, 0.98))
    switches = np.flatnonzero(np.diff(light > (low + high) / 2))
    beyond = 1 - float(np.ptp(switches)) / len(light) if switches.size else 1.0
    if beyond < _MUCH_BEYOND:
        return ()
    return (
        f"frames missing before the light's first switch or after its last, {beyond:.0%} of the film, show nowhere",
    )


def _prove_seen(film: Film, blink_hz: float, blinks: float) -> None:
    """Refuse a light that by the film's own clock blinks far too slowly to be the one that is seen."""
    if blinks < _FEWEST_BLINKS_BY_CLOCK:
        raise NothingToMeasure(
            film.name,
            f"a light of {blink_hz:.4g} Hz blinks {blinks:.2g} times in it by the film's own clock",
            "Give the frequency of the light in --blink-hz.",
        )


def _prove_below_nyquist(film: Film, clock: BlinkClock, blink_hz: float, expected: float) -> None:
    """Refuse a light that is too fast for the film by its own clock, and whose alias is what is seen."""
    alias = abs(expected - round(expected))
    if expected > HIGHEST and abs(1 / clock.frames_per_blink - alias) < _ALIAS:
        own = blink_hz / expected
        raise NothingToMeasure(
            film.name,
            f"a light of {blink_hz:g} Hz blinks faster than half of the {own:.4g} frames a second of the film",
            f"Film a light below {own / 2:.3g} Hz, best of {own / 10:.2g} Hz.",
        )


def _warnings(rate: float, own: OwnRate, clock: BlinkClock, *, unsure: bool) -> tuple[str, ...]:
    warnings, dropped = [], int(clock.missing.sum())
    if abs(1 / own.interval_s / rate - 1) > _DISAGREEMENT:
        warnings.append(f"the film plays at {1 / own.interval_s:.4g} frames a second, the light says {rate:.4g}")
    if own.is_uneven:
        warnings.append("frames follow one another unevenly by the film's own clock: the rate is their mean")
    if dropped:
        missing = "1 frame is" if dropped == 1 else f"{dropped} frames are"
        warnings.append(f"{missing} missing between the first and the last switch of the light")
    if unsure:
        warnings.append("some switches of the light do not fit whole frames: the count of dropped frames is unsure")
    return tuple(warnings)
