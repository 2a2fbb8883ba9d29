"""Find in a film the light that switches and the picture that follows it."""

import dataclasses
import itertools
import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from inspect_app.capture import Film
from inspect_app.errors import NothingToMeasure
from inspect_app.measure._films.light import Box, FloatArray, Samples, Watched
from inspect_app.measure._films.partner_patches import is_crowded, pick_patches
from inspect_app.measure._films.region_traces import (
    BoolArray,
    CellArray,
    Cells,
    cell_points,
    filled,
    runs,
    steadiest_trace,
    trace_of,
    unclipped,
    widened,
)
from inspect_app.measure._films.swung_points import most_swung, swung_points
from inspect_app.numerics.changes.shake import steadied_frames
from inspect_app.numerics.changes.switching import Patch, liveliest_patch, switching_patches

_FINEST_CELLS: Final = 6_000
_STORE_NUMBERS: Final = 16_000_000
_WEAK: Final = 0.003  # share of the strongest patch's energy below which a patch is stray light,
_FULL: Final = 0.3  # unless it swings by so much of the fullest swing: a small lamp beside a large screen
_COARSENINGS: Final = (1, 2, 4)
_TOGETHER: Final = (1, 4, 8)  # frames: a dim lamp that blinks slowly stands out of the noise of single ones in means
_FEWEST_MEANS: Final = 24
_LEAST_CODES: Final = 1.5  # by which a point of a region that is given swings: a coder moves whole regions by one


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """The two regions, how bright they are, frame by frame, and whether the picture moves in the film.

    `doubts` says by how many frames light and picture may come early or late, standard uncertainties, where they are
    clipped.
    """

    stimulus: FloatArray
    response: FloatArray
    stimulus_box: Box
    response_box: Box
    is_moving: bool
    doubts: tuple[float, float]


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
        stimulus, light_doubt = _given(film, seen, stimulus_roi, 0)
        response, picture_doubt = _given(film, seen, response_roi, 1)
        return Chosen(
            stimulus=stimulus,
            response=response,
            stimulus_box=stimulus_roi,
            response_box=response_roi,
            is_moving=is_moving,
            doubts=(light_doubt, picture_doubt),
        )
    for may_flicker, coarsening in itertools.product((False, True), _COARSENINGS):
        size = _cell_size(samples, coarsening)
        cells = _cells(samples, size)
        switching = switching_patches(cells.means, may_flicker=may_flicker)
        patches = _strong(switching, samples, size, (stimulus_roi, response_roi))
        found = pick_patches(patches, cells, stimulus_roi, response_roi)
        if found is not None and is_crowded(found, patches):
            break
        if found is not None:
            chosen = _chosen(film, seen, found, cells, (stimulus_roi, response_roi))
            return dataclasses.replace(chosen, is_moving=chosen.is_moving or is_moving)
    raise NothingToMeasure(
        film.name,
        "a light and its picture were looked for, and no two regions of the film switch one after the other and stand "
        "out from all else that changes in it",
        "Film the LED and the eyepiece in one view, or give --stimulus-roi and --response-roi.",
    )


def _light_of(film: Film, samples: Samples, boxes: tuple[Box, ...], watched: FloatArray) -> FloatArray:
    """Return the light of boxes in samples, shape (n, boxes); what was watched, where a box holds no point."""
    light = watched.copy()
    for column, box in enumerate(boxes):
        points = _points_in(samples, box)
        if points.any():
            light[:, column] = trace_of(film, samples, points)[0]
    return light


