"""Latency: how long after a light the picture of it changes, from a film, a trace, or counted frames."""

from collections.abc import Sequence
from typing import Annotated, Final

import numpy as np
from pydantic import Field

from inspect_app.capture import Capture, Film
from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.measure._budget import counting, line, result, scaled
from inspect_app.measure._films.event_regions import Chosen
from inspect_app.measure._films.event_traces import Traces, film_traces, log_traces
from inspect_app.measure._films.film_times import usual_interval
from inspect_app.measure._films.light import FloatArray
from inspect_app.measure._films.paired_switches import Pairs, Turns, pair_switches
from inspect_app.measure._films.sure_switches import prove_switching
from inspect_app.measure._options import PictureOptions, Region, Repeated, Unit
from inspect_app.measure._registry import Needs, check
from inspect_app.measure._thin import thin
from inspect_app.model import Measured, Outline, Trace
from inspect_app.numerics.changes.change_shapes import LIGHT_KINDS, PICTURE_KINDS, SOFT, STAIRS
from inspect_app.numerics.changes.fine_stairs import locate_fine_stairs
from inspect_app.numerics.changes.flicker import calmed, flickers, steadied
from inspect_app.numerics.changes.lags import Instants, Lag, agreement, hypothesis_weights, instants, lag
from inspect_app.numerics.changes.renewals import locate_renewal
from inspect_app.numerics.changes.shutters import Shutters, shutters
from inspect_app.numerics.changes.slow_changes import Around, gathered, goes_on, next_begins
from inspect_app.numerics.changes.transitions import Located, locate
from inspect_app.quantity import Contribution, Quantity

METHOD: Final = "light against its picture, fitted within the frame (common practice, no source; GUM, JCGM 100:2008)"
_REFRESH_MS: Final = (4.0, 42.0)
"""How long a display may show one picture: 24 to 250 a second (common practice, no source)."""
_CLOCK: Final = 1e-4 / 3**0.5  # a camera's crystal, 100 ppm at most (common practice, no source)
"""Relative standard uncertainty of the time base."""
_ONSET_FLOORS: Final = (0.025, 0.05)
_HALF_FLOORS: Final = (0.01, 0.02)
"""By how much an instant moves even without noise, and no less over many events: by coding and rounding of codes, in
intervals, and by shapes unlike all that are fitted, in times from the onset to the half. Of 200 traces of three decays
and ramps that are not fitted, and of ripple, with 0.03 of the time for halves, first changes were held 78 of 100 and
halves 94; with 0.05 and 0.02 intervals whatever the shape 66 and 83. With 0.1 and 0.05 times the rise 88 and 96, but
decays that are fitted at an error / u of 0.35 and 0.49 instead of 0.40 and 0.59 (rms). 0.02 instead of 0.03 holds 95
instead of 96 of 100 halves of 150 such traces, and halves of 584 films of shapes that are fitted at 0.54 instead of
0.51. Doubting shapes by less where samples lie off the fit by less than 0.0075 of the swing lost: first changes of 31
films of phosphors had an u of 0.069 instead of 0.084 frames, but of 80 traces of five shapes that are not fitted 85
instead of 93 of 100 were held, for those lie off by as little. With sums of decays among the shapes, 0.03 and 0.06 held
first changes of 120 other such traces 92 times of 100 instead of 90, those of 36 films of phosphors at an error / u of
0.40 instead of 0.43; 0.02 and 0.04 held 3 of 100 less."""
_LONGEST_RISE: Final = 2.5  # intervals: a longer one shows in its samples which shape it has
_MOST_RENEWED: Final = 20  # events: of more, each is worth less than the time that its renewals take


class LatencyOptions(PictureOptions):
    """Options of the latency check."""

    stimulus_roi: Annotated[Region | None, Field(description="Region of the light, X,Y,W,H in pixels")] = None
    response_roi: Annotated[Region | None, Field(description="Region of its picture, X,Y,W,H in pixels")] = None
    frame_rate: Annotated[float | None, Field(gt=0, description="Rate at which the film was shot"), Unit("1/s")] = None
    shutter_ms: Annotated[
        float | None, Field(gt=0, description="Exposure time of each frame, where it is known"), Unit("ms")
    ] = None
    frames_counted: Annotated[
        tuple[Annotated[int, Field(ge=0, le=1_000_000)], ...],
        Field(description="Frames from the light to its picture, counted by one reader or in one repeat"),
        Repeated(),
    ] = ()
    frame_interval_ms: Annotated[
        float | None, Field(gt=0, description="Time between frames, for counted frames"), Unit("ms")
    ] = None


