"""Spatial frequency response from slanted edges: how fine a detail still shows, along the normal of each edge."""

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Final, Literal

import numpy as np
import numpy.typing as npt
import pydantic
from pydantic import Field

from inspect_app.capture import Capture, Still
from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.measure._options import PictureOptions, Region, Repeated, Unit
from inspect_app.measure._registry import Needs, check
from inspect_app.model import Condition, Measured, Outline, Result, Trace
from inspect_app.numerics.clipped_noise import clipped_noise
from inspect_app.numerics.edge_finding import EdgeRegion, find_edges
from inspect_app.numerics.edge_line import is_near_vertical, pixels_near
from inspect_app.numerics.edge_response import Crossing, EdgeResponse, edge_response
from inspect_app.numerics.edge_spread import EdgeSpread, edge_spread
from inspect_app.numerics.edge_surface import EdgeSurface, fit_edge_surface
from inspect_app.quantity import Contribution, quantity_from_budget

METHOD: Final = "ISO 12233:2017 e-SFR; curve, levels and blur of the edge fitted to all its pixels"
LEVELS: Final = {"mtf50": 0.5, "mtf10": 0.1}
NYQUIST_CY_PX: Final = 0.5
SMALLEST_PX: Final = 16  # rows or columns of a region; below it neither side shows its level
LEAST_PHASE_PX: Final = 1.0  # an edge must cross at least one column, or its pixels all sample the same phase
LEAST_CLEARNESS: Final = 5.0  # height of the edge over the standard error of a row of pixels
LEAST_CONTRAST: Final = 1.5  # bright over dark; ISO 12233 charts have 4 (from memory)
WORST_RELATIVE_UNCERTAINTY: Final = 0.35  # beyond it the number says nothing
MANY_CLIPPED, TOO_MANY_CLIPPED = 0.002, 0.3  # shares of the bright side's pixels
READING_DOUBT_PERCENT: Final = 5.0  # one reading, when repeats show nothing; common practice, no source
READING_DOUBT_FREEDOM: Final = 8.0  # that figure is itself good to a quarter (GUM G.4.2)
TRACE_FREQUENCIES: Final = np.linspace(0.0, 1.0, 101)

FloatArray = npt.NDArray[np.float64]


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


