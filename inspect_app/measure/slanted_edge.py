"""Spatial frequency response from slanted edges: how fine a detail still shows, along the normal of each edge."""

import math
import statistics
from collections.abc import Mapping, Sequence
from typing import Annotated, Final, Literal

import pydantic
from pydantic import Field

from inspect_app.capture import Capture, Still
from inspect_app.errors import UnusableInput
from inspect_app.measure import _budget
from inspect_app.measure._edges.regions import LEVELS, measure_picture
from inspect_app.measure._edges.results import UNITS, edge_results, in_all_units
from inspect_app.measure._edges.stretch import SMALLEST_PX
from inspect_app.measure._edges.warnings import NYQUIST_CY_PX
from inspect_app.measure._options import PictureOptions, Region, Repeated, Unit
from inspect_app.measure._registry import Needs, check
from inspect_app.model import Condition, Measured, Result
from inspect_app.quantity import Contribution

METHOD: Final = "ISO 12233:2017 e-SFR; curve, levels and blur of the edge fitted to all its pixels"
READING_DOUBT_PERCENT: Final = 5.0  # one reading, when repeats show nothing; common practice, no source
READING_DOUBT_FREEDOM: Final = 8.0  # that figure is itself good to a quarter (GUM G.4.2)


class SlantedEdgeOptions(PictureOptions):
    """Where the edge lies and what a pixel is worth; or readings instead of a picture."""

    roi: Annotated[Region | None, Field(description="Region with one edge, X,Y,W,H; every usable edge without it")] = (
        None
    )
    pixel_pitch_um: Annotated[
        float | None, Field(gt=0, le=1000, description="Pixel pitch of the sensor"), Unit("µm")
    ] = None
    pixel_angle_mrad: Annotated[
        float | None, Field(gt=0, le=1000, description="Angle that one pixel sees"), Unit("mrad")
    ] = None
    mtf50_reading: Annotated[
        tuple[Annotated[float, Field(gt=0, le=2)], ...],
        Field(description="MTF50 read elsewhere, once per repeat"),
        Unit("cy/px"),
        Repeated(),
    ] = ()
    mtf10_reading: Annotated[
        tuple[Annotated[float, Field(gt=0, le=2)], ...],
        Field(description="MTF10 read elsewhere, once per repeat"),
        Unit("cy/px"),
        Repeated(),
    ] = ()
    reading_step: Annotated[float, Field(gt=0, le=0.1, description="Last digit of the readings"), Unit("cy/px")] = 0.001
    axis: Annotated[
        Literal["horizontal", "vertical"] | None, Field(description="Axis of the readings: horizontal or vertical")
    ] = None
    picture_height_px: Annotated[
        int | None, Field(ge=SMALLEST_PX, le=100_000, description="Picture height that the readings refer to")
    ] = None

    @pydantic.model_validator(mode="after")
    def _readings_have_an_axis(self) -> "SlantedEdgeOptions":
        if (self.mtf50_reading or self.mtf10_reading) and self.axis is None:
            raise ValueError("readings need --axis, horizontal or vertical")
        return self


def _nyquist(fixed: Mapping[str, object]) -> dict[str, float]:
    """Return the finest detail that the pixels can show, half a cycle per pixel, in each quantity that is known."""
    pitch_um, angle_mrad = (
        float(size) if isinstance(size, int | float) else None
        for size in (fixed.get("pixel_pitch_um"), fixed.get("pixel_angle_mrad"))
    )
    cycle = _one_cycle(None, pitch_um, angle_mrad)
    return {f"{level}{suffix}": NYQUIST_CY_PX * factor for level in LEVELS for suffix, factor in cycle.items()}


def _one_cycle(height_px: int | None, pitch_um: float | None, angle_mrad: float | None) -> dict[str, float]:
    """Return one cycle per pixel in each unit that is known, by suffix of the quantity."""
    known = {
        "": 1.0,
        "_lw_ph": None if height_px is None else 2.0 * height_px,
        "_lp_mm": None if pitch_um is None else 1000 / pitch_um,
        "_cy_mrad": None if angle_mrad is None else 1 / angle_mrad,
    }
    return {suffix: factor for suffix, factor in known.items() if factor is not None}


