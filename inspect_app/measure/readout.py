"""Readout time of a rolling shutter, from the bands that a strobe draws, or from bands counted by eye."""

from dataclasses import dataclass, replace
from typing import Annotated, Final

import numpy as np
import numpy.typing as npt
from pydantic import Field

from inspect_app.capture import Capture, Still
from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.measure._budget import counting, line, result, scaled
from inspect_app.measure._options import PictureOptions, Repeated, Unit
from inspect_app.measure._registry import Needs, check
from inspect_app.measure._thin import thin
from inspect_app.model import Measured, Trace
from inspect_app.numerics.bands import Bands, fit_bands
from inspect_app.numerics.common_rows import is_shared
from inspect_app.numerics.one_band import FLASH_SHARES, likely_count
from inspect_app.numerics.row_texture import certainty, strip_differences, without_fall_off

FloatArray = npt.NDArray[np.float64]

METHOD: Final = "strobe bands, trapezoid of flash and exposure fitted (common practice, no source; GUM, JCGM 100:2008)"
WANTED_BANDS: Final = 3.0
_LEAST_GAIN: Final = 60.0  # chi-squared of seven more parameters; a texture reached 53 in 100 pictures (own bench)
_USUAL_BANDS: Final = 15.0  # beyond, there are as many more places for chance, and for what a coder leaves behind
_LEAST_GAIN_BELOW_ONE: Final = 9.0  # chi-squared; at most 6.5 in 240 pictures with less than one band (own bench)
_LEAST_GAINS_CLIPPED: Final = ((0.3, 35.0), (0.05, _LEAST_GAIN_BELOW_ONE))
"""Likewise by the share of the picture that is clipped; fields without bands reached 29 there (own bench)."""
_LEAST_CERTAINTY: Final = 0.75  # of a full period where its edges leave that open, and
_MOST_DOUBT_UNSEEN: Final = 0.2  # of the readout time: 3 in 1000 with less than one band pass (simulated)
_MOST_WEIGHED: Final = 2.0  # bands: more are seen, or too faint
_LEAST_BEYOND: Final = 0.5
"""Of the height of few bands, which a fall-off of the light does not make: bands had 0.77 and more, light that fades
over less than one band 0.33 at most (own bench)."""
_MOST_DOUBT: Final = 0.1  # of the readout time: with a told duty, but noise or an edge too few, nothing is measured
_DUTY: Final = 0.01  # of itself, by which a strobe may be lit longer than told (common practice, no source)
_LEAST_ROWS: Final = 32
_LEAST_DEPTH: Final = 0.35  # of the light where bands stand upright or are many: stripes of a pattern are fainter
_LEAST_OUT: Final = 11.0  # standard deviations of texture and noise; 5 at most without bands, 16 with (own bench)
_UPRIGHT: Final = 4.0  # times as likely are bands along rows: the picture was not turned
_CLIPPED: Final = 0.01  # of the picture, from which on it adds to the doubt
_CLIPPING: Final = (1.2, 0.002)  # of the fit's own doubt, and of the readout time: what clipping adds (own bench)
_STRIP_GAIN: Final = 15.0  # chi-squared of the bands in each upright strip that must show them
_CLOCK: Final = 1e-4 / 3**0.5  # of the generator: 100 ppm, rectangular (common practice, no source)
_ROUNDING_ROWS: Final = 0.1  # by which rounded codes and the finite row may move an edge (own bench)


class ReadoutOptions(PictureOptions):
    """Options of the readout check."""

    strobe_hz: Annotated[float, Field(gt=0, le=1e6, description="Strobe frequency"), Unit("Hz")]
    strobe_duty: Annotated[
        float | None,
        Field(ge=0.005, le=0.95, description="Share of the strobe's period for which it is lit, where it is known"),
        Unit("1"),
    ] = None
    rows: Annotated[
        int | None, Field(ge=2, le=1_000_000, description="Rows of the sensor, where the picture was scaled")
    ] = None
    bands_counted: Annotated[
        tuple[float, ...],
        Field(description="Bands over the full height, counted by one reader or in one picture"),
        Repeated(),
        Unit("1"),
    ] = ()


