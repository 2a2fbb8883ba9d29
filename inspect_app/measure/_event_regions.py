"""Find in a film the light that switches and the picture that follows it."""

import dataclasses
import itertools
import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from inspect_app.capture import Film
from inspect_app.errors import NothingToMeasure
from inspect_app.measure._light import Box, FloatArray, Samples, Watched
from inspect_app.numerics.switching import Patch, liveliest_patch, scatter, switching_patches

BoolArray = npt.NDArray[np.bool_]

_FINEST_CELLS: Final = 6_000
_STORE_NUMBERS: Final = 16_000_000
_AT_A_TIME: Final = 16  # frames
_WEAK: Final = 0.003  # share of the strongest patch's energy below which a patch is stray light,
_FULL: Final = 0.3  # unless it swings by so much of the fullest swing: a small lamp beside a large screen
_TOGETHER: Final = 1.5  # frames within which patches are of one moment: a scanned display, tiles of a coder
_FEWEST_CELLS: Final = 4
_SHAKEN: Final = 1.5  # times the unrest of its inside from which on a picture is shaken,
_STILL: Final = 0.001  # and by how much of the swing at least
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
    """Find the region that is not given: the light switches first, its picture is the strongest that follows.

    Raises
    ------
    NothingToMeasure
        Fewer than two patches of the film switch.

    Notes
    -----
    The light's patch is widened by one cell, so that shake does not move it out of its region. The picture's patch is
    taken whole, because a scanned display changes first at its border; where shake makes the whole restless, it is
    narrowed by one cell, so that its border does not move in.
    """
    samples = seen.samples
    if samples is None:
        raise ValueError("the film was watched without samples")
    for may_flicker, coarsening in itertools.product((False, True), _COARSENINGS):
        size = _cell_size(samples, coarsening)
        switching = switching_patches(_cells(samples, size), may_flicker=may_flicker)
        patches = _strong(switching, samples, size, (stimulus_roi, response_roi))
        found = _pick(patches, stimulus_roi, response_roi)
        if found is not None:
            return _chosen(film, seen, found, size, (stimulus_roi, response_roi))
    raise NothingToMeasure(
        film.name,
        f"{len(patches)} regions of the picture switch, a light and its picture were looked for",
        "Film the LED and the eyepiece in one view, or give --stimulus-roi and --response-roi.",
    )


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
        mask = liveliest_patch(_cells(samples, size))
        if mask is not None:
            return _trace(film, samples, _widened(mask), size)
    raise NothingToMeasure(film.name, "nothing in the film blinks", "Film a blinking light, or give --roi around it.")