@check(
    "slanted-edge",
    title="Slanted edge, spatial frequency response",
    method=METHOD,
    quantities={
        f"{level}{suffix}": unit
        for level in LEVELS
        for suffix, unit in (("", "cy/px"), ("_lw_ph", "lw/ph"), ("_lp_mm", "lp/mm"), ("_cy_mrad", "cy/mrad"))
    },
    options=SlantedEdgeOptions,
    needs={"scene": Needs(kinds=("still",), at_least=0, at_most=1)},
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
        of the blur's family, and where the edge runs.

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
    Clipped highlights make an edge look sharper: a few are told, many refused. Sharpening in the camera is part of what
    is measured. The response is one-dimensional, along the normal.

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
    edges, warnings = _measure_picture(picture, options.roi)
    return _told(picture, edges, warnings, options)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Edge:
    region: EdgeRegion
    surface: EdgeSurface
    spread: EdgeSpread
    response: EdgeResponse
    crossings: Mapping[str, Crossing]
    clipped_share: float

    @property
    def condition(self) -> Condition:
        region = self.region
        return {
            "axis": "horizontal" if region.is_near_vertical else "vertical",
            "roi": (region.x, region.y, region.width, region.height),
        }


def _measure_picture(picture: Still, roi: tuple[int, int, int, int] | None) -> tuple[list[_Edge], list[str]]:
    if roi is not None:
        edge = _measure_edge(picture, _chosen_region(picture, roi))
        return [edge], _edge_warnings([edge])
    edges: list[_Edge] = []
    refusal: NothingToMeasure | None = None
    for region in find_edges(picture.exposure):
        try:
            edges.append(_measure_edge(picture, region))
        except NothingToMeasure as error:
            refusal = refusal or error
    if edges:
        return edges, _edge_warnings(edges)
    if refusal is not None:
        raise refusal
    raise NothingToMeasure(
        picture.name,
        "no straight edge at least 20 px long was found in "
        f"{picture.exposure.shape[1]} x {picture.exposure.shape[0]} px",
        "Fill the view with a chart of slanted edges, or give the region with --roi.",
    )


def _chosen_region(picture: Still, roi: tuple[int, int, int, int]) -> EdgeRegion:
    x, y, width, height = roi
    rows, cols = picture.exposure.shape
    if x + width > cols or y + height > rows:
        raise UnusableInput("option --roi", f"the region leaves the picture of {cols} x {rows} px", "Choose it inside.")
    if min(width, height) < SMALLEST_PX:
        raise UnusableInput(
            "option --roi", f"the region is {width} x {height} px", f"Choose at least {SMALLEST_PX} x {SMALLEST_PX} px."
        )
    chosen = picture.exposure[y : y + height, x : x + width]
    return EdgeRegion(x=x, y=y, width=width, height=height, is_near_vertical=is_near_vertical(chosen))


def _measure_edge(picture: Still, region: EdgeRegion) -> _Edge:
    window = slice(region.y, region.y + region.height), slice(region.x, region.x + region.width)
    image, clipped = picture.exposure[window], picture.clipped[window]
    if not region.is_near_vertical:
        image, clipped = image.T, clipped.T
    try:
        surface = fit_edge_surface(image)
    except NothingToMeasure as error:
        raise NothingToMeasure(_place(picture, region), error.problem, error.remedy) from error
    reach_px = min(48.0, max(24.0, 8 * surface.sigma_px + 6))
    pixels = pixels_near(surface.curve, image.shape, reach_px)
    values, far = image[pixels.row, pixels.col], 3 * surface.sigma_px + 2
    bright_side = pixels.distance_px > far
    bright_clipped = clipped[pixels.row, pixels.col][bright_side]
    clipped_share = float(np.mean(bright_clipped)) if bright_clipped.size else 0.0
    _prove_measurable(picture, region, surface, clipped_share)
    noise = clipped_noise(
        values[pixels.distance_px < -far],
        values[bright_side],
        bright_clipped,
        levels=(surface.dark[0], surface.bright[0]),
        variances=(surface.dark_variance, surface.bright_variance),
    )
    spread = edge_spread(image, surface, noise, reach_px=reach_px, fine_within_px=3 * surface.sigma_px + 4)
    response = edge_response(
        spread,
        tilt_deg=surface.curve.tilt_deg,
        sigma_px=surface.sigma_px,
        levels=(surface.dark[0], surface.bright[0]),
        noise=noise,
    )
    crossings = {name: response.crossing(level) for name, level in LEVELS.items()}
    _prove_certain(picture, region, crossings["mtf50"])
    return _Edge(
        region=region,
        surface=surface,
        spread=spread,
        response=response,
        crossings=crossings,
        clipped_share=clipped_share,
    )


def _place(picture: Still, region: EdgeRegion) -> str:
    return f"{picture.name}, region {region.x},{region.y},{region.width},{region.height}"


def _prove_measurable(picture: Still, region: EdgeRegion, surface: EdgeSurface, clipped_share: float) -> None:
    where = _place(picture, region)
    rows = region.height if region.is_near_vertical else region.width
    if surface.contrast_to_noise * math.sqrt(rows) < LEAST_CLEARNESS or surface.bright[0] <= surface.dark[0]:
        raise NothingToMeasure(
            where,
            f"the step is {max(surface.contrast_to_noise, 0):.2g} times the noise of a pixel, too little for an edge",
            "Choose a region with one edge across it, raise the contrast, or average several frames.",
        )
    if clipped_share > TOO_MANY_CLIPPED:
        raise NothingToMeasure(
            where,
            f"{clipped_share:.0%} of the bright side is clipped",
            "Expose less, so that the bright side stays below white.",
        )
    column = surface.curve.column(np.arange(rows, dtype=np.float64))
    phases = float(np.ptp(column))
    if phases < LEAST_PHASE_PX:
        raise NothingToMeasure(
            where,
            f"the edge moves by {phases:.2f} px over {rows} px: all its pixels sample the same phase",
            "Tilt the chart by 2 to 10 degrees against the pixels, or choose a longer region.",
        )


def _prove_certain(picture: Still, region: EdgeRegion, half: Crossing) -> None:
    relative = math.hypot(half.noise, half.choice) / half.frequency_cy_px
    if relative > WORST_RELATIVE_UNCERTAINTY:
        raise NothingToMeasure(
            _place(picture, region),
            f"noise leaves MTF50 uncertain by {relative:.0%}",
            "Average several frames, raise the light, or choose a longer region.",
        )


def _edge_warnings(edges: Sequence[_Edge]) -> list[str]:
    warnings = []
    for edge in edges:
        x, y, width, height = edge.region.x, edge.region.y, edge.region.width, edge.region.height
        where = f"Region {x},{y},{width},{height}: "
        if edge.clipped_share > MANY_CLIPPED:
            warnings.append(
                f"{where}{edge.clipped_share:.1%} of the bright side is clipped, "
                "which makes the edge look sharper; expose less."
            )
        contrast = edge.surface.bright[0] / max(edge.surface.dark[0], 1e-9)
        if contrast < LEAST_CONTRAST:
            warnings.append(f"{where}the contrast is only {contrast:.2f} to 1; use a chart of 4 to 1 or more.")
        for name, crossing in edge.crossings.items():
            if crossing.frequency_cy_px > NYQUIST_CY_PX:
                warnings.append(
                    f"{where}{name} lies above the Nyquist frequency of 0.5 cy/px: detail that fine is sampled falsely."
                )
    return warnings


def _told(picture: Still, edges: Sequence[_Edge], warnings: Sequence[str], options: SlantedEdgeOptions) -> Measured:
    results: list[Result] = []
    traces: list[Trace] = []
    for edge in edges:
        for name, crossing in edge.crossings.items():
            budget = [
                Contribution(
                    source="noise of the pixels",
                    distribution="normal",
                    standard_uncertainty=crossing.noise,
                    degrees_of_freedom=max(1, edge.response.bins - 8),
                ),
                Contribution(
                    source="choice of the family of blur", distribution="normal", standard_uncertainty=crossing.choice
                ),
            ]
            height_px = picture.exposure.shape[0]
            results += _in_all_units(name, crossing.frequency_cy_px, budget, edge.condition, height_px, options)
        traces += _traces(edge)
    outlines = tuple(
        Outline(
            label=f"{edge.condition['axis']} {number}",
            shape="rectangle",
            x=edge.region.x,
            y=edge.region.y,
            width_px=edge.region.width,
            height_px=edge.region.height,
        )
        for number, edge in enumerate(edges, start=1)
    )
    return Measured(
        check="slanted-edge",
        method=METHOD,
        results=tuple(results),
        traces=tuple(traces),
        outlines=outlines,
        warnings=tuple(warnings),
    )


def _in_all_units(
    name: str,
    frequency_cy_px: float,
    budget: Sequence[Contribution],
    condition: Condition,
    height_px: int | None,
    options: SlantedEdgeOptions,
) -> list[Result]:
    scales = [(name, "cy/px", 1.0)]
    if height_px is not None:
        scales.append((f"{name}_lw_ph", "lw/ph", 2.0 * height_px))
    if options.pixel_pitch_um is not None:
        scales.append((f"{name}_lp_mm", "lp/mm", 1000 / options.pixel_pitch_um))
    if options.pixel_angle_mrad is not None:
        scales.append((f"{name}_cy_mrad", "cy/mrad", 1 / options.pixel_angle_mrad))
    results = []
    for quantity_name, unit, factor in scales:
        lines = [
            Contribution(
                source=line.source,
                distribution=line.distribution,
                standard_uncertainty=line.standard_uncertainty * factor,
                degrees_of_freedom=line.degrees_of_freedom,
            )
            for line in budget
        ]
        results.append(
            Result(
                quantity_name=quantity_name,
                quantity=quantity_from_budget(frequency_cy_px * factor, unit, lines),
                condition=condition,
                budget=tuple(lines),
            )
        )
    return results


def _traces(edge: _Edge) -> list[Trace]:
    every = max(1, math.ceil(edge.spread.distance_px.size / 400))
    return [
        Trace(
            name="mtf",
            x=tuple(TRACE_FREQUENCIES.tolist()),
            x_unit="cy/px",
            y=tuple(edge.response.response(TRACE_FREQUENCIES).tolist()),
            y_unit="1",
            condition=edge.condition,
        ),
        Trace(
            name="esf",
            x=tuple(edge.spread.distance_px[::every].tolist()),
            x_unit="px",
            y=tuple(edge.spread.level[::every].tolist()),
            y_unit="1",
            condition=edge.condition,
        ),
    ]


def _from_readings(options: SlantedEdgeOptions) -> Measured:
    results: list[Result] = []
    warnings = []
    condition: Condition = {"axis": options.axis or "horizontal"}
    for name, readings in (("mtf50", options.mtf50_reading), ("mtf10", options.mtf10_reading)):
        if not readings:
            continue
        value = statistics.fmean(readings)
        budget = [_repeat_line(readings, value), _step_line(options.reading_step)]
        results += _in_all_units(name, value, budget, condition, options.picture_height_px, options)
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


def _step_line(step: float) -> Contribution:
    return Contribution(
        source="last digit of the readings", distribution="rectangular", standard_uncertainty=step / math.sqrt(12)
    )