@check(
    "readout",
    title="Sensor readout time",
    method=METHOD,
    quantities={"readout_time": "ms", "line_time": "µs"},
    options=ReadoutOptions,
    needs={"scene": Needs(kinds=("still",), at_least=0, at_most=None)},
)
def readout(captures: tuple[Capture, ...], options: ReadoutOptions) -> Measured:
    """Measure how long the sensor takes to read all of its rows.

    Parameters
    ----------
    captures : tuple of Capture
        One picture of an even field under a strobe, or several, in which the bands lie elsewhere: the one that tells
        most is measured. None with `options.bands_counted`.
    options : ReadoutOptions
        The strobe's frequency.

    Returns
    -------
    Measured
        ``readout_time`` (ms) for the full height of N rows, N times the line time; ``line_time`` (µs).

    Raises
    ------
    UnusableInput
        Neither picture nor counted bands, or both.
    NothingToMeasure
        No bands, or too few of them to tell their distance: the strobe frequency to use is named.

    Notes
    -----
    Readout time = bands over the full height / strobe frequency. The bands are the overlap of flash and open row, a
    periodic trapezoid, fitted to the means of the rows together with the fall-off of the light. Assumes a rolling
    shutter of constant speed and a picture that was not cropped in height. Bands are in every part of the picture,
    each in proportion to its light, and stand out of what the columns differ by: what does not is a thing in the
    picture. Bands of a picture that was turned by a quarter must be deep, for stripes of a pattern look the same.
    Breaks down where the exposure is a multiple of the strobe's period (no bands), where less than one full period is
    seen, and where light only fades over the picture: refused. One to two bands may lie so that each kind of edge is
    seen once. Then `options.strobe_duty` tells how long the flash is, and the length of one band is enough; without
    it the count is what a strobe that is lit for 5 to 50 % of its period leaves open, with a warning, and refused
    where a full period is less than three times as likely as none or the doubt is more than 20 %. Simulated without
    noise, that refuses 18 % of the pictures with one to two bands, all of them without a second edge of either kind,
    and answers 0.3 % of those with less than one. Answers down to even odds and with any doubt would refuse 8 %, but
    be off by 7 % (p90), and answer 5 % of those with less than one. Another picture tells, unless the strobe is in
    step with the frames: simulated for 1.02 to 1.98 bands, 15 % of single pictures are refused, 8 % of two, 4 % of
    three. The best of them is measured, and not their mean: what lies behind the bands is the same in all. See
    `inspect_app.numerics.bands.fit_bands` and `inspect_app.numerics.one_band.likely_count`.
    """
    if options.bands_counted:
        return _counted(captures, options)
    if not captures:
        raise UnusableInput(
            "readout", "neither a picture nor counted bands are given", "Give a picture, or --bands-counted."
        )
    pictures = [taken for taken in captures if isinstance(taken, Still)]
    if len(pictures) < len(captures):
        name = next(taken.name for taken in captures if not isinstance(taken, Still))
        raise UnusableInput(name, "it is not a picture", "Give pictures of the strobe field.")
    return _measured(_clearest(pictures, options), options, pictures=len(pictures))


def _counted(captures: tuple[Capture, ...], options: ReadoutOptions) -> Measured:
    if captures:
        raise UnusableInput("option --bands-counted", "a picture is given as well", "Give one of the two.")
    counts = np.array(options.bands_counted, dtype=np.float64)
    if counts.min() < 1:
        raise NothingToMeasure(
            "option --bands-counted",
            f"{counts.min():g} bands are less than one",
            f"Use a strobe of at least {_wanted_hz(options.strobe_hz, float(counts.max())):.0f} Hz.",
        )
    digit = 1.0 if all(float(count).is_integer() for count in counts) else 0.1
    period_ms = 1000 / options.strobe_hz
    budget = scaled([counting(options.bands_counted, digit, "both ends of the frame read")], period_ms)
    mean_ms = float(counts.mean()) * period_ms
    results = [result("readout_time", mean_ms, "ms", budget)]
    if options.rows is not None:
        per_line = 1000 / options.rows
        results.append(result("line_time", mean_ms * per_line, "µs", scaled(budget, per_line)))
    return Measured(
        check="readout", method="strobe bands counted by eye (common practice, no source)", results=tuple(results)
    )


@dataclass(frozen=True, slots=True)
class _Picture:
    """A picture, its bands, and whether they lie along its rows or its columns."""

    taken: Still
    found: Bands
    axis: str


def _clearest(pictures: list[Still], options: ReadoutOptions) -> _Picture:
    """Return the bands of the picture that leaves the least doubt; refuse where none can be measured."""
    seen, refusals = [], []
    for taken in pictures:
        try:
            seen.append(_bands(taken, options))
        except NothingToMeasure as refusal:
            refusals.append(refusal)
    if not seen:
        raise refusals[0]
    return min(seen, key=lambda each: each.found.count_sd / each.found.count)