def _cell_size(samples: Samples, coarsening: int) -> int:
    frames, rows, cols = samples.codes.shape
    wanted = min(_FINEST_CELLS, _STORE_NUMBERS // frames)
    return max(1, round(math.sqrt(rows * cols / max(wanted, 64)))) * coarsening


def _cells(samples: Samples, size: int) -> npt.NDArray[np.float32]:
    """Return the mean of cells of `size` samples; some frames at a time, so that they stay near the processor."""
    frames, rows, cols = samples.codes.shape
    rows, cols = rows // size * size, cols // size * size
    cells = np.zeros((frames, rows // size, cols // size), dtype=np.float32)
    for first in range(0, frames, _AT_A_TIME):
        part, sums = samples.codes[first : first + _AT_A_TIME, :rows, :cols], cells[first : first + _AT_A_TIME]
        lines = part[:, ::size].astype(np.float32)
        for y in range(1, size):
            lines += part[:, y::size]
        for x in range(size):
            sums += lines[:, :, x::size]
    cells /= size**2
    return cells


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
    patches: list[Patch], stimulus_roi: Box | None, response_roi: Box | None
) -> tuple[Patch | None, Patch | None] | None:
    """Return light and picture: of the two strongest moments of switching the earlier and the later."""
    moments = _moments(patches)
    if stimulus_roi is not None or response_roi is not None:
        if not moments:
            return None
        strongest = _strongest(moments[0])
        return (None, strongest) if stimulus_roi is not None else (strongest, None)
    if len(moments) > 1:
        earlier, later = sorted(moments[:2], key=lambda moment: moment[0].first)
        return _strongest(earlier), _strongest(later)
    if moments and len(moments[0]) > 1:
        pair = sorted(moments[0], key=lambda patch: patch.energy)[-2:]
        light, picture = sorted(pair, key=lambda patch: (patch.first, patch.energy))
        return light, picture
    return None


def _moments(patches: list[Patch]) -> list[list[Patch]]:
    """Group patches that switch at about the same time; the strongest group first."""
    groups: list[list[Patch]] = []
    for patch in patches:
        if groups and patch.first - groups[-1][-1].first <= _TOGETHER:
            groups[-1].append(patch)
        else:
            groups.append([patch])
    return sorted(groups, key=_strength, reverse=True)


def _strength(moment: list[Patch]) -> float:
    return sum(patch.energy * patch.clearness for patch in moment)


def _strongest(moment: list[Patch]) -> Patch:
    return max(moment, key=lambda patch: patch.energy * patch.clearness)


def _chosen(
    film: Film,
    seen: Watched,
    found: tuple[Patch | None, Patch | None],
    size: int,
    given: tuple[Box | None, Box | None],
) -> Chosen:
    samples = seen.samples
    if samples is None:
        raise ValueError("the film was watched without samples")
    light, picture = found
    stimulus, stimulus_box = (
        _given(seen, given[0]) if light is None else _trace(film, samples, _widened(light.mask), size)
    )
    is_moving = False
    if picture is None:
        response, response_box = _given(seen, given[1])
    else:
        (response, response_box), is_moving = _steadiest(film, samples, _filled(picture.mask), size)
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


def _widened(mask: BoolArray) -> BoolArray:
    return np.asarray(ndimage.binary_dilation(mask, np.ones((3, 3), dtype=bool)))


def _filled(mask: BoolArray) -> BoolArray:
    return np.asarray(ndimage.binary_closing(mask, np.ones((3, 3), dtype=bool)) | mask)


def _steadiest(film: Film, samples: Samples, mask: BoolArray, size: int) -> tuple[tuple[FloatArray, Box], bool]:
    """Return the trace of the picture and whether it moves: of its inside if it does, for its border moves in and out.

    Where it stands still all of it is taken, for a scanned display changes first at its border.
    """
    inner = np.asarray(ndimage.binary_erosion(mask, np.ones((3, 3), dtype=bool)))
    if inner.sum() < _FEWEST_CELLS:
        return _trace(film, samples, mask, size), False
    inside, box = _trace(film, samples, inner, size)
    border, whole_box = _trace(film, samples, mask & ~inner, size)
    share = float(inner.sum() / mask.sum())
    whole = share * inside + (1 - share) * border
    is_shaken = _unrest(whole) > _SHAKEN * _unrest(inside) + _STILL
    return ((inside, box) if is_shaken else (whole, whole_box)), is_shaken


def _unrest(light: FloatArray) -> float:
    return scatter(light) / max(float(np.ptp(light)), 1e-12)


def _trace(film: Film, samples: Samples, mask: BoolArray, size: int) -> tuple[FloatArray, Box]:
    """Return the mean exposure under a mask of cells, frame by frame, and the box around it."""
    rows, cols = np.nonzero(np.kron(mask, np.ones((size, size), dtype=bool)))
    exposures, places = film.exposures.astype(np.float32), rows * samples.codes.shape[2] + cols
    light = np.array([exposures.take(frame.take(places)).mean(dtype=np.float64) for frame in samples.codes])
    step = samples.step_px
    left, top = int(cols.min()) * step, int(rows.min()) * step
    right, bottom = min(film.cols, (int(cols.max()) + 1) * step), min(film.rows, (int(rows.max()) + 1) * step)
    return light, (left, top, right - left, bottom - top)
