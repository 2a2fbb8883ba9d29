"""Readout time of a rolling shutter, from the bands that a strobe draws, or from bands counted by eye."""

from typing import Annotated, Final

import numpy as np
import numpy.typing as npt
from pydantic import Field

from inspect_app.capture import Capture, Still
from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.measure._budget import counting, line, result, scaled
from inspect_app.measure._options import PictureOptions, Repeated, Unit
from inspect_app.measure._registry import Needs, check
from inspect_app.measure._strobe_picture import Strobe, StrobePicture, clearest
from inspect_app.measure._thin import thin
from inspect_app.model import Measured, Trace
from inspect_app.numerics.bands.band_model import shaped
from inspect_app.numerics.bands.fitted_bands import Bands
from inspect_app.numerics.bands.one_band import FLASH_SHARES
from inspect_app.numerics.bands.told_flash import count_told

FloatArray = npt.NDArray[np.float64]

METHOD: Final = "strobe bands, trapezoid of flash and exposure fitted (common practice, no source; GUM, JCGM 100:2008)"
_DUTY: Final = 0.01  # of itself, by which a strobe may be lit longer than told (common practice, no source)
_CLIPPED: Final = 0.01  # of the picture, from which on it adds to the doubt
_BLACK: Final = 0.25  # of what is lit: a camera with a black level clips less
_CLIPPING: Final = ((2.0, 1.2, 0.002), (np.inf, 0.0, 0.0006))
"""By bands: what clipping of the brightest rows adds, of the fit's own doubt and of the readout time (own bench)."""
_FAINT: Final = 0.5  # of the light: with a dark bench bands are deeper (common practice, no source)
_BRIGHTEST: Final = 0.99  # of the rows are clipped less than the brightest are
_BETWEEN_ROWS: Final = ((1.0, 1.5), (0.5, 0.0))
"""By the length of an edge in rows: how many rows one may be off, anywhere between two that it does not touch. A line
through both edges of every band, off at random, is off at its ends by that over the root of their number (algebra)."""
_CLOCK: Final = 1e-4 / 3**0.5  # of the generator: 100 ppm, rectangular (common practice, no source)


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
    picture. Bands of a picture that was turned by a quarter must be deep, for stripes of a pattern look the same; more
    than 15 must be deep or surely level. Of 24 pictures of so many that change the light by 4 to 33 % 23 were refused
    when they had to be deep and 9 are now; of the others 93 in 100 held, within 0.33 %. Of 36 patterns as fine without
    a strobe one is read, which leans by 0.04 degrees. Bands that lean are a pattern's: of 180 pictures of leaning
    weaves, ribs, slats and bricks without a strobe 53 were read as bands before that was looked at, and 3 are now; of
    230 with bands none is refused for it. Rows that are less alike from one band to the next than within one are
    courses of bricks: of 24 pictures of level ones 21 were read, and 8 are now. Level stripes look as bands do in one
    picture: such as stand still in several pictures come with a warning, and so do bands of one that change the light
    by less than a half and may lean by a thousandth of the width or more (k = 2).
    A pattern behind a strobe's bands moves them by more than is told: of 30 pictures of 2 to 6 bands before such as
    lean, 5 are refused for their lean, which were off by 1.4 to 6.7 u, and of the others 76 of 100 held (rms 3.8 u).
    Breaks down where the exposure is a multiple of the strobe's period (no bands), where less than one full period is
    seen, and where light only fades over the picture: refused. A lamp in view, whose light the strobe does not share,
    moves bands without being told: by 3 % beside noise as strong (24 pictures, 79 of 100 held, rms 1.7 u), and within
    its uncertainty in 27 others, of 30 drawn at random (96 held, rms 0.97). What lost: thirds of the width fitted apart
    are as alike with a lamp as without one, and a place that is brighter than its row and column by 75 %, as one of 220
    fields without a lamp has, was in none of the 24 and in 20 of the 27. In a tube's round field, and within a dark
    frame, the rectangle that light reaches is measured, and the time is that of the whole height still: bands that lie
    beyond do not count as seen.

    Where rows differ by a quarter and more by what stands behind the bands, bands drown in their means unless misfits
    are weighed by the texture, and are proven by how strong the texture is as well. Of 40 such pictures 3 were refused
    before and 92 in 100 of the others held (rms 1.1 u); now none is refused, and 98 held (0.9). Of 22 that were kept
    because they had been refused, 17 are read within 2.1 u, one is off by 8 u, and four are refused still.

    One to two bands may lie so that each kind of edge is seen once. Then `options.strobe_duty` tells how long the flash
    is, and the length of one band is enough; without it the count is what a strobe that is lit for 5 to 50 % of its
    period leaves open, with a warning, and refused where a full period is less than three times as likely as none or
    the doubt is more than 20 %. Simulated without noise, that refuses 18 % of the pictures with one to two bands, all
    of them without a second edge of either kind, and answers 0.3 % of those with less than one. Answers down to even
    odds and with any doubt would refuse 8 %, but be off by 7 % (p90), and answer 5 % of those with less than one. How
    many show each kind of edge once follows from number and flash (20 000 drawn, evenly from 1.02 to 2 bands): 22 % of
    all; 74 % up to 1.1 bands, 36 % from 1.25 to 1.5 and 1 % from 1.75 where the flash is shorter than 16 % of the
    period, 62, 19 and none where it is longer. Of these, what a strobe's shares leave open is less than 5 % of the
    count (k = 1) in 2 of 100, less than 10 % in 7, and less than the 20 % that are answered in 26; in the others
    nothing in a single picture bounds it. Another picture tells, unless the strobe is in step with the frames:
    simulated for 1.02 to 1.98 bands, 15 % of single pictures are refused, 8 % of two, 4 % of three. The best of them is
    measured, and not their mean: what lies behind the bands is the same in all.

    Where edges of one kind are seen twice, bands are measured as if the duty was not told, which only leaves out fits
    of another flash far apart: of 30 pictures of one to two bands that were held to it 3 were refused that are read
    without it, and 3 of the 22 others were off by 3.0 to 7.6 u. A texture makes a flash look longer or shorter, and
    their distance was bent to make up for it.

    Clipping cuts the tops of bands and of their noise, in proportion to how much of the brightest rows is clipped.
    Two bands and more keep the distance of their edges: 206 pictures (noise or the bands themselves clipped) held 95 of
    100, and 100 with the doubt that one to two bands need (176 pictures: 97).

    Noise that is clipped at black lifts dark rows, which is taken off by how much of them is black: of 37 pictures of
    one to two bands on a dark bench without a black level 86 of 100 held before (rms 1.6 u), and 95 do now (1.0).
    Where more than a twentieth of what is lit is clipped, its bands must also be there once the noise is brought back
    (`inspect_app.numerics.bands.clipped_noise.unclipped`): clipping makes bands of a strong texture.

    Edges that take less than a row, of a short flash or exposure, may lie anywhere between two rows, which leaves
    the fit without a misfit and its corners without a slope: of 20 quiet pictures with edges of 0.1 to 2 rows 12
    held while edges were doubted by 0.03 rows (rms 4.8 u), and 19 do now (0.95). Longer edges are told by the
    rows on them, and the fit alone doubts them. With the strobe's frequency told exactly, as simulations do and a
    bench cannot, the 100 ppm of its clock are most of what is doubted of many bands.

    See `inspect_app.numerics.bands.clipped_noise.without_lift`, `inspect_app.numerics.bands.fitted_bands.fit_bands`,
    `inspect_app.numerics.bands.one_band.likely_count` and `inspect_app.numerics.bands.lit_field.lit_field`.
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
    strobe = Strobe(options.strobe_hz, options.strobe_duty)
    return _measured(clearest(pictures, strobe), options, pictures=len(pictures))


