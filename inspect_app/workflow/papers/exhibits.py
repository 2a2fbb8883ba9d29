"""Exhibits: the parts of the evidence in which one sees why a device was rejected, cut out and enlarged."""

from collections.abc import Iterator
from typing import Final

from inspect_app.capture.preview import crop_png
from inspect_app.documents.paper import Exhibit
from inspect_app.model import Entry, Feature, Inspection, Judgement, SpotAllowance
from inspect_app.quantity import format_number
from inspect_app.workflow.evidence import open_evidence
from inspect_app.workflow.workplace import Workplace

_SIDE_PX: Final = 320
_DIAMETERS: Final = 8  # so many spot diameters are shown around a spot
_SMALLEST_PX: Final = 40
_MOST: Final = 6


def exhibits(workplace: Workplace, found: Inspection, deciding: tuple[Judgement, ...]) -> tuple[Exhibit, ...]:
    """Return the largest spots and the regions measured of the steps that decided, at most six."""
    cut: dict[tuple[str, float, float], Exhibit] = {}
    for judgement in deciding:
        entry = found.entries.get(judgement.step_id or "")
        if entry is None or entry.measured is None:
            continue
        for x_px, y_px, size_px, caption, scale in _parts(judgement, entry):
            if len(cut) < _MOST and (entry.step_id, x_px, y_px) not in cut:
                png = _cut(workplace, entry, x_px, y_px, size_px)
                if png is not None:
                    cut[entry.step_id, x_px, y_px] = Exhibit(
                        caption=caption, png=png, size_px=size_px, pixels_per_mm=scale
                    )
    return tuple(cut.values())


_Part = tuple[float, float, float, str, float | None]
"""Centre, side, what is seen, and pixels per millimetre."""


def _parts(judgement: Judgement, entry: Entry) -> Iterator[_Part]:
    measured = entry.measured
    if measured is None:
        return
    limit = judgement.limit
    if isinstance(limit, SpotAllowance):
        counted = [f for f in measured.features if f.kind == "spot" and f.polarity == limit.polarity]
        for spot in sorted(counted, key=lambda one: -one.diameter_px):
            yield _around(spot)
        return
    for outline in measured.outlines:
        if outline.shape == "rectangle":
            centre = outline.x + outline.width_px / 2, outline.y + outline.height_px / 2
            yield *centre, max(outline.width_px, outline.height_px), f"Region measured: {outline.label}", None


def _around(spot: Feature) -> _Part:
    size_px = max(_SMALLEST_PX, _DIAMETERS * spot.diameter_px)
    zone = "" if spot.zone is None else f", zone {spot.zone}"
    at = f"at {format_number(spot.x, 0)}, {format_number(spot.y, 0)} px"
    if spot.diameter_mm is None:
        return spot.x, spot.y, size_px, f"{spot.polarity.capitalize()} spot{zone}, {at}", None
    caption = f"{spot.polarity.capitalize()} spot, {format_number(spot.diameter_mm, 3)} mm{zone}, {at}"
    return spot.x, spot.y, size_px, caption, spot.diameter_px / spot.diameter_mm


def _cut(workplace: Workplace, entry: Entry, x_px: float, y_px: float, size_px: float) -> bytes | None:
    """Cut the part out of the first picture of the step that is no dark frame and no photograph."""
    for file in entry.evidence:
        if file.role == "scene" and file.media_type.startswith(("image/", "video/")):
            return crop_png(open_evidence(workplace, file.sha256), x_px, y_px, size_px, _SIDE_PX)
    return None
