"""Find in a film the light that switches and the picture that follows it."""

import dataclasses
import itertools
import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from inspect_app.capture import Film
from inspect_app.errors import NothingToMeasure
from inspect_app.measure._light import Box, FloatArray, Samples, Watched
from inspect_app.measure._region_traces import (
    FRAMES_AT_A_TIME,
    BoolArray,
    Cells,
    cell_points,
    filled,
    steadiest_trace,
    trace_of,
    widened,
)
from inspect_app.measure._swung_points import swung_points
from inspect_app.numerics.shake import steadied_frames
from inspect_app.numerics.switching import Patch, liveliest_patch, parts, switching_patches

_FINEST_CELLS: Final = 6_000
_STORE_NUMBERS: Final = 16_000_000
_WEAK: Final = 0.003  # share of the strongest patch's energy below which a patch is stray light,
_FULL: Final = 0.3  # unless it swings by so much of the fullest swing: a small lamp beside a large screen
_TOGETHER: Final = 1.5  # frames within which patches are of one moment: a scanned display, tiles of a coder
_MEANWHILE: Final = 0.05  # of its strength, for a partner that switches at the same moment,
_BORDER: Final = 0.5  # of its switches that a border of a place has together with it
_UNLIKE: Final = 0.02  # and for one that switches more often or less
_MISSED: Final = 0.25  # of the switches
_CHANCE: Final = 1e-3  # of the strength of the strongest, below which a partner is rather a part of that,
_PART: Final = 0.01  # which has so much of its energy; no chance has
_SURE: Final = 5.0  # the clearness of a small partner that is none by chance: noise has 1 to 4, lamps have 9 and more
_SWAYING: Final = 0.1  # of the strongest one's energy, and the clearness, below which sway makes a partner
_SWAYS: Final = 8.5  # up to 7.5 in films of a lamp alone; lamps beside a screen have 9 and more
_FEW: Final = 2  # switches, with which sway may keep time by chance
_PARTED: Final = 0.3  # frames, by which two parts differ: less is noise within one
_COARSENINGS: Final = (1, 2, 4)


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """The two regions, how bright they are, frame by frame, and whether the picture moves in the film."""

    stimulus: FloatArray
    response: FloatArray
    stimulus_box: Box
    response_box: Box
    is_moving: bool


def choose_regions(film: Film, seen: Watched, stimulus_roi: Box | None, response_roi: Box | None) -> Chosen:
    """Find the regions that are not given: the light switches first, its picture is the strongest that follows.

    Raises
    ------
    NothingToMeasure
        Fewer than two patches of the film switch.

    Notes
    -----
    A film that sways is laid over its first frame, also for regions that are given. The light's patch is widened by one
    cell, so that what is left of shake does not move it out of its region. The picture's patch is taken whole, point by
    point, because a scanned display changes first at its border; where shake makes the whole restless, it is narrowed
    by one cell, so that its border does not move in.

    72 films shot by hand (0.3 to 1.5 points, slower than the frames; small and large screens, also beside the lamp):
    first change within 0.47 frames (p90), without laying frames over one another 4.9.
    """
    samples = seen.samples
    if samples is None:
        raise ValueError("the film was watched without samples")
    codes = steadied_frames(samples.codes)
    is_moving = codes is not samples.codes
    samples = dataclasses.replace(samples, codes=codes)
    given = tuple(box for box in (stimulus_roi, response_roi) if box is not None)
    light = _light_of(film, samples, given, seen.light) if is_moving else seen.light
    seen = dataclasses.replace(seen, samples=samples, light=light)
    if stimulus_roi is not None and response_roi is not None:
        return Chosen(
            stimulus=seen.light[:, 0],
            response=seen.light[:, 1],
            stimulus_box=stimulus_roi,
            response_box=response_roi,
            is_moving=is_moving,
        )
    for may_flicker, coarsening in itertools.product((False, True), _COARSENINGS):
        size = _cell_size(samples, coarsening)
        cells = _cells(samples, size)
        switching = switching_patches(cells.means, may_flicker=may_flicker)
        patches = _strong(switching, samples, size, (stimulus_roi, response_roi))
        found = _pick(patches, cells, stimulus_roi, response_roi)
        if found is not None:
            chosen = _chosen(film, seen, found, cells, (stimulus_roi, response_roi))
            return dataclasses.replace(chosen, is_moving=chosen.is_moving or is_moving)
    raise NothingToMeasure(
        film.name,
        "a light and its picture were looked for, and no two regions of the film switch one after the other",
        "Film the LED and the eyepiece in one view, or give --stimulus-roi and --response-roi.",
    )


