"""What a picture that can be touched shows: the file, what the check outlined and found in it, and what was changed."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from inspect_app import workflow
from inspect_app.documents import wording
from inspect_app.model import Condition, Evidence, Feature, Measured, Outline, Trace
from inspect_app.quantity import format_number, format_quantity
from inspect_app.web import here

_PLACES: Final = ("roi",)
_OVERLAY_SHARE: Final = 0.22  # of the picture's width, so that the bands beneath stay in view
_TEXT_SHARE: Final = 1 / 45  # of the longer side
_STRIP_REACH: Final = 3
_REGIONS: Final[Mapping[str, str]] = {
    "roi": "Region that is measured",
    "stimulus_roi": "Region of the light",
    "response_roi": "Region of its picture",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownPicture:
    """The picture under the drawing: in pixels of the file, whatever the size it is sent in."""

    file: Evidence
    width_px: int
    height_px: int
    frame: int | None = None
    frame_ms: str = ""

    @property
    def text_px(self) -> float:
        """Size of numbers written over it."""
        return max(self.width_px, self.height_px) * _TEXT_SHARE


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownSpot:
    """One spot of the map: what it was found as, and the changes that a person may choose for it."""

    number: int
    feature: Feature
    place: str
    size: str
    contrast: str
    zone: str
    other: str
    change_to_other: str
    change_to_none: str
    chosen: str

    @property
    def is_removed(self) -> bool:
        """Whether the person said that it is none."""
        return self.chosen == self.change_to_none


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownAdded:
    """A spot that a person added: as written, and in words."""

    change: str
    words: str
    x: float
    y: float
    diameter_px: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownRegion:
    """A region that a person may draw: the option's name, its words, and what is set."""

    name: str
    label: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One result as computed, as it counts now, and as it would with the change that is tried."""

    name: str
    under: str
    computed: str
    counting: str
    tried: str


def is_picture(file: Evidence) -> bool:
    """Say whether a file is a capture that can be shown to point at: a picture or a film, not a photograph."""
    return file.role != "photo" and file.media_type.startswith(("image/", "video/"))


def picture_of(file: Evidence, frame: int | None, at_ms: float | None) -> ShownPicture | None:
    """Return a file as a picture, a film as one of its frames; None where it is neither."""
    place = here.workplace()
    size = workflow.evidence_size(place, file.sha256)
    if size is None:
        return None
    width_px, height_px = size
    if not file.media_type.startswith("video/"):
        return ShownPicture(file=file, width_px=width_px, height_px=height_px)
    found = workflow.evidence_frame(place, file.sha256, frame or 0, at_ms)
    if found is None:
        return None
    ms = format_number(found.time_ms, 1)
    return ShownPicture(file=file, width_px=width_px, height_px=height_px, frame=found.number, frame_ms=ms)


def strip(picture: ShownPicture) -> tuple[int, ...]:
    """Return the numbers of the frames around the one that is shown."""
    if picture.frame is None:
        return ()
    first = max(0, picture.frame - _STRIP_REACH)
    return tuple(range(first, first + 2 * _STRIP_REACH + 1))


def instants(measured: Measured) -> tuple[tuple[str, float], ...]:
    """Return the instants that a film's curves carry: when the light came, when its picture began, when it was half."""
    words = {
        ("stimulus", "onset_ms"): "the light",
        ("response", "onset_ms"): "first change",
        ("response", "half_ms"): "half",
    }
    found = {
        (trace.name, name): float(value)
        for trace in measured.traces
        for name, value in trace.condition.items()
        if isinstance(value, int | float)
    }
    return tuple((said, found[key]) for key, said in words.items() if key in found)


def spots(computed: Measured, changes: Sequence[str]) -> tuple[ShownSpot, ...]:
    """Return the computed spots, the largest first, each with what was chosen for it."""
    ordered = sorted(computed.features, key=lambda feature: -feature.diameter_px)
    return tuple(_spot(number, feature, changes) for number, feature in enumerate(ordered, start=1))