@check(
    "latency",
    title="Latency",
    method=METHOD,
    quantities={"latency_first_change": "ms", "latency_half": "ms", "latency_frames": "1"},
    options=LatencyOptions,
    needs={"scene": Needs(kinds=("film", "log"), at_least=0, at_most=1)},
)
def latency(captures: tuple[Capture, ...], options: LatencyOptions) -> Measured:
    """Measure how long a picture lags behind the light that it shows.

    Parameters
    ----------
    captures : tuple of Capture
        One film that shows the light and its picture, or one log ``time_ms,stimulus,response``; or none, with
        `options.frames_counted`.
    options : LatencyOptions
        Regions are found where they are not given.

    Returns
    -------
    Measured
        ``latency_first_change`` (ms, from onset to onset), ``latency_half`` (ms, from half to half of the full swing),
        ``latency_frames`` (first change in frame intervals), each the mean over the events of the capture.
        The uncertainty is that of the device's own mean, of which these events are a sample.

    Raises
    ------
    UnusableInput
        Neither capture nor counted frames, or both; a log without its columns; a region outside the frame.
    NothingToMeasure
        The light does not switch, or nothing changes after it; regions that were found switch at the same moment.

    Notes
    -----
    A frame is the mean of the light over its open time, so the one partly lit frame of a step says when within the
    frame it began. Each switch is fitted with a step, a decay, a ramp and a swell, the picture's also with scans of a
    round screen and of lines that decay, with sums of decays, and with the two or three steps of a display that shows
    the switch in part for a refresh or two. A change that takes many samples is fitted in means of them: of 100 logs of
    0.1 to 1 ms a row with rises of up to 20 ms, first changes came within 0.9 rows and were held 94 of 100; fitted over
    100 rows, within 7 (p90), and 80 of 100. How long the shutter stood open is averaged over, for one step says nothing
    of it: a line of the budget, which --shutter-ms takes away. Events that all lag alike tell it, and tell the lag
    finer than each of them. Flashes in step with the film share one place within the frame and do neither: with an
    untold short shutter 85 to 92 of 100 halves of four such flashes were held, 97 to 100 first changes (own bench; u
    was a standard deviation then). Ripple of a lit screen is divided out; one that flickers is fitted with its
    renewals, or held at its crests. Single readings of a log that lie absurdly far off are left out with a warning.
    Assumes that the picture answers each switch before the next one, and that light and picture lie in the same film:
    rolling readout of the filming camera shifts regions at different heights. Breaks down where fewer than about three
    frames lie between two switches. See `inspect_app.numerics.changes.transitions.locate`,
    `inspect_app.numerics.changes.renewals.locate_renewal`,
    `inspect_app.numerics.changes.fine_stairs.locate_fine_stairs`, `inspect_app.numerics.changes.slow_changes.gathered`,
    `inspect_app.numerics.changes.flicker.calmed`, `inspect_app.numerics.changes.flicker.steadied` and
    `inspect_app.numerics.changes.lags.lag`.

    A picture in a region that was found, and that follows its light by less than 2 u, is refused: a reflection, or a
    part of the light itself, does the same. Of 13 films without light or picture 5 were given a number without that, 1
    with it; 207 that have both kept theirs (u was a standard deviation then). Regions that are given measure such a
    lag.
    """
    if options.frames_counted:
        return _counted(captures, options)
    if not captures:
        raise UnusableInput(
            "latency", "neither a capture nor counted frames are given", "Give a film, or --frames-counted."
        )
    taken = captures[0]
    if isinstance(taken, Film):
        traces = film_traces(taken, options.stimulus_roi, options.response_roi, options.frame_rate)
    else:
        traces = log_traces(taken, options.frame_rate)
    return _measured(traces, options)


def _counted(captures: tuple[Capture, ...], options: LatencyOptions) -> Measured:
    """Mean of counted frames; JCGM 100:2008, 4.3.9 (triangular), from memory."""
    if captures:
        raise UnusableInput("option --frames-counted", "a capture is given as well", "Give one of the two.")
    if options.frame_interval_ms is None:
        raise UnusableInput("option --frame-interval-ms", "it is missing", "Give the time between two frames.")
    counts, interval_ms = np.array(options.frames_counted, dtype=np.float64), options.frame_interval_ms
    mean, events = float(counts.mean()), {"events": len(counts)}
    budget = [counting(options.frames_counted, 1.0, "light and picture each seen")]
    return Measured(
        check="latency",
        method="counted frames (common practice, no source; GUM, JCGM 100:2008)",
        results=(
            result("latency_first_change", mean * interval_ms, "ms", scaled(budget, interval_ms), events),
            result("latency_frames", mean, "1", budget, events),
        ),
    )