def _wanted_hz(strobe_hz: float, count: float) -> float:
    """Return the lowest strobe frequency that shows three bands, where `count` are seen at `strobe_hz`."""
    return strobe_hz * WANTED_BANDS / max(min(count, 1.0), 0.1)


def _bands(taken: Still, options: ReadoutOptions) -> _Picture:
    """Fit the bands along rows; along columns where the picture was turned."""
    if min(taken.exposure.shape) < _LEAST_ROWS:
        raise NothingToMeasure(
            taken.name, f"only {min(taken.exposure.shape)} rows are there", "Use the full picture of the sensor."
        )
    views = {"rows": taken.exposure, "columns": taken.exposure.T}
    unrest = {axis: _unrest(view.mean(axis=1)) * (_UPRIGHT if axis == "rows" else 1.0) for axis, view in views.items()}
    fits = (_seen(views[axis], axis, options) for axis in sorted(unrest, key=lambda axis: -unrest[axis]))
    seen = next((found for found in fits if found is not None), None)
    if seen is None:
        raise NothingToMeasure(
            taken.name,
            "no bands are seen, so either no strobe lights the field or the exposure is a multiple of its period",
            f"Shorten the exposure; if none come, use a strobe of {WANTED_BANDS * options.strobe_hz:.0f} Hz.",
        )
    best, axis = seen
    _prove_whole(taken, best, options)
    if best.count < WANTED_BANDS and not _is_plain(best):
        raise _too_few(taken, best.count, options)
    if options.strobe_duty is None and best.gain_below_one < _LEAST_GAIN_BELOW_ONE:
        return _Picture(taken, _likely_bands(taken, best, options), axis)
    if best.count < 1 or (options.strobe_duty is not None and best.count_sd > _MOST_DOUBT * best.count):
        raise _too_few(taken, best.count, options)
    return _Picture(taken, best, axis)


def _seen(view: FloatArray, axis: str, options: ReadoutOptions) -> tuple[Bands, str] | None:
    """Fit the bands along the first axis of a view; None where there are none, or none of a strobe."""
    differences = strip_differences(view)
    found = fit_bands(view.mean(axis=1), options.strobe_duty, differences)
    return (found, axis) if found is not None and _is_strobe(found, view, differences, axis) else None


def _prove_whole(taken: Still, found: Bands, options: ReadoutOptions) -> None:
    """Refuse few bands in a clipped picture unless they are plain: a field brighter in the middle looks alike."""
    clipped = float(taken.clipped.mean())
    needed = next((gain for share, gain in _LEAST_GAINS_CLIPPED if clipped > share), 0.0)
    if found.count < _MOST_WEIGHED and found.gain_below_one < needed:
        raise NothingToMeasure(
            taken.name,
            f"{100 * clipped:.0f} % of the picture is clipped, and fewer than two bands are seen",
            f"Expose less, and use a strobe of at least {_wanted_hz(options.strobe_hz, found.count):.0f} Hz.",
        )


def _likely_bands(taken: Still, found: Bands, options: ReadoutOptions) -> Bands:
    """Return bands whose distance is not seen, with the count that a strobe's usual shares leave open."""
    likely = likely_count(found) if found.count < _MOST_WEIGHED else None
    is_whole = likely is not None and likely.one_or_more >= _LEAST_CERTAINTY and likely.count >= 1
    if likely is None or not is_whole or likely.count_sd > _MOST_DOUBT_UNSEEN * likely.count:
        raise _too_few(taken, found.count, options)
    return replace(found, count=likely.count, count_sd=likely.count_sd, is_distance_seen=False)


def _too_few(taken: Still, count: float, options: ReadoutOptions) -> NothingToMeasure:
    hz = _wanted_hz(options.strobe_hz, min(count, 1.0))
    also = "; or give --strobe-duty, if it is known" if options.strobe_duty is None else ""
    return NothingToMeasure(
        taken.name,
        "less than one full period of bands is seen",
        f"Use a strobe of at least {hz:.0f} Hz, so that three bands are seen{also}; or give several pictures, in which"
        " the bands lie elsewhere.",
    )


