"""Map of blemishes: spots by zone and size, hot and dead pixels, and the shading of a bright field."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field

from inspect_app.capture import Capture
from inspect_app.errors import UnusableInput
from inspect_app.measure._blemish.field_frames import stacked
from inspect_app.measure._blemish.field_results import (
    FieldScale,
    black_level_u,
    field_outlines,
    field_warnings,
    odd_pixel_results,
    pixel_outlines,
    shading_result,
)
from inspect_app.measure._blemish.field_search import field_of, search_field
from inspect_app.measure._blemish.spot_changes import Change, changed_spots
from inspect_app.measure._blemish.spot_counts import SizeClass, count_result, count_results, size_classes, zone_of
from inspect_app.measure._blemish.spot_uncertainty import contrast_of, contrast_u, relative_diameter_u
from inspect_app.measure._options import Numbers, PictureOptions, Repeated, Unit, written_number
from inspect_app.measure._registry import Needs, check
from inspect_app.model import Feature, Measured, Result
from inspect_app.numerics.fields.field_circle import BrightField
from inspect_app.numerics.spots.found_spot import FoundSpot

METHOD = "Spots by matched filters and a fitted profile; zones and size classes as agreed"
DEFAULT_SIZES_UM = (75.0, 150.0, 230.0, 300.0)  # 0.003 to 0.012 inch; smaller is peppering (published tables)
INNER_ZONES_MM = (5.6, 14.7)  # with the field's own diameter the three zones of an 18 mm tube


def _read_spot(given: Any) -> Any:
    if not isinstance(given, str):
        return given
    parts = [part.strip() for part in given.split(",")]
    if parts == ["none"]:
        return (0, 0.0, "none", 0.0)
    if len(parts) not in (3, 4) or parts[2] not in ("dark", "bright"):
        raise ValueError("a spot is written zone,diameter_mm,dark or zone,diameter_mm,bright, or none")
    contrast = written_number(parts[3], "1") if len(parts) > 3 else 1.0
    zone, diameter = written_number(parts[0], "1"), written_number(parts[1], "mm")
    if not (zone >= 1 and zone == int(zone) and 0 < diameter <= 100 and 0 < contrast <= 1):
        raise ValueError("the zone is 1 or more, the diameter up to 100 mm, the contrast up to 1")
    return (int(zone), diameter, parts[2], contrast)


def _prove_ascending(numbers: tuple[float, ...]) -> tuple[float, ...]:
    if any(b <= a for a, b in zip((0.0, *numbers), numbers, strict=False)):
        raise ValueError("these diameters are above 0 and ascend")
    return numbers


ListedSpot = Annotated[tuple[int, float, str, float], BeforeValidator(_read_spot)]
"""``zone,diameter_mm,polarity[,contrast]``, or ``none`` where somebody looked and saw none."""
Ascending = Annotated[Numbers, AfterValidator(_prove_ascending)]


class BlemishOptions(PictureOptions):
    """Options of the blemish map."""

    field_diameter_mm: Annotated[
        float | None,
        Field(gt=0, le=1000, description="Diameter of the round field, or diagonal of a full frame"),
        Unit("mm"),
    ] = None
    zones: Annotated[Ascending, Field(description="Zone diameters in mm, centre first, like 5.6,14.7,18")] = ()
    size_classes_um: Annotated[Ascending, Field(min_length=1, description="Bounds of the size classes in µm")] = (
        DEFAULT_SIZES_UM
    )
    faintest_percent: Annotated[
        float, Field(ge=1, le=90, description="Least contrast of a spot to be listed"), Unit("%")
    ] = 5.0
    spot: Annotated[
        tuple[ListedSpot, ...],
        Field(description="Spot seen by eye, zone,diameter_mm,polarity, or none"),
        Repeated(),
    ] = ()
    spot_u_mm: Annotated[
        float, Field(gt=0, le=1, description="Standard uncertainty of a diameter read by eye"), Unit("mm")
    ] = 0.015
    change: Annotated[
        tuple[Change, ...],
        Field(description="A person's change to the map: remove,X,Y or dark,X,Y or add,X,Y,DIAMETER,dark in pixels"),
        Repeated(),
    ] = ()


@check(
    "blemish",
    title="Blemish map",
    method=METHOD,
    quantities={
        "dark_spots": "1",
        "bright_spots": "1",
        "peppering": "1",
        "hot_pixels": "1",
        "dead_pixels": "1",
        "shading": "%",
    },
    options=BlemishOptions,
    needs={
        "scene": Needs(kinds=("still",), at_least=0, at_most=None),
        "dark": Needs(kinds=("still",), at_least=0, at_most=None),
    },
)
def blemish(captures: tuple[Capture, ...], options: BlemishOptions) -> Measured:
    """Map the spots of a bright field, its odd pixels and its shading.

    Parameters
    ----------
    captures : tuple of Still
        Bright frames of one even scene (role ``scene``), which are averaged, and dark frames (role ``dark``), which are
        taken off and searched for hot pixels. None where spots are listed by hand.
    options : BlemishOptions
        Scale, zones and size classes, or the spots listed by hand.

    Returns
    -------
    Measured
        ``dark_spots`` and ``bright_spots``: the totals without condition, and counts per ``zone`` and ``size_class``
        where the scale is known. ``peppering``: marks below the first size class, which are no spots. ``dead_pixels``;
        ``hot_pixels`` with ``seen_in`` saying whether in dark frames or only in the bright one. ``shading``: peak to
        valley of the smooth part within 90 % of the radius (of a full frame: half of its diagonal; of a field seen at
        an angle: its ellipse), in per cent of its mean.
        Features list spots and peppering, each with its size; odd pixels are outlined.

    Raises
    ------
    UnusableInput
        No bright frame and no list, both, frames of different size, zones without a scale.
    NothingToMeasure
        No light, no field, a saturated field, or a picture of something else than an even field. A full frame without
        dark frames whose noise exceeds a sixth of its level may be one without light: a black level under noise looks
        the same as a light without one. A twentieth of the field is uneven where no spot is. An edge crosses it, told
        by spots of either polarity side by side along it: of 16 pictures of two halves 6 had been mapped, now 4, two of
        them of a step of a tenth, and two of a soft border, as a shading of 126 and 191 %.

    Notes
    -----
    The contrast is a spot's central depth over its surround. The diameter is that of its outline: where half of this
    depth is reached, if the spot is soft by itself, and that of the disc before it was blurred, if optics did that. One
    spot does not tell the two apart; the spots of a picture together mostly do, by whether their blur grows with their
    size, and by the blur of the field's border (`numerics.spots.spot_kinds`). Value and uncertainty are those of the
    mixture (`numerics.spots.spot_border`). What pixels average is no part of a spot either. The lines of
    its budget: the texture in which the spot is fitted, what made it soft, for other profiles 0.3 to 0.9 % of contrast,
    and the scale; of contrasts and shading of a round field half of the glare that its border's halo tells, which may
    count as its light or not, and, without dark frames, two fifths of what lies around the field, which may lie over it
    or not, and the code to which it is rounded; of a full frame without dark frames a black level of up to 2 % of full
    scale, which makes both too small. Of 595 soft spots of two profiles by another hand, in 40 fields, value ± 2 u
    held 97 of 100 diameters and contrasts with 0.3 % (rms errors 0.79 and 0.82 u); of 918 of two other profiles, by a
    third hand, in 100 fields, it holds 97 and 97 (0.90 and 0.93 u; with 0.6 % of contrast for all 97 and 96).

    Spots below 3 px show how much of the light is gone, and hardly how deep and how wide: 6 % of the diameter and 14 %
    of the contrast are added at 2 px, less up to 3. Without, value ± 2 u held 70 of 100 contrasts of 70 spots below 2.2
    px, and 93 with; of 47 others, among 527 of six profiles, it holds 98, as of all (rms error 0.80 u).

    What limits it: for a few soft spots alike what made them so, up to 3 % of the diameter; most of all the noise, in
    which depth, width and softness of a spot trade against each other. Single frames of an SNR of 12 to 60 (1 247 spots
    of three soft profiles, 130 fields): 90 % of diameters come within 6.7 µm and of contrasts within 10.4 %. The
    Cramér-Rao bound leaves 7.0 µm and 10.2 % where softness is free, 6.4 and 9.1 where it is known to lie where it was
    drawn, 5.1 and 7.3 where it is known exactly, which no picture tells. A textbook (wide median, threshold, area at
    half of the depth, mean of the centre) has 12.2 µm and 17.7 % on the same spots. From an SNR of 16 on: 6.0 µm and
    9.7 %; bounds 6.2 and 9.5, 5.5 and 8.4, 4.4 and 6.7; textbook 11.1 and 17.3. What JPEG has rounded is reckoned with
    by the file's own tables (`texture.Rounding`): at quality 80, 92 and 97 value ± 2 u holds 96, 96 and 98 of 100
    diameters and 95, 95 and 97 of contrasts, and 90 % of diameters come within 10.2, 8.3 and 5.6 µm; 96, 99 and 100 of
    100 spots are found. Of spots from 40 µm and 8 % on, 99 of 100 are found under mild fibre texture, 81 where it is so
    strong that faint spots drown in it (a textbook comes within 31 µm there), and 96 of those held. Of a bright spot
    that saturates the contrast is a lower bound, with a warning, and its uncertainty reaches to twice of it.

    Texture is louder in a bright spot than in the field around it, which is what the fit knows, and quieter in a dark
    one (`_blemish.spot_uncertainty`). Of the 176 bright spots among these value ± 2 u holds 94 of 100 contrasts, and 92
    without.

    Where noise exceeds a sixth of the level it reaches down to black, and no dead pixels are told, with a warning.
    Warned of is also what no map of spots tells: hairs, shadows, stripes, a border that is no circle; a rim that
    glows all around, in which no spots are sought (`numerics.fields.field_rim`); a soft reflection or shadow larger
    than any spot, which counts into the shading (`_blemish.field_shading.with_uneven_parts`).

    Spots are taken as ellipses where they show it, and their diameter is that of the circle of the same area. Assumes
    outlines near that; that the field fills a disc or the
    frame; and that the picture is linear in exposure. It breaks down at the border of the field, where a spot that
    touches it is missed; where spots overlap so far that they have one outline; and, for shading, where the light falls
    off with a kink, as behind a stop in focus: up to 5 points of 27 were lost there.

    References
    ----------
    Zone diameters and size classes: published tables for 18 mm tubes (public pages; the specifications behind them were
    not seen). Dead below half of the neighbours, hot above 6 robust deviations: common practice, no source.
    """
    if options.spot:
        if captures:
            raise UnusableInput("blemish", "both files and listed spots were given", "Give the files or the list.")
        if options.change:
            raise UnusableInput("option --change", "there is no map to change", "Correct the list itself.")
        return _listed(options)
    frames = stacked(captures)
    field = field_of(frames)
    scale = _scale_of(field, options, frames.name)
    zones_mm = _zones_of(options)
    content = search_field(
        frames,
        field,
        smallest_px=None if scale is None else options.size_classes_um[0] / 1000 / scale.mm_per_px,
        faintest=options.faintest_percent / 100,
    )
    black_u = black_level_u(frames, field, content, options.transfer)
    level_u = math.hypot(black_u, content.veil_u)
    found = tuple(_feature(spot, field, scale, zones_mm, level_u=level_u) for spot in content.spots)
    features = changed_spots(
        found, options.change, lambda spot: _feature(spot, field, scale, zones_mm, level_u=level_u)
    )
    classes = size_classes(options.size_classes_um) if scale else ()
    results = (
        *count_results(features, classes, range(1, len(zones_mm) + 1)),
        *_peppering(features, classes),
        *odd_pixel_results(frames, content),
        shading_result(content, black_u),
    )
    return Measured(
        check="blemish",
        method=METHOD,
        results=results,
        features=_told_apart(features, classes),
        outlines=(*field_outlines(field, scale, zones_mm, content.rim), *pixel_outlines(content)),
        warnings=field_warnings(frames, field, scale, content, black_u=black_u),
    )


def _scale_of(field: BrightField, options: BlemishOptions, name: str) -> FieldScale | None:
    if options.field_diameter_mm is None:
        if options.zones:
            raise UnusableInput(name, "zones in mm were given, and no scale", "Give --field-diameter-mm as well.")
        return None
    return FieldScale(
        mm_per_px=options.field_diameter_mm / (2 * field.radius_px), relative_u=field.radius_u_px / field.radius_px
    )


def _zones_of(options: BlemishOptions) -> tuple[float, ...]:
    if options.zones or options.field_diameter_mm is None:
        return options.zones
    outer = options.field_diameter_mm
    return (*(zone for zone in INNER_ZONES_MM if zone < outer), outer)


def _feature(
    spot: FoundSpot, field: BrightField, scale: FieldScale | None, zones_mm: Sequence[float], *, level_u: float
) -> Feature:
    relative_u = relative_diameter_u(spot)
    in_picture = Feature(
        x=spot.x,
        y=spot.y,
        diameter_px=spot.diameter_px,
        contrast=contrast_of(spot),
        polarity="bright" if spot.depth > 0 else "dark",
        diameter_uncertainty_px=spot.diameter_px * relative_u,
        contrast_uncertainty=contrast_u(spot, level_u),
    )
    if scale is None:
        return in_picture
    distance_mm = math.hypot(spot.x - field.x, spot.y - field.y) * scale.mm_per_px
    diameter_mm = spot.diameter_px * scale.mm_per_px
    return replace(
        in_picture,
        diameter_mm=diameter_mm,
        zone=zone_of(distance_mm, zones_mm),
        diameter_uncertainty_mm=diameter_mm * math.hypot(relative_u, scale.relative_u),
    )


def _peppering(features: Sequence[Feature], classes: Sequence[SizeClass]) -> tuple[Result, ...]:
    if not classes:
        return ()
    below = SizeClass(above_mm=0.0, up_to_mm=classes[0].above_mm)
    return (count_result("peppering", features, below, {"size_class": f"<{1000 * classes[0].above_mm:g} µm"}),)


def _told_apart(features: Sequence[Feature], classes: Sequence[SizeClass]) -> tuple[Feature, ...]:
    """Mark what is too small for the first size class: it is listed too, for a table may begin with smaller ones."""
    return tuple(
        replace(f, is_peppering=bool(classes) and f.diameter_mm is not None and f.diameter_mm <= classes[0].above_mm)
        for f in features
    )


def _listed(options: BlemishOptions) -> Measured:
    """Count spots that a person listed; their places in the picture are not known and stand at the origin."""
    zones = range(1, max([len(options.zones), *(zone for zone, *_ in options.spot), 1]) + 1)
    features = tuple(
        Feature(
            x=0.0,
            y=0.0,
            diameter_px=0.0,
            contrast=contrast,
            polarity=polarity,
            diameter_mm=diameter_mm,
            zone=zone,
            kind="spot",
            diameter_uncertainty_mm=options.spot_u_mm,
        )
        for zone, diameter_mm, polarity, contrast in options.spot
        if polarity != "none"
    )
    classes = size_classes(options.size_classes_um)
    return Measured(
        check="blemish",
        method="Spots listed by a person with a measuring magnifier",
        results=(*count_results(features, classes, zones), *_peppering(features, classes)),
        features=_told_apart(features, classes),
    )