def _measured(traces: Traces, options: LatencyOptions) -> Measured:
    interval_ms = usual_interval(traces.times_ms)
    pairs = pair_switches(traces.name, traces.stimulus, traces.response)
    prove_switching(traces, pairs)
    seen = shutters(traces.times_ms, interval_ms, options.shutter_ms, traces.usual)
    stimuli = _fits(traces.times_ms, traces.stimulus, pairs.light, seen, LIGHT_KINDS, traces.coded[0])
    responses = _fits(traces.times_ms, traces.response, pairs.picture, seen, PICTURE_KINDS, traces.coded[1])
    if traces.chosen is not None:
        of_light, of_picture = (doubt * interval_ms for doubt in traces.chosen.doubts)
        stimuli, responses = (
            [each.doubted(of_light) for each in stimuli],
            [each.doubted(of_picture) for each in responses],
        )
    onsets, halves = instants(stimuli, responses, "onset"), instants(stimuli, responses, "half")
    agreed = agreement(halves, interval_ms).log_evidence
    weights = hypothesis_weights(stimuli, responses, seen.prior, agreed)
    rises_ms = np.abs(halves.after - onsets.after).mean(axis=0)
    rises = [picture.rises for picture in pairs.picture.paired]
    first, half = (
        lag(
            each,
            interval_ms,
            weights,
            _rounding_ms(rises_ms, interval_ms, floors, seen, tick_ms=traces.tick_ms),
            rises,
            _REFRESH_MS[1],
        )
        for each, floors in ((onsets, _ONSET_FLOORS), (halves, _HALF_FLOORS))
    )
    condition: dict[str, str | int | float] = {"events": len(pairs.light.paired)}
    is_told = options.shutter_ms is not None
    budget, half_budget = (_budget(each, is_shutter_told=is_told) for each in (first, half))
    half_way = result("latency_half", half.mean, "ms", half_budget, condition)
    if traces.chosen is not None and (options.stimulus_roi is None or options.response_roi is None):
        _prove_apart(traces.name, half_way.quantity)
    return Measured(
        check="latency",
        method=METHOD,
        results=(
            result("latency_first_change", first.mean, "ms", budget, condition),
            half_way,
            result("latency_frames", first.mean / interval_ms, "1", scaled(budget, 1 / interval_ms), condition),
        ),
        traces=_curves(traces, onsets, halves, weights),
        outlines=_outlines(traces.chosen),
        warnings=traces.warnings
        + _warnings(pairs, first, interval_ms, unended=goes_on(traces.response, pairs.picture.paired[-1].index)),
    )


def _prove_apart(name: str, half: Quantity) -> None:
    """Refuse regions that nobody gave and that switch together: rather two parts of a light, or its reflection."""
    doubt_ms = 2 * half.standard_uncertainty
    if abs(half.value) < doubt_ms:
        raise NothingToMeasure(
            name,
            f"the two regions found switch at the same moment, {half.value:.3g} ± {doubt_ms:.2g} ms apart: they may be "
            "parts or reflections of one light",
            "Film the LED and the eyepiece in one view, or give --stimulus-roi and --response-roi.",
        )


def _fits(
    times_ms: FloatArray, values: FloatArray, turns: Turns, seen: Shutters, kinds: Sequence[str], coded: float
) -> list[Located]:
    """Fit each paired switch in a stretch that holds no other."""
    interval_ms = usual_interval(times_ms)
    indices = [switch.index for switch in turns.every]
    fits, is_renewed = [], False
    for switch in turns.paired:
        earlier = [index for index in indices if index < switch.index]
        later = [index for index in indices if index > switch.index]
        start = (earlier[-1] + switch.index + 1) // 2 if earlier else 0
        stop = max(next_begins(values, switch.index, later[0]), switch.index + 3) if later else len(values)
        near, own = switch.index - start, slice(start, stop)
        native = Around(times_ms[own], values[own], near, interval_ms, seen.open_times[:, own])
        around = gathered(native)
        is_steady = len(turns.paired) > _MOST_RENEWED or not flickers(around.values, around.near)
        found = None if is_steady else locate_renewal(*around, kinds=kinds)
        stairs = locate_fine_stairs(native, kinds, _REFRESH_MS) if found is None and kinds is PICTURE_KINDS else None
        fits.append(found or stairs or _at_crests(*around, kinds=kinds, coded=coded))
        is_renewed = is_renewed or found is not None
    return [each.without_stairs(kinds) for each in fits] if is_renewed else fits