def _spot(number: int, feature: Feature, changes: Sequence[str]) -> ShownSpot:
    place = f"{feature.x:.1f},{feature.y:.1f}"
    other = "bright" if feature.polarity == "dark" else "dark"
    offered = (f"{other},{place}", f"remove,{place}")
    return ShownSpot(
        number=number,
        feature=feature,
        place=f"{format_number(feature.x, 1)}, {format_number(feature.y, 1)}",
        size=f"{format_number(feature.diameter_px, 1)} px"
        if feature.diameter_mm is None
        else f"{format_number(feature.diameter_mm, 3)} mm",
        contrast=f"{format_number(100 * feature.contrast, 0)} %",
        zone="–" if feature.zone is None else str(feature.zone),
        other=other,
        change_to_other=offered[0],
        change_to_none=offered[1],
        chosen=next((change for change in changes if change in offered), ""),
    )


def added(changes: Sequence[str]) -> tuple[ShownAdded, ...]:
    """Return the spots that a person added."""
    found = []
    for change in changes:
        act, *rest = change.split(",")
        if act == "add" and len(rest) == 4:
            x, y, diameter_px, polarity = rest
            words = f"{polarity}, {diameter_px} px across, at {x}, {y}"
            at = {"x": float(x), "y": float(y), "diameter_px": float(diameter_px)}
            found.append(ShownAdded(change=change, words=words, **at))
    return tuple(found)


def regions(names: Sequence[str], options: Mapping[str, Sequence[str]]) -> tuple[ShownRegion, ...]:
    """Return the regions that may be drawn."""
    return tuple(
        ShownRegion(
            name=name, label=_REGIONS.get(name, wording.name_in_words(name)), text=next(iter(options.get(name, ())), "")
        )
        for name in names
        if name != workflow.SPOT_CHANGES
    )


def outlines(measured: Measured) -> tuple[Outline, ...]:
    """Return what the check outlined, the largest first, so that smaller ones lie on top."""
    return tuple(sorted(measured.outlines, key=lambda outline: -outline.width_px * outline.height_px))


def band_curves(measured: Measured, picture: ShownPicture) -> tuple[tuple[str, str], ...]:
    """Return the row means and the fitted bands of a strobe picture as lines over it: name and points."""
    curves = [trace for trace in measured.traces if trace.x_unit == "px" and measured.check == "readout"]
    if not curves:
        return ()
    low = min(min(trace.y) for trace in curves)
    swing = max(max(trace.y) for trace in curves) - low or 1.0
    return tuple((trace.name, _points(trace, picture, low, swing)) for trace in curves)


def _points(trace: Trace, picture: ShownPicture, low: float, swing: float) -> str:
    last = max(trace.x)
    runs_down = abs(last - picture.height_px) <= abs(last - picture.width_px)
    reach_px = _OVERLAY_SHARE * picture.width_px
    places = ((x, (y - low) / swing * reach_px) for x, y in zip(trace.x, trace.y, strict=True))
    return " ".join(f"{level:.1f},{x:.1f}" if runs_down else f"{x:.1f},{level:.1f}" for x, level in places)


def differences(computed: Measured, counting: Measured, tried: Measured | None) -> tuple[tuple[Difference, ...], int]:
    """Return the results that are not the same in all three, and how many are."""
    columns = [_printed(one) for one in (computed, counting, tried or counting)]
    keys = dict.fromkeys(key for column in columns for key in column)
    rows = [
        Difference(
            name=wording.name_in_words(name),
            under=under if number == 1 else f"{under} ({number})",
            computed=columns[0].get((name, under, number), "–"),
            counting=columns[1].get((name, under, number), "–"),
            tried=columns[2].get((name, under, number), "–"),
        )
        for name, under, number in keys
    ]
    moved = tuple(row for row in rows if not row.computed == row.counting == row.tried)
    return moved, len(rows) - len(moved)


def _printed(measured: Measured) -> dict[tuple[str, str, int], str]:
    seen: Counter[tuple[str, str]] = Counter()
    printed = {}
    for result in measured.results:
        key = (result.quantity_name, wording.condition_text(_without_place(result.condition)))
        seen[key] += 1
        printed[(*key, seen[key])] = format_quantity(result.quantity)
    return printed


def _without_place(condition: Condition) -> Condition:
    return {name: value for name, value in condition.items() if name not in _PLACES}