def _points_in(samples: Samples, box: Box) -> BoolArray:
    (x, y, width_px, height_px), step = box, samples.step_px
    points = np.zeros(samples.codes.shape[1:], dtype=bool)
    points[-(-y // step) : -(-(y + height_px) // step), -(-x // step) : -(-(x + width_px) // step)] = True
    return points


def strongest_region(film: Film, seen: Watched) -> tuple[FloatArray, Box]:
    """Return how bright the region that changes most is, frame by frame, and where it lies.

    Raises
    ------
    NothingToMeasure
        Nothing in the film changes.

    Notes
    -----
    What stands out of the noise of no single frame is looked for in means of 4 and 8 of them. Of 360 films of lamps, a
    third of them dim and slow, three were refused without that, with it none; none of 172 films of noise, drift and
    moving scenes is given a number for it (own draws). Such a patch is not widened by one cell: where cells are coarse
    that takes in five times the lamp, and one of the three had 0.75 of its swing over noise and was refused.
    """
    samples = seen.samples
    if samples is None:
        raise ValueError("the film was watched without samples")
    for together, coarsening in itertools.product(_TOGETHER, _COARSENINGS):
        if together > 1 and len(samples.codes) < together * _FEWEST_MEANS:
            break
        cells = _cells(samples, _cell_size(samples, coarsening))
        mask = liveliest_patch(_means_of(cells.means, together))
        if mask is not None:
            region = widened(mask) if together == 1 else mask
            return trace_of(film, samples, cell_points(samples, cells, region))
    raise NothingToMeasure(film.name, "nothing in the film blinks", "Film a blinking light, or give --roi around it.")


def _means_of(cells: CellArray, together: int) -> CellArray:
    """Return the means of so many frames at a time, shape (n // together, rows, cols)."""
    whole = len(cells) // together * together
    return np.asarray(cells[:whole].reshape(-1, together, *cells.shape[1:]).mean(axis=1), dtype=np.float32)


def _cell_size(samples: Samples, coarsening: int) -> int:
    frames, rows, cols = samples.codes.shape
    wanted = min(_FINEST_CELLS, _STORE_NUMBERS // frames)
    return max(1, round(math.sqrt(rows * cols / max(wanted, 64)))) * coarsening


def _cells(samples: Samples, size: int) -> Cells:
    """Return the means of cells; some frames at a time, so that they stay near the processor."""
    frames, rows, cols = samples.codes.shape
    rows, cols = rows // size * size, cols // size * size
    means = np.empty((frames, rows // size, cols // size), dtype=np.float32)
    highest = np.iinfo(samples.codes.dtype).max
    summed = np.uint16 if size**2 * highest <= np.iinfo(np.uint16).max else np.uint32
    for run in runs(frames, rows * cols):
        part: npt.NDArray[np.unsignedinteger[Any]] = samples.codes[run, :rows, :cols].astype(summed)
        lines = part[:, ::size].copy()
        for y in range(1, size):
            lines += part[:, y::size]
        sums = lines[:, :, ::size].copy()
        for x in range(1, size):
            sums += lines[:, :, x::size]
        means[run] = sums
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
    if picture is None and given[1] is not None:
        response_box = given[1]
        response, picture_doubt = _given(film, seen, given[1], 0)
    elif picture is not None:
        shown = _picture_points(samples, cells, picture, light)
        (response, response_box), is_moving = steadiest_trace(film, samples, shown, cells.edge)
        response, picture_doubt = unclipped(film, samples, shown, response)
    if light is None and given[0] is not None:
        stimulus_box = given[0]
        stimulus, light_doubt = _given(film, seen, given[0], 0)
    elif light is not None:
        around = cell_points(samples, cells, widened(light.mask)) & ~shown
        own = around if around.any() else cell_points(samples, cells, light.mask)
        stimulus, stimulus_box = trace_of(film, samples, own)
        stimulus, light_doubt = unclipped(film, samples, own, stimulus)
    return Chosen(
        stimulus=stimulus,
        response=response,
        stimulus_box=stimulus_box,
        response_box=response_box,
        is_moving=is_moving,
        doubts=(light_doubt, picture_doubt),
    )


def _given(film: Film, seen: Watched, box: Box, column: int) -> tuple[FloatArray, float]:
    """Return the light of a region that was given, a column of what was watched, and its doubt where it is clipped.

    One in which a coder alone may have moved the codes is refused: of 24 films of coded noise three were given a lag
    (0.0 ± 2.7 ms) by one code, in which both of two regions stepped with a key frame.

    A clipped one is read with what lies around it and switches with it: the rim of the lamp is not clipped. Of 13 films
    of lamps three times too bright halves came late by 0.35 frames on the average, off by up to 0.67; so 0.02 and 0.15.
    """
    samples = seen.samples
    if samples is None:
        raise ValueError("the film was watched without samples")
    points, light = _points_in(samples, box), seen.light[:, column]
    if not points.any():
        return light, 0.0
    if most_swung(samples.codes, points, light) < _LEAST_CODES:
        raise NothingToMeasure(
            film.name,
            f"in the region {','.join(map(str, box))} no point swings by two codes: a coder does as much by itself",
            "Give a region in which the light or its picture switches, or film it brighter.",
        )
    inside, doubt = unclipped(film, samples, points, light)
    if not doubt:
        return inside, doubt
    x, y, width_px, height_px = box
    around = (max(0, x - width_px), max(0, y - height_px), 3 * width_px, 3 * height_px)
    return unclipped(film, samples, swung_points(samples.codes, points, _points_in(samples, around), light), light)


def _picture_points(samples: Samples, cells: Cells, picture: Patch, light: Patch | None) -> BoolArray:
    """Return the points that switch with the picture, and are none of the light."""
    mask = filled(picture.mask)
    near = cell_points(samples, cells, widened(mask) & ~(light.mask if light is not None else np.zeros_like(mask)))
    return swung_points(
        samples.codes, cell_points(samples, cells, mask), near, cells.means[:, mask].mean(axis=1, dtype=np.float64)
    )