def _is_strobe(found: Bands, view: FloatArray, differences: FloatArray, axis: str) -> bool:
    """Tell whether what was fitted is more than chance, and modulates all of the picture as only a strobe does.

    Stripes that stand behind the field and are shared by all rows look like bands of a turned picture, but are fainter;
    so are fine stripes along the rows.
    """
    if found.gain < _LEAST_GAIN * max(1.0, found.count / _USUAL_BANDS):
        return False
    is_fine = found.count > _USUAL_BANDS or axis == "columns"
    if is_fine and float(np.ptp(found.fitted)) < _LEAST_DEPTH * float(found.fitted.max()):
        return False
    down = (np.arange(len(view)) + 0.5) / len(view)
    if found.count >= 1 and certainty(differences, np.interp(down, found.places, found.fitted)) < _LEAST_OUT:
        return False
    return is_shared(view, found.places, found.fitted, int(found.gain / _STRIP_GAIN))


def _unrest(profile: FloatArray) -> float:
    """Return the variance of a profile about its fall-off."""
    return float(np.var(without_fall_off(profile)))


def _is_plain(found: Bands) -> bool:
    """Say whether what was fitted has edges: light that only fades over the picture is mostly a parabola."""
    return float(np.ptp(without_fall_off(found.fitted))) > _LEAST_BEYOND * float(np.ptp(found.fitted))


def _measured(seen: _Picture, options: ReadoutOptions, *, pictures: int) -> Measured:
    taken, found, axis = seen.taken, seen.found, seen.axis
    readout_ms = found.count * 1000 / options.strobe_hz
    lines = taken.exposure.shape[0 if axis == "rows" else 1]
    budget = [
        line("fit of the bands: noise and what lies behind them", readout_ms * found.count_sd / found.count),
        line("rounding to codes and rows", readout_ms * _ROUNDING_ROWS / lines, "rectangular"),
        line("strobe frequency, 100 ppm", readout_ms * _CLOCK, "rectangular"),
    ]
    if taken.clipped.mean() > _CLIPPED:
        hidden = np.hypot(_CLIPPING[0] * found.count_sd / found.count, _CLIPPING[1])
        budget.append(line("what clipping hides of the bands", readout_ms * float(hidden)))
    if options.strobe_duty is not None:
        moved_ms = _shift(found, options.strobe_duty) * 1000 / options.strobe_hz
        budget.append(line("strobe duty, 1 % of itself", moved_ms / 3**0.5, "rectangular"))
    per_line = 1000 / (options.rows or lines)
    return Measured(
        check="readout",
        method=METHOD,
        results=(
            result("readout_time", readout_ms, "ms", budget),
            result("line_time", readout_ms * per_line, "µs", scaled(budget, per_line)),
        ),
        traces=_traces(found, lines),
        warnings=_warnings(seen, options, pictures),
    )


def _shift(found: Bands, duty: float) -> float:
    """Return by how many bands the count moves where the strobe is lit for a little longer than told."""
    beside = fit_bands(found.profile, duty * (1 + _DUTY))
    return 0.0 if beside is None else abs(beside.count - found.count)


def _traces(found: Bands, lines: int) -> tuple[Trace, ...]:
    traces = []
    for name, values in (("profile", found.profile), ("fit", found.fitted)):
        x, y = thin(found.places * lines - 0.5, values)
        traces.append(Trace(name=name, x=x, x_unit="px", y=y, y_unit="1"))
    return tuple(traces)


def _warnings(seen: _Picture, options: ReadoutOptions, pictures: int) -> tuple[str, ...]:
    taken, found, axis = seen.taken, seen.found, seen.axis
    warnings = [f"of {pictures} pictures, {taken.name} tells most and is measured"] if pictures > 1 else []
    if found.count < 2:
        wanted = _wanted_hz(options.strobe_hz, found.count) * min(1.0, 1 / found.count)
        warnings.append(f"only {found.count:.2f} bands are seen: a strobe of {wanted:.0f} Hz would show three")
    if not found.is_distance_seen:
        low, high = (f"{100 * share:g}" for share in FLASH_SHARES)
        warnings.append(
            f"the distance of the bands is not seen: their number is what a strobe that is lit for {low} to {high} % of"
            " its period leaves open; give --strobe-duty"
        )
    if taken.clipped.mean() > _CLIPPED:
        warnings.append("parts of the bands are clipped: expose less")
    if axis == "columns":
        warnings.append("the bands stand upright: the picture is taken as turned by a quarter")
    return tuple(warnings)
