"""The edges of one picture: each region's curve, spread and response, and what stands against measuring it."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.capture import Still
from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.measure._edges.stretch import SMALLEST_PX, FittedStretch, fit_stretch
from inspect_app.model import Condition
from inspect_app.numerics.edges.block_coding import BLOCK_PX, Coding
from inspect_app.numerics.edges.clipped_noise import ClippedNoise, at_bound, clipped_noise, share_cut
from inspect_app.numerics.edges.edge_finding import EdgeRegion, find_edges
from inspect_app.numerics.edges.edge_line import is_near_vertical
from inspect_app.numerics.edges.edge_response import Crossing, EdgeResponse, edge_response
from inspect_app.numerics.edges.edge_rounding import height_in_steps, is_drowned, rounding_doubt
from inspect_app.numerics.edges.edge_spread import (
    BINS_PER_PX_OF_ISO,
    EdgeSpread,
    edge_levels,
    edge_spread,
    spatial_frequency_response,
)
from inspect_app.numerics.edges.edge_stretch import largest_departure, turning_of_sides
from inspect_app.numerics.edges.edge_surface import EdgeSurface

BoolArray = npt.NDArray[np.bool_]
FloatArray = npt.NDArray[np.float64]

LEVELS: Final = {"mtf50": 0.5, "mtf10": 0.1}
MOST_EDGES: Final = 500  # some ten seconds; a chart has fewer
LEAST_PHASE_PX: Final = 1.0  # an edge must cross at least one column, or its pixels all sample the same phase
LEAST_CLEARNESS: Final = 5.0  # height of the edge over the standard error of a row of pixels
WIDEST_SIGMA_PX: Final = 11.0  # wider ones are shading; the fit ends at 12
SIGMAS_SHOWN: Final = 2.5  # of each side; less does not tell its level from its slope
WORST_RELATIVE_UNCERTAINTY: Final = 0.35  # beyond it the number says nothing
MOST_BY_LIGHT: Final = 0.5  # clipped where the light is strongest: what is left of the side does not tell its level
MOST_BY_NOISE: Final = 0.8  # clipped evenly, by noise: beyond it, two of a hundred lie several uncertainties off
MUCH_BY_ROUNDING: Final = 0.3  # clipped before a JPEG was rounded, which hides that of many pixels:
HIDDEN_BY_ROUNDING: Final = 0.025  # of a crossing, to each share that is clipped: what it hides is no normal noise
MOST_AT_WHITE: Final = 0.65  # of the bright side: measured as it stands where a lower white leaves too little,
HIDDEN_AT_WHITE: Final = (0.08, 0.2)  # of a crossing, to each share that may be clipped, and that stands at white:
# the less of both is what such an edge is doubted by (own draws)
SURELY_WHITE: Final = 3.0  # standard deviations of that rounding below white, above which none tells anything
LOWEST_IN_STEPS: Final = 1.0  # height over steps of a JPEG; below it MTF50 erred by 26 % (rms of own draws)
UNEVEN_LIGHT: Final = 0.05  # from a picture's middle to its nearer border, though none falls off along an edge
TRACE_FREQUENCIES: Final = np.linspace(0.0, 1.0, 101)
MOST_CHANGE_BY_BLUR: Final = 0.06  # of the height, of the light beside an edge over a standard deviation of its blur
LEAST_CHANGE: Final = 0.15  # of that light itself: by less it may change beside a low edge
SURE_CHANGE_BY_BLUR: Final = 0.12  # of the height: by so much it changes beside no edge, however low
SOFT_PX: Final = 1.2  # of blur: beside a sharper edge no wave passed for one
MOST_TURNING: Final = 0.03  # of the height, of strips of a soft edge's sides off a straight line
MOST_CHANGE_OF_SIDES: Final = 0.045  # of the height, over a standard deviation of the blur
MOST_OFF_SIDES: Final = 0.035  # of the height, of strips of a soft edge's sides off what was fitted to it
LITTLE_SHOWN: Final = 6.0  # standard deviations of the blur, of the shorter side, where half as much is too far off
LEAST_OF_WAVE: Final = 0.3  # of one at MTF50 lies between a soft edge and the nearer end of what was fitted
MOST_DEPARTURE: Final = 0.13  # of the edge's height; wide halos under strong vignetting stay below 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredEdge:
    """One region's edge: where it is, how it was fitted, and where its response falls to each level.

    `rows_used` are the first of the region's rows (columns for a level edge) that were measured, and the one after the
    last; `roundings` is how uncertain the rounding of a JPEG leaves each crossing, in cycles per pixel, where it does;
    `clipped_share` and `black_share` are the parts of the bright and the dark side's pixels at white and black;
    `textbook` is the quarter-pixel e-SFR at `TRACE_FREQUENCIES`, for comparison only.
    """

    region: EdgeRegion
    rows_used: tuple[int, int]
    surface: EdgeSurface
    spread: EdgeSpread
    response: EdgeResponse
    noise: ClippedNoise
    textbook: FloatArray
    crossings: Mapping[str, Crossing]
    roundings: Mapping[str, float]
    clipped_share: float
    black_share: float

    @property
    def condition(self) -> Condition:
        """What tells this edge from its siblings."""
        region = self.region
        return {
            "axis": "horizontal" if region.is_near_vertical else "vertical",
            "roi": (region.x, region.y, region.width, region.height),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredEdges:
    """The edges of a picture, and how many more were found than are measured at once."""

    edges: tuple[MeasuredEdge, ...]
    passed_over: int = 0


def measure_picture(picture: Still, roi: tuple[int, int, int, int] | None) -> MeasuredEdges:
    """Measure the edge of one region, or every edge that can be found and measured, the longest `MOST_EDGES` of them.

    Raises
    ------
    UnusableInput
        The region leaves the picture, or is too small.
    NothingToMeasure
        No edge was found, or none that can be measured.
    """
    if roi is not None:
        return MeasuredEdges(edges=(_measure_edge(picture, _chosen_region(picture, roi)),))
    edges: list[MeasuredEdge] = []
    refusal: NothingToMeasure | None = None
    found = find_edges(picture.exposure)
    longest = sorted(found, key=lambda region: -max(region.width, region.height))[:MOST_EDGES]
    for region in sorted(longest, key=lambda region: (region.y, region.x)):
        try:
            edges.append(_measure_edge(picture, region))
        except NothingToMeasure as error:
            refusal = refusal or error
    if edges:
        return MeasuredEdges(edges=tuple(edges), passed_over=len(found) - len(longest))
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


def _measure_edge(picture: Still, region: EdgeRegion) -> MeasuredEdge:
    where = f"{picture.name}, region {region.x},{region.y},{region.width},{region.height}"
    window = slice(region.y, region.y + region.height), slice(region.x, region.x + region.width)
    image, clipped = picture.exposure[window], picture.clipped[window]
    if not region.is_near_vertical:
        image, clipped = image.T, clipped.T
    coding = _coding(picture, region)
    try:
        stretch = fit_stretch(image, clipped)
        clipped_share = stretch.sides.clipped_share
        if coding is not None:
            clipped_share = max(clipped_share, _share_hidden(stretch, coding))
    except NothingToMeasure as error:
        raise NothingToMeasure(where, error.problem, error.remedy) from error
    hidden_doubt = HIDDEN_BY_ROUNDING * clipped_share
    if picture.rounding is not None and clipped_share > MUCH_BY_ROUNDING:
        lowered = _below_white(image, clipped, picture.rounding.exposure_below_white(SURELY_WHITE))
        if lowered is not None and not _is_too_clipped(lowered):
            stretch = lowered
        elif clipped_share <= MOST_AT_WHITE:
            may_be, is_seen = HIDDEN_AT_WHITE
            hidden_doubt = min(may_be * clipped_share, is_seen * stretch.sides.clipped_share)
        else:
            share = clipped_share if lowered is None else lowered.sides.clipped_share
            raise _too_clipped(where, share, ", or too near white to tell after the rounding of a JPEG")
    surface, sides = stretch.surface, stretch.sides
    _prove_measurable(where, stretch)
    _prove_alone(where, stretch)
    levels, variances = (surface.dark[0], surface.bright[0]), (surface.dark_variance, surface.bright_variance)
    noise = clipped_noise(sides.dark, sides.bright, sides.bright_clipped, levels=levels, variances=variances)
    pixels = edge_levels(stretch.image, surface, noise, reach_px=stretch.reach_px)
    spread = edge_spread(pixels, fine_within_px=3 * surface.sigma_px + 4)
    response = edge_response(
        spread,
        tilt_deg=surface.curve.tilt_deg,
        sigma_px=surface.sigma_px,
        levels=levels,
        noise=noise,
        fall_off_doubt=math.hypot(surface.fall_off_doubt, UNEVEN_LIGHT / (0.5 * min(picture.exposure.shape)) ** 2),
    )
    crossings = {name: response.crossing(level) for name, level in LEVELS.items()}
    _prove_two_sided(where, stretch, response, crossings["mtf50"])
    roundings = _roundings(where, coding, stretch, response)
    if coding is not None and clipped_share > 0:
        roundings = _with_hidden(roundings, crossings, hidden_doubt)
    _prove_certain(where, crossings["mtf50"], roundings.get("mtf50", 0.0))
    quarters = edge_spread(pixels, bins_per_px=BINS_PER_PX_OF_ISO)
    return MeasuredEdge(
        region=region,
        rows_used=(stretch.first, stretch.stop),
        surface=surface,
        spread=spread,
        response=response,
        noise=noise,
        textbook=spatial_frequency_response(quarters, TRACE_FREQUENCIES),
        crossings=crossings,
        roundings=roundings,
        clipped_share=clipped_share,
        black_share=float(np.mean(at_bound(sides.dark, bound=0.0, sign=-1.0))) if sides.dark.size else 0.0,
    )


def _prove_measurable(where: str, stretch: FittedStretch) -> None:
    surface, sides, rows = stretch.surface, stretch.sides, stretch.stop - stretch.first
    if surface.contrast_to_noise * math.sqrt(rows) < LEAST_CLEARNESS or surface.bright[0] <= surface.dark[0]:
        raise NothingToMeasure(
            where,
            f"the step is {max(surface.contrast_to_noise, 0):.2g} times the noise of a pixel, too little for an edge",
            "Choose a region with one edge across it, raise the contrast, or average several frames.",
        )
    if _is_too_clipped(stretch):
        raise _too_clipped(where, sides.clipped_share)
    if surface.sigma_px > WIDEST_SIGMA_PX or SIGMAS_SHOWN * surface.sigma_px > sides.shown_px:
        raise NothingToMeasure(
            where,
            f"it changes from dark to bright over {4 * surface.sigma_px:.0f} px, and one side shows only "
            f"{sides.shown_px:.0f} px: more a gradient than an edge",
            "Focus, or choose a region that shows both sides of the edge.",
        )
    column = surface.curve.column(np.arange(rows, dtype=np.float64))
    phases = float(np.ptp(column))
    if phases < LEAST_PHASE_PX:
        raise NothingToMeasure(
            where,
            f"the edge moves by {phases:.2f} px over {rows} px: all its pixels sample the same phase",
            "Tilt the chart by 2 to 10 degrees against the pixels, or choose a longer region.",
        )


def _below_white(image: FloatArray, clipped: BoolArray, white: float) -> FittedStretch | None:
    """Fit an edge whose every pixel above a lower white counts as clipped; None where too little is left of it."""
    try:
        return fit_stretch(np.minimum(image, white), clipped | (image >= white))
    except NothingToMeasure:
        return None


def _is_too_clipped(stretch: FittedStretch) -> bool:
    sides = stretch.sides
    return sides.clipped_share > (MOST_BY_NOISE if sides.is_evenly_clipped else MOST_BY_LIGHT)


def _too_clipped(where: str, share: float, hidden: str = "") -> NothingToMeasure:
    return NothingToMeasure(
        where,
        f"{share:.0%} of the bright side is clipped{hidden}",
        "Expose less, so that the bright side stays below white.",
    )


def _prove_alone(where: str, stretch: FittedStretch) -> None:
    if largest_departure(stretch.image, stretch.surface) > MOST_DEPARTURE:
        raise NothingToMeasure(
            where,
            "something else than one edge lies in it",
            "Choose a region with one edge across it, clear of corners and neighbours.",
        )


def _prove_two_sided(where: str, stretch: FittedStretch, response: EdgeResponse, half: Crossing) -> None:
    """Refuse a wave, a ridge or a soft texture, whose light turns back beside its strongest edge.

    What all else lets through passes for an edge so soft that its light changes much over its own blur, whose sides go
    on turning (`turning_of_sides`), whose blur is wider than what was fitted, or beside which a strip lies off what was
    fitted (`EdgeResponse.departure_of_sides`). Of 4500 drawn waves, ridges, stripes, ramps and textures 9 get a
    number, 25 without the last of these, and 31 of 900 with the first alone: most in regions of 40 to 60 px, where half
    a wave between two level ends is a soft edge. Four of them are ramps between two levels, which is what even motion
    blurs, and are read within 0.7 to 2.8 u of its closed form. Of 400 edges, with blurs of 0.45 to 6 px and contrasts
    of 1.3 to 60 under light that falls off or is shaded by up to two fifths, two of a contrast below 1.4 are refused,
    by the first.

    Strips lie off a true edge's fit by less than 0.011 (400 of these, and 160 with coma, sharpening, smeared noise and
    motion), or 0.033 where a faint double image lies beside it, which took more than 12 standard deviations of the blur
    to see: where less than 6 are shown, half as much is too far off. That, and light that changes by 0.12 beside an
    edge however low, where 650 true ones stay below 0.056, refuse 5 that got a number (14 then), and of true edges 0 of
    250 others. How far a side comes back from its crest told nothing: by as much as those of true edges, by noise and
    light.
    """
    surface, seen = stretch.surface, response.seen.spread.distance_px[[0, -1]]
    shown_px = float(np.min(np.abs(seen)))
    over_height, over_itself = response.change_of_light().T
    by_blur = over_height * surface.sigma_px / np.abs(seen)
    changes = bool(np.any((by_blur > MOST_CHANGE_BY_BLUR) & (over_itself > LEAST_CHANGE)))
    changes = changes or bool(np.any(by_blur > SURE_CHANGE_BY_BLUR))
    if not changes and surface.sigma_px > SOFT_PX:
        turning, change = turning_of_sides(stretch.image, surface)
        off = response.departure_of_sides(surface.sigma_px)
        most_off = MOST_OFF_SIDES if shown_px > LITTLE_SHOWN * surface.sigma_px else MOST_OFF_SIDES / 2
        changes = turning > MOST_TURNING or change > MOST_CHANGE_OF_SIDES or off > most_off
    if changes or half.frequency_cy_px * shown_px < LEAST_OF_WAVE:
        raise NothingToMeasure(
            where,
            "light keeps changing beside its strongest edge, to either end of the region: "
            "a wave or a soft texture, not an edge between two even sides",
            "Choose a region with one edge across it and an even side to either hand.",
        )


def _coding(picture: Still, region: EdgeRegion) -> Coding | None:
    """Return how a region was coded, as it is seen with its edge upright; None where codes were kept as they were."""
    if picture.rounding is None:
        return None
    steps, corner = picture.rounding.steps, (region.y % BLOCK_PX, region.x % BLOCK_PX)
    if not region.is_near_vertical:
        steps, corner = steps.T, corner[::-1]
    return Coding(steps=steps, exposures=picture.rounding.exposures, corner=corner)


def _share_hidden(stretch: FittedStretch, coding: Coding) -> float:
    """Return what share of the bright side may have been clipped before coding, however few pixels stand at white."""
    bright = stretch.sides.bright
    return share_cut(coding.distance_from_white(bright, stretch.surface.bright_variance)) if bright.size else 0.0


def _roundings(where: str, coding: Coding | None, stretch: FittedStretch, response: EdgeResponse) -> dict[str, float]:
    """Return how uncertain the rounding of a JPEG leaves each crossing, in cycles per pixel; nothing if it does not."""
    if coding is None:
        return {}
    row, col = coding.corner
    coding = replace(coding, corner=((row + stretch.first) % BLOCK_PX, col))
    if is_drowned(stretch.surface, coding):
        return {}
    height = height_in_steps(stretch.surface, coding)
    if height < LOWEST_IN_STEPS:
        raise NothingToMeasure(
            where,
            f"the edge is {height:.2g} times as high as what the JPEG was rounded to: its detail is lost",
            "Save the picture with less compression, as PNG or as JPEG of a quality of 80 or more.",
        )
    doubts = rounding_doubt(stretch.surface, response, coding, shape=stretch.image.shape, levels=tuple(LEVELS.values()))
    return dict(zip(LEVELS, (float(doubt) for doubt in doubts), strict=True))


def _with_hidden(
    roundings: Mapping[str, float], crossings: Mapping[str, Crossing], relative: float
) -> dict[str, float]:
    """Return what the rounding of a JPEG leaves uncertain, with what it hides of pixels that were clipped before."""
    return {
        name: math.hypot(roundings.get(name, 0.0), relative * place.frequency_cy_px)
        for name, place in crossings.items()
    }


def _prove_certain(where: str, half: Crossing, rounding: float) -> None:
    if rounding / half.frequency_cy_px > WORST_RELATIVE_UNCERTAINTY:
        raise NothingToMeasure(
            where,
            f"the rounding of the JPEG leaves MTF50 uncertain by {rounding / half.frequency_cy_px:.0%}",
            "Save the picture with less compression, as PNG or as JPEG of a quality of 80 or more.",
        )
    relative = math.hypot(half.noise, half.choice, rounding) / half.frequency_cy_px
    if relative > WORST_RELATIVE_UNCERTAINTY:
        raise NothingToMeasure(
            where,
            f"noise leaves MTF50 uncertain by {relative:.0%}",
            "Average several frames, raise the light, or choose a longer region.",
        )