def _at_crests(
    times_ms: FloatArray,
    values: FloatArray,
    near: int,
    interval_ms: float,
    opened_ms: FloatArray,
    *,
    kinds: Sequence[str],
    coded: float,
) -> Located:
    """Locate one change of a screen that is steady, or is held at the crests of its flicker."""
    steady = steadied(calmed(times_ms / interval_ms, values, near), near)
    found = locate(times_ms, steady.values, near, interval_ms, opened_ms, kinds=kinds, refresh=_REFRESH_MS, coded=coded)
    return found.doubted(steady.doubt * interval_ms)


def _rounding_ms(
    rises_ms: FloatArray, interval_ms: float, floors: tuple[float, float], seen: Shutters, *, tick_ms: float
) -> FloatArray:
    """Return what codes, clock, unlike shapes and shutters between those tried move a lag by, under every hypothesis.

    A stair is no shape. Light and picture share the shutter, so its doubt counts by as much as their places within a
    frame differ (triangular).
    """
    of_codes, of_shapes = floors
    rises_ms = rises_ms.reshape(-1, len(LIGHT_KINDS), len(PICTURE_KINDS))
    smooth = np.array([kind not in STAIRS or kind in SOFT for kind in PICTURE_KINDS])
    unlike_ms = of_shapes * np.minimum(rises_ms * smooth, _LONGEST_RISE * interval_ms)
    others = (of_codes * interval_ms) ** 2 + tick_ms**2 / 6 + seen.doubt[:, None, None] ** 2 / 6
    return np.asarray(np.sqrt(unlike_ms**2 + others).reshape(len(rises_ms), -1))


def _budget(found: Lag, *, is_shutter_told: bool) -> list[Contribution]:
    lines = [
        line("noise, and place within a frame", found.from_noise),
        line("shape of the change", found.from_shape),
        line(
            "coding, rounding, and shapes of change that are not fitted",
            found.from_rounding,
            "rectangular",
        ),
        line("time base, 100 ppm", abs(found.mean) * _CLOCK, "rectangular"),
    ]
    if not is_shutter_told:
        lines.append(line("how long the shutter stood open, which is not told", found.from_shutter))
    count = len(found.events)
    if count > 1:
        lines.append(line(f"spread of {count} events", found.from_spread))
    return lines


def _curves(traces: Traces, onsets: Instants, halves: Instants, weights: FloatArray) -> tuple[Trace, ...]:
    light_ms, onset_ms, half_ms = (
        float((each[0] * weights).sum()) for each in (onsets.before, onsets.after, halves.after)
    )
    curves = []
    for name, values, marks in (
        ("stimulus", traces.stimulus, {"onset_ms": light_ms}),
        ("response", traces.response, {"onset_ms": onset_ms, "half_ms": half_ms}),
    ):
        x, y = thin(traces.times_ms, values)
        curves.append(Trace(name=name, x=x, x_unit="ms", y=y, y_unit="1", condition=marks))
    return tuple(curves)


def _outlines(chosen: Chosen | None) -> tuple[Outline, ...]:
    """Return outlines of the two regions; a log has none."""
    boxes = {} if chosen is None else {"stimulus": chosen.stimulus_box, "response": chosen.response_box}
    return tuple(
        Outline(label=label, shape="rectangle", x=box[0], y=box[1], width_px=box[2], height_px=box[3])
        for label, box in boxes.items()
    )


def _warnings(pairs: Pairs, first: Lag, interval_ms: float, *, unended: bool) -> tuple[str, ...]:
    found = []
    missed = len(pairs.light.every) - len(pairs.light.paired)
    if missed:
        found.append(f"{missed} switches of the light were not followed by a change")
    if first.mean < -interval_ms:
        found.append("the picture changes before the light: are the two regions mistaken for one another?")
    if unended:
        found.append("the picture still changes where the capture ends: half of its swing is by the shape fitted")
    return tuple(found)