def _counted(captures: tuple[Capture, ...], options: ReadoutOptions) -> Measured:
    if captures:
        raise UnusableInput("option --bands-counted", "a picture is given as well", "Give one of the two.")
    counts = np.array(options.bands_counted, dtype=np.float64)
    if counts.min() < 1:
        raise NothingToMeasure(
            "option --bands-counted",
            f"{counts.min():g} bands are less than one",
            f"Use a strobe of at least {Strobe(options.strobe_hz).wanted_hz(float(counts.max())):.0f} Hz.",
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


def _measured(seen: StrobePicture, options: ReadoutOptions, *, pictures: int) -> Measured:
    taken, found, lines = seen.taken, seen.found, seen.lines
    readout_ms = found.count * seen.whole * 1000 / options.strobe_hz
    budget = [
        line("fit of the bands: noise and what lies behind them", readout_ms * found.count_sd / found.count),
        line("edges of bands that lie between two rows", readout_ms * _between_rows(found, seen.lit.height)),
        line("strobe frequency, 100 ppm", readout_ms * _CLOCK, "rectangular"),
    ]
    if taken.clipped.mean() > _CLIPPED and not seen.is_brought_back:
        budget.append(line("what clipping hides of the bands", readout_ms * _hidden(seen)))
    if found.seen.flash is not None:
        moved_ms = _shift(found, found.seen.flash) * seen.whole * 1000 / options.strobe_hz
        budget.append(line("strobe duty, 1 % of itself", moved_ms / 3**0.5, "rectangular"))
    per_line = 1000 / (options.rows or lines)
    return Measured(
        check="readout",
        method=METHOD,
        results=(
            result("readout_time", readout_ms, "ms", budget),
            result("line_time", readout_ms * per_line, "µs", scaled(budget, per_line)),
        ),
        traces=_traces(seen),
        warnings=_warnings(seen, options, pictures),
    )


def _between_rows(found: Bands, rows: int) -> float:
    """Return by how much of itself the count may be off where edges are no longer than a row."""
    longest = float(shaped(found.parameters)[3]) * rows / found.count
    return float(np.interp(longest, *_BETWEEN_ROWS) / np.sqrt(2 * found.count)) / rows


def _hidden(seen: StrobePicture) -> float:
    """Return the standard uncertainty that clipping adds, of the readout time, by how far the brightest rows are."""
    by_fit, at_least = next(share for most, *share in _CLIPPING if seen.found.count < most)
    clipped = seen.taken.clipped.mean(axis=1 if seen.axis == "rows" else 0)
    return float(np.quantile(clipped, _BRIGHTEST) * np.hypot(by_fit * seen.found.count_sd / seen.found.count, at_least))


def _shift(found: Bands, duty: float) -> float:
    """Return by how many bands the count moves where the strobe is lit for a little longer than told."""
    return abs(count_told(found, duty * (1 + _DUTY)) - found.count)


def _traces(seen: StrobePicture) -> tuple[Trace, ...]:
    found, lit, traces = seen.found, seen.lit, []
    for name, values in (("profile", found.profile), ("fit", found.fitted)):
        x, y = thin(lit.rows.start + found.places * lit.height - 0.5, values)
        traces.append(Trace(name=name, x=x, x_unit="px", y=y, y_unit="1"))
    return tuple(traces)


def _warnings(seen: StrobePicture, options: ReadoutOptions, pictures: int) -> tuple[str, ...]:
    taken, found, axis = seen.taken, seen.found, seen.axis
    warnings = [f"of {pictures} pictures, {taken.name} tells most and is measured"] if pictures > 1 else []
    if found.count < 2:
        wanted = Strobe(options.strobe_hz).wanted_hz(found.count) * min(1.0, 1 / found.count)
        warnings.append(f"only {found.count:.2f} bands are seen: a strobe of {wanted:.0f} Hz would show three")
    if not found.is_distance_seen:
        low, high = (f"{100 * share:g}" for share in FLASH_SHARES)
        warnings.append(
            f"the distance of the bands is not seen: their number is what a strobe that is lit for {low} to {high} % of"
            " its period leaves open; give --strobe-duty"
        )
    if seen.is_moving is None and seen.depth < _FAINT and not seen.is_level:
        lean = seen.most_lean * (seen.lit.cols.stop - seen.lit.cols.start)
        warnings.append(
            f"the bands change the light by {100 * seen.depth:.0f} % and may lean by {lean:.1f} {axis}: stripes behind"
            " the field would look the same; darken the bench, or give several pictures"
        )
    if seen.is_moving is False:
        warnings.append(
            "the bands stand in the same place in all pictures, as stripes of a pattern would: change the strobe's"
            " frequency by a few per cent, so that they move"
        )
    if taken.clipped.mean() > _CLIPPED:
        warnings.append("parts of the bands are clipped: expose less")
    if seen.black > _BLACK:
        warnings.append(f"{100 * seen.black:.0f} % of what is lit stands at black: raise the camera's black level")
    if seen.lit.is_round:
        first, last = seen.lit.rows.start, seen.lit.rows.stop - 1
        warnings.append(f"it is dark beyond a round border: {axis} {first} to {last} are measured")
    if axis == "columns":
        warnings.append("the bands stand upright: the picture is taken as turned by a quarter")
    return tuple(warnings)