@check(
    "slanted-edge",
    title="Slanted edge, spatial frequency response",
    method=METHOD,
    quantities={f"{level}{suffix}": unit for level in LEVELS for suffix, unit in UNITS.items()},
    options=SlantedEdgeOptions,
    needs={"scene": Needs(kinds=("still",), at_least=0, at_most=1)},
    only_with={
        f"{level}{suffix}": (option,)
        for level in LEVELS
        for suffix, option in (("_lp_mm", "pixel_pitch_um"), ("_cy_mrad", "pixel_angle_mrad"))
    },
    highest=_nyquist,
)
def slanted_edge(captures: tuple[Capture, ...], options: SlantedEdgeOptions) -> Measured:
    """Measure MTF50 and MTF10 of one region, or of every usable edge in a picture.

    Parameters
    ----------
    captures : tuple of Still
        One picture; or none, with readings in the options.
    options : SlantedEdgeOptions
        Region, transfer, what a pixel is worth.

    Returns
    -------
    Measured
        For each edge mtf50 and mtf10 in cy/px along its normal, in lw/ph, and in lp/mm and cy/mrad where the pixel is
        known, with the edge's axis and region as condition. The uncertainty covers the noise of the pixels, the choice
        of the blur's family, where the edge runs, and what the rounding of a JPEG does.

    Raises
    ------
    UnusableInput
        Neither a picture nor readings were given, or both; or the region leaves the picture.
    NothingToMeasure
        No edge was found, or none that can be measured; the message says what was seen.

    Notes
    -----
    Colour is luminance in linear light before anything else (ISO 14524 for the transfer). The edge is fitted as a
    curve of lowest sufficient degree, so that distortion does not smear it; its pixels in order of their distance
    along the normal are fitted with families of blur through the pixel's aperture (see `edge_response`), which needs
    neither the derivative's nor the cosine's correction of the textbook method, and is not lifted by noise.
    Clipped highlights make an edge look sharper, also where white lies below the file's own, as 12 bits in a file of 16
    do. Clipped by their noise, up to four fifths of the bright side are allowed for and told, more are refused; clipped
    by light that falls off, the rows that it clips are left out, or the edge is refused. The rounding of a JPEG hides
    which pixels were clipped: from three tenths of the bright side on, by count or by how near its level lies to white,
    all that it may have brought below white count as clipped. What was rounded is no normal noise that was cut, and
    MTF50 comes out high by some 2 % of itself to the share that is clipped, which the uncertainty allows for: of 125
    edges, 0.97 to 1.0 of white, at qualities of 84 to 98, value ± 2 u then held MTF50 in 94 and MTF10 in 97 of 100, and
    in 82 and 90 without. Where that leaves too little, it is measured as it stands, if no more than 0.65 may have been
    clipped, and doubted by a fifth of the share that is seen at white, or 0.08 of what may be, the less of both: of 240
    edges 0.93 to 1.0 of white, at qualities of 40 to 75, 20 are refused, and 87 of half of them had been; MTF50 is held
    in 95 and MTF10 in 95 of 100, and nine in ten come within 8 and 12 %. Of 80 at 76 to 98 one is refused, and all are
    held. Exposed beyond white it comes out 7 % high in the mean. Sharpening in the camera is part of what is measured.
    The response is one-dimensional, along the normal.
    A coarse JPEG loses detail and the noise that would tell of it: its tables say how much (see `rounding_doubt`). Of
    600 edges at qualities of 5 to 95, exposed by 0.3 to 0.97 of white, 551 were measured: 2 u held MTF50 in 97 of 100
    and MTF10 in 93, p90 of MTF50 4 to 5 % from a quality of 60 on, 12 % at 20 and 30. An edge lower in codes than what
    its coarse detail was rounded to is refused, as are those of a quality of 5.

    Assumes a blur that is symmetric about the edge and the same along it, light that falls off smoothly, noise of
    neighbouring pixels that is independent, and that the transfer given is the camera's. Breaks down with coma or
    smear, where a coding has blurred the noise (both are told by residuals larger than the noise), with an edge along
    the pixels' own rows or columns, and where less than about 2.5 standard deviations of the blur show on a side: the
    last two are refused. A region beyond a corner is measured up to it; one with a second edge in it is refused, and so
    is a wave, a ridge or a soft texture, beside whose strongest edge no side is level: of 4500 drawn 9 still
    get a number, most in regions of 40 to 60 px that show half a wave.

    What limits it: the noise of the pixels. In the middle of all captures MTF50 errs by 2.8 % at an SNR of 4 to 7, by
    0.4 % above 20. Bent edges are read as well as straight ones: at an SNR of 4 to 50 nine in ten lie within 4.1 %
    (1200 edges; 4.0 and 4.4 in 800 and 400 edges drawn otherwise). Their error is 1.16 times the Cramer-Rao bound of a
    fit that is told the kind of blur and that the light is even (root mean square, 400 edges, to 0.04): not knowing how
    light falls off across the edge costs 7 % by that bound, not knowing the kind 2 %. That bound itself leaves one in
    ten beyond 3.8 %. Beyond 24 to 48 px from the edge, scattered light is not seen.

    References
    ----------
    ISO 12233:2014 and 2017, 6.2 (excerpts); ISO 14524 (transfer, from memory).
    """
    has_readings = bool(options.mtf50_reading or options.mtf10_reading)
    if captures and has_readings:
        raise UnusableInput("readings", "a picture was given as well", "Give the picture or the readings, not both.")
    if has_readings:
        return _from_readings(options)
    if not captures:
        raise UnusableInput(
            "slanted-edge", "neither a picture nor readings given", "Give a picture or --mtf50-reading."
        )
    picture = captures[0]
    if not isinstance(picture, Still):
        raise UnusableInput(picture.name, "this is not a still picture", "Give a PNG, TIFF or JPEG.")
    cycle = _one_cycle(picture.exposure.shape[0], options.pixel_pitch_um, options.pixel_angle_mrad)
    return edge_results(METHOD, measure_picture(picture, options.roi), cycle)


