"""What a searched field is told as beside its spots: shading, odd pixels, outlines, warnings."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from inspect_app.measure._blemish.field_frames import Frames
from inspect_app.measure._blemish.field_search import FieldContent
from inspect_app.model import Condition, Outline, Result
from inspect_app.numerics.fields.field_circle import BrightField, light_beyond
from inspect_app.numerics.fields.field_rim import Rim
from inspect_app.quantity import Contribution, Quantity, quantity_from_budget

SATURATED_TOLD = 1e-5  # a few pixels in a million: one bright spot
BEYOND_TOLD = 0.05  # of the field's area
VEIL_TOLD = 0.02  # of the level
LEFT_TOLD = 0.003  # of the field
SPREAD_TOLD = 0.02  # of blocks about the smooth part; strong textures reach 0.011
OFF_CIRCLE_TOLD = 0.01  # of the radius
RADIUS_TOLD = 0.01  # of the radius, within two standard uncertainties
MOST_MARKS = 200
MOST_BLACK = 0.02  # of full scale, that a camera adds where no light falls (common practice, no source)


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldScale:
    """Millimetres per pixel, and its relative standard uncertainty."""

    mm_per_px: float
    relative_u: float


def black_level_u(frames: Frames, field: BrightField, content: FieldContent, transfer: str) -> float:
    """Return the relative standard uncertainty of the level where neither frame, border nor table tells black."""
    is_told = frames.dark is not None or field.is_round or transfer.startswith("table")
    return 0.0 if is_told else MOST_BLACK / math.sqrt(3) / content.shading.level


def odd_pixel_results(frames: Frames, content: FieldContent) -> tuple[Result, ...]:
    """Return the counts of dead and hot pixels; of dead ones only where the noise does not hide them."""
    seen_in: Condition = {"seen_in": "bright field" if frames.dark is None else "dark frames"}
    dead = Result(quantity_name="dead_pixels", quantity=Quantity(value=len(content.dead), unit="1"))
    hot = Result(quantity_name="hot_pixels", quantity=Quantity(value=len(content.hot), unit="1"), condition=seen_in)
    return (hot,) if content.hides_dead_pixels else (dead, hot)


def shading_result(content: FieldContent, black_u: float) -> Result:
    """Return the shading in per cent with its budget."""
    shading = content.shading
    lines = (
        ("scatter of the field about its smooth part", "normal", shading.scatter_u),
        ("order of the smooth surface", "normal", shading.order_u),
        ("parts that depart from the smooth surface", "normal", shading.uneven_u),
        ("black level, which no dark frame tells", "rectangular", shading.ratio * black_u),
        ("stray light and glare over the field", "normal", shading.ratio * content.veil_u),
    )
    budget = tuple(
        Contribution(source=source, distribution=distribution, standard_uncertainty=100 * u)
        for source, distribution, u in lines
        if u > 0
    )
    quantity = quantity_from_budget(100 * shading.ratio, "%", budget)
    return Result(quantity_name="shading", quantity=quantity, budget=budget)


def field_outlines(
    field: BrightField, scale: FieldScale | None, zones_mm: Sequence[float], rim: Rim | None
) -> tuple[Outline, ...]:
    """Return the circles of a round field, of its zones, and of where a rim begins in which no spot was sought."""
    circles = []
    if field.is_round:
        circles.append(("field", 2 * field.radius_px))
    if rim is not None:
        circles.append(("rim", 2 * rim.begins_px))
    if scale is not None:
        circles += [(f"zone {k}", zone / scale.mm_per_px) for k, zone in enumerate(zones_mm, start=1)]
    return tuple(
        Outline(label=label, shape="circle", x=field.x, y=field.y, width_px=size, height_px=size)
        for label, size in circles
    )


def pixel_outlines(content: FieldContent) -> tuple[Outline, ...]:
    """Return the places of odd pixels, the first 200."""
    marks = [("dead pixel", row, col) for row, col in content.dead]
    marks += [("hot pixel", row, col) for row, col in content.hot]
    return tuple(
        Outline(label=label, shape="circle", x=float(col), y=float(row), width_px=1.0, height_px=1.0)
        for label, row, col in marks[:MOST_MARKS]
    )


def field_warnings(
    frames: Frames, field: BrightField, scale: FieldScale | None, content: FieldContent, *, black_u: float
) -> tuple[str, ...]:
    """Return what a person must know of a map."""
    told = []
    if frames.dark is None:
        told.append("No dark frame was given: only pixels that outshine the bright field count as hot.")
    if black_u > 0:
        told.append(
            f"Nothing tells the black level: contrasts and shading may be too small by {math.sqrt(3) * black_u:.0%}. "
            "Give a dark frame."
        )
    if content.veil > VEIL_TOLD:
        told.append(
            f"The surround of the field has {content.veil:.1%} of its light, taken off as black level and stray light: "
            "if it is neither, contrasts and shading are too large by as much. Give a dark frame."
        )
    if scale is None:
        told.append("No field diameter was given: spots have no size in mm, no size class and no zone.")
    elif not field.is_round:
        told.append(
            "No border of a round field is in view: the diameter given was taken as the diagonal of the frame. If the "
            "picture shows only a part of a round field, sizes in mm and zones are wrong: take the whole field."
        )
    elif 2 * scale.relative_u > RADIUS_TOLD:
        told.append(
            f"Little of the field's border is in view: its radius is known to {2 * scale.relative_u:.0%}, and sizes in "
            "mm and zones no better. Take the whole field."
        )
    if light_beyond(frames.bright, field) > BEYOND_TOLD:
        told.append("There is light beyond the field, as bright as it: only the largest disc was mapped.")
    told += _uneven_warnings(field, scale, content)
    if content.saturated > SATURATED_TOLD:
        share = f"{content.saturated:.1%}" if content.saturated >= 0.001 else "Less than 0.1%"
        told.append(f"{share} of the field is saturated: what is larger than a spot was left out.")
    if content.saturated_spots:
        told.append(
            f"Saturated bright spots: {content.saturated_spots}. Their contrast is at least what is told. "
            "Take the field with less light."
        )
    if content.hides_dead_pixels:
        told.append(
            f"Noise of {content.noise:.0%} of the level reaches down to black: dead pixels were not counted. "
            "Take more light, or the mean of several frames."
        )
    if len(content.dead) + len(content.hot) > MOST_MARKS:
        told.append(f"Only the first {MOST_MARKS} odd pixels are outlined.")
    return tuple(told)


def _uneven_warnings(field: BrightField, scale: FieldScale | None, content: FieldContent) -> list[str]:
    """Return what is there beside an even round field and round spots."""
    told = []
    if content.rim is not None:
        width_px = field.radius_px - content.rim.begins_px
        width = f"{width_px:.0f} pixels" if scale is None else f"{width_px * scale.mm_per_px:.2g} mm"
        told.append(
            f"The rim of the field is {'brighter' if content.rim.departs > 0 else 'darker'} all around, by up to "
            f"{abs(content.rim.departs):.0%} within its last {width} (edge glow, a reflection, a stop?): spots there "
            "were not sought."
        )
    if field.off_circle_px > max(1.0, OFF_CIRCLE_TOLD * field.radius_px):
        told.append(
            f"The border of the field departs from a circle by {field.off_circle_px / field.radius_px:.1%} of its "
            "radius: sizes in mm and zones hold for the circle."
        )
    if content.unlike_spots:
        told.append(
            f"Marks that are no round spots: {content.unlike_spots}. One hair, scratch or shadow may be listed as "
            "several: look at the map and correct it."
        )
    if content.left > LEFT_TOLD:
        told.append(
            f"{content.left:.1%} of the field is uneven where no spot was found (a shadow, a glare, a hair, a large "
            f"blotch): the counts {'do not' if content.shading.uneven else 'and the shading do not'} tell of it."
        )
    if content.shading.uneven:
        told.append(
            f"A part of the field is {'brighter' if content.shading.uneven > 0 else 'darker'} than its smooth light by "
            f"{abs(content.shading.uneven):.1%} (a reflection, a glow, a shadow?): the shading counts it in."
        )
    if content.spread > SPREAD_TOLD:
        told.append(
            f"The light scatters by {content.spread:.1%} from place to place (stripes, moiré, coarse grain): faint "
            "spots may drown in it."
        )
    return told