def _light_of(film: Film, samples: Samples, boxes: tuple[Box, ...], watched: FloatArray) -> FloatArray:
    """Return the light of boxes in samples, shape (n, boxes); what was watched, where a box holds no point."""
    light, step = watched.copy(), samples.step_px
    for column, (x, y, width_px, height_px) in enumerate(boxes):
        points = np.zeros(samples.codes.shape[1:], dtype=bool)
        points[-(-y // step) : -(-(y + height_px) // step), -(-x // step) : -(-(x + width_px) // step)] = True
        if points.any():
            light[:, column] = trace_of(film, samples, points)[0]
    return light


def strongest_region(film: Film, seen: Watched) -> tuple[FloatArray, Box]:
    """Return how bright the region that changes most is, frame by frame, and where it lies.

    Raises
    ------
    NothingToMeasure
        Nothing in the film changes.
    """
    samples = seen.samples
    if samples is None:
        raise ValueError("the film was watched without samples")
    for coarsening in _COARSENINGS:
        size = _cell_size(samples, coarsening)
        cells = _cells(samples, size)
        mask = liveliest_patch(cells.means)
        if mask is not None:
            return trace_of(film, samples, cell_points(samples, cells, widened(mask)))
    raise NothingToMeasure(film.name, "nothing in the film blinks", "Film a blinking light, or give --roi around it.")


def _cell_size(samples: Samples, coarsening: int) -> int:
    frames, rows, cols = samples.codes.shape
    wanted = min(_FINEST_CELLS, _STORE_NUMBERS // frames)
    return max(1, round(math.sqrt(rows * cols / max(wanted, 64)))) * coarsening


def _cells(samples: Samples, size: int) -> Cells:
    """Return the means of cells; some frames at a time, so that they stay near the processor."""
    frames, rows, cols = samples.codes.shape
    rows, cols = rows // size * size, cols // size * size
    means = np.zeros((frames, rows // size, cols // size), dtype=np.float32)
    for first in range(0, frames, FRAMES_AT_A_TIME):
        run = slice(first, first + FRAMES_AT_A_TIME)
        part, sums = samples.codes[run, :rows, :cols], means[run]
        lines = part[:, ::size].astype(np.float32)
        for y in range(1, size):
            lines += part[:, y::size]
        for x in range(size):
            sums += lines[:, :, x::size]
    means /= size**2
    return Cells(means, size)


def _strong(
    patches: tuple[Patch, ...], samples: Samples, size: int, given: tuple[Box | None, Box | None]
) -> list[Patch]:
    """Leave out stray light, and what lies in a region that is given."""
    cell_px = size * samples.step_px
    kept = []
    for patch in patches:
        mask = patch.mask.copy()
        for box in given:
            if box is not None:
                x, y, width_px, height_px = box
                below, right = -(-(y + height_px) // cell_px), -(-(x + width_px) // cell_px)
                mask[y // cell_px : below, x // cell_px : right] = False
        if mask.any():
            kept.append(dataclasses.replace(patch, mask=mask))
    strongest = max((patch.energy for patch in kept), default=0.0)
    fullest = max((patch.swing for patch in kept), default=0.0)
    return [patch for patch in kept if patch.energy >= _WEAK * strongest or patch.swing >= _FULL * fullest]


def _pick(
    patches: list[Patch], cells: Cells, stimulus_roi: Box | None, response_roi: Box | None
) -> tuple[Patch | None, Patch | None] | None:
    """Return light and picture: the strongest place that switches and its likeliest partner, the earlier one first."""
    places = _places(patches)
    if stimulus_roi is not None or response_roi is not None:
        if not places:
            return None
        strongest = _strongest(places[0])
        return (None, strongest) if stimulus_roi is not None else (strongest, None)
    if not places:
        return None
    partner = max(places[1:], key=lambda place: _likelihood(place, places[0]), default=None)
    is_weak = partner is None or _likelihood(partner, places[0]) < _CHANCE * _strength(places[0])
    touching = _touching(places[0], cells) if is_weak else None
    if touching is not None:
        return _in_order(*touching)
    if partner is None or _may_sway(_strongest(partner), places[0]):
        return None
    if is_weak and _is_chance(_strongest(partner), places[0]):
        return None
    return _in_order(_strongest(places[0]), _strongest(partner))


def _touching(place: list[Patch], cells: Cells) -> tuple[Patch, Patch] | None:
    """Return the two patches of which a place is made, a light and its picture beside it; None where it is one."""
    strongest = _strongest(place)
    found = sorted([*place, *parts(cells.means, strongest)], key=lambda patch: patch.energy)
    found = [patch for patch in found if patch is not strongest and patch.energy > _PART * strongest.energy]
    if len(found) < 2 or abs(found[-1].first - found[-2].first) < _PARTED:
        return None
    return found[-2], found[-1]


def _in_order(one: Patch, other: Patch) -> tuple[Patch, Patch]:
    """Return light and picture: the light switches first, over all switches where each has its partner."""
    if len(one.crossings) == len(other.crossings):
        is_later = float(np.mean(np.subtract(one.crossings, other.crossings))) > 0
    else:
        is_later = one.first > other.first
    return (other, one) if is_later else (one, other)


def _places(patches: list[Patch]) -> list[list[Patch]]:
    """Group patches that touch and switch at about the same time; the strongest group first."""
    groups: list[list[Patch]] = []
    for patch in patches:
        near, joined, apart = widened(patch.mask), [patch], []
        for group in groups:
            touches = any(abs(patch.first - each.first) <= _TOGETHER and (each.mask & near).any() for each in group)
            if touches:
                joined += group
            else:
                apart.append(group)
        groups = [*apart, joined]
    return sorted(groups, key=_strength, reverse=True)


def _likelihood(place: list[Patch], strongest: list[Patch]) -> float:
    """Return the strength of a place as the partner of the strongest one: one that switches as often, but not with it.

    What switches at the same moment is rather a reflection, or stray light; what switches more often, an edge that
    trembles; what lies beside it and switches with it every other time, a border of it that moves.
    """
    own, other = _strongest(place), _strongest(strongest)
    is_with_it = abs(own.first - other.first) <= _TOGETHER or _is_border(own, strongest, other)
    is_alike = abs(len(own.crossings) - len(other.crossings)) <= max(1, _MISSED * len(other.crossings))
    return _strength(place) * (_MEANWHILE if is_with_it else 1.0) * (1.0 if is_alike else _UNLIKE)


def _is_chance(patch: Patch, place: list[Patch]) -> bool:
    """Say whether a weak partner of a place is noise, or the rim of it, which a coder lets follow late."""
    is_small = patch.energy < _PART * _strongest(place).energy
    return is_small and (patch.clearness < _SURE or _touches(patch, place))


def _may_sway(patch: Patch, place: list[Patch]) -> bool:
    """Say whether a partner is as faint as what sway makes of a still edge, where few switches tell them apart."""
    strongest = _strongest(place)
    is_faint = patch.energy < _SWAYING * strongest.energy and patch.clearness < _SWAYS
    return is_faint and len(strongest.crossings) <= _FEW


def _touches(patch: Patch, place: list[Patch]) -> bool:
    near = widened(patch.mask)
    return any((near & each.mask).any() for each in place)


def _is_border(patch: Patch, place: list[Patch], whole: Patch) -> bool:
    """Say whether a patch touches a place and passes its middle together with it, half of the times or more."""
    if not _touches(patch, place):
        return False
    apart = np.abs(np.subtract.outer(patch.crossings, whole.crossings)).min(axis=1)
    return float(np.mean(apart <= _TOGETHER)) >= _BORDER


def _strength(moment: list[Patch]) -> float:
    return sum(patch.energy * patch.clearness for patch in moment)


def _strongest(moment: list[Patch]) -> Patch:
    return max(moment, key=lambda patch: patch.energy * patch.clearness)


def _chosen(
    film: Film,
    seen: Watched,
    found: tuple[Patch | None, Patch | None],
    cells: Cells,
    given: tuple[Box | None, Box | None],
) -> Chosen:
    samples = seen.samples
    if samples is None:
        raise ValueError("the film was watched without samples")
    light, picture = found
    is_moving = False
    shown = np.zeros(samples.codes.shape[1:], dtype=bool)
    if picture is None:
        response, response_box = _given(seen, given[1])
    else:
        shown = _picture_points(samples, cells, picture, light)
        (response, response_box), is_moving = steadiest_trace(film, samples, shown, cells.edge)
    if light is None:
        stimulus, stimulus_box = _given(seen, given[0])
    else:
        around = cell_points(samples, cells, widened(light.mask)) & ~shown
        own = around if around.any() else cell_points(samples, cells, light.mask)
        stimulus, stimulus_box = trace_of(film, samples, own)
    return Chosen(
        stimulus=stimulus,
        response=response,
        stimulus_box=stimulus_box,
        response_box=response_box,
        is_moving=is_moving,
    )


def _given(seen: Watched, box: Box | None) -> tuple[FloatArray, Box]:
    """Return the light of a region that was given; it is the only one watched as a box."""
    if box is None:
        raise ValueError("neither found nor given")
    return seen.light[:, 0], box


def _picture_points(samples: Samples, cells: Cells, picture: Patch, light: Patch | None) -> BoolArray:
    """Return the points that switch with the picture, and are none of the light."""
    mask = filled(picture.mask)
    near = cell_points(samples, cells, widened(mask) & ~(light.mask if light is not None else np.zeros_like(mask)))
    return swung_points(
        samples.codes, cell_points(samples, cells, mask), near, cells.means[:, mask].mean(axis=1, dtype=np.float64)
    )