def _from_readings(options: SlantedEdgeOptions) -> Measured:
    results: list[Result] = []
    warnings = []
    condition: Condition = {"axis": options.axis or "horizontal"}
    cycle = _one_cycle(options.picture_height_px, options.pixel_pitch_um, options.pixel_angle_mrad)
    for name, readings in (("mtf50", options.mtf50_reading), ("mtf10", options.mtf10_reading)):
        if not readings:
            continue
        value = statistics.fmean(readings)
        budget = [
            _repeat_line(readings, value),
            _budget.line("last digit of the readings", options.reading_step / math.sqrt(12), "rectangular"),
        ]
        results += in_all_units(name, value, budget, condition, cycle)
        if len(readings) == 1:
            warnings.append(
                f"{name}: one reading only; {READING_DOUBT_PERCENT:g} % is taken as its repeatability. "
                "Read at least three."
            )
    return Measured(
        check="slanted-edge", method=METHOD + "; readings by hand", results=tuple(results), warnings=tuple(warnings)
    )


def _repeat_line(readings: Sequence[float], value: float) -> Contribution:
    count = len(readings)
    if count > 1:
        return Contribution(
            source=f"spread of {count} readings",
            distribution="t",
            standard_uncertainty=statistics.stdev(readings) / math.sqrt(count),
            degrees_of_freedom=count - 1,
        )
    return Contribution(
        source="repeatability of one reading",
        distribution="normal",
        standard_uncertainty=value * READING_DOUBT_PERCENT / 100,
        degrees_of_freedom=READING_DOUBT_FREEDOM,
    )
