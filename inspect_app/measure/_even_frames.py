"""Proving frames of an even scene before their noise is told: lit alike, even, neither black nor white, not rounded."""

from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from inspect_app.errors import NothingToMeasure
from inspect_app.numerics.noise.pattern_shift import has_shifted

FloatArray = npt.NDArray[np.float64]

MOST_CLIPPED: Final = 0.2  # of the region, saturated or black
OTHER_LIGHT: Final = 3.0  # times the light of the dimmest frame
NO_CHANGE: Final = 1e-9  # of full scale: no code of any file; a grey picture and the same in colour differ by less
_EQUAL: Final = 0.75  # of the pixels: noise of about a quarter of a code
_BLOCKS: Final = 8  # along each side, whose means tell an even scene
_UNEVEN: Final = 0.06  # an edge, a chart; a reflection makes some per cent
_CHANCE: Final = 4.0  # times what single pixels make of the blocks' means
_LOOKED_AT: Final = 100_000  # pixels whose codes tell the step between codes
_ORDER: Final = 3  # of the surface that is light and lens
_CONTENT: Final = 0.08  # rms of what neighbours share, in shares of the mean; print has 0.12 to 0.2, 100 sensors 0.01
_FRAMES_LOOKED_AT, _MIDDLE_PX = 4, 1024  # what lies in the scene lies in all of them, and in the middle
_SMOOTH_PX: Final = 31  # what is coarser shows in the blocks


def prove_frames(name: str, frames: FloatArray, clipped: float) -> None:
    """Refuse frames whose noise cannot be told.

    Parameters
    ----------
    name : str
        Of the first file.
    frames : ndarray of shape (n, rows, cols)
        Linear in exposure.
    clipped : float
        Share of the pixels that are saturated.

    Raises
    ------
    NothingToMeasure
        They are saturated, black, equal, rounded to fewer codes than noise needs, in different light, or of a scene
        that is uneven or moves.

    Notes
    -----
    EMVA 1288 (release 4.0, from memory) tells no temporal noise below a quarter of a code: rounding hides it. A frame
    that repeats the one before at three pixels of four has less.
    """
    if clipped > MOST_CLIPPED:
        raise NothingToMeasure(
            name, f"{clipped:.0%} of the region is saturated, where no noise can be seen", "Take it with less light."
        )
    means = frames.mean(axis=(1, 2))
    if means.mean() <= 0:
        raise NothingToMeasure(name, "the region is black, there is no signal", "Take it with more light.")
    black = float((frames == min(float(frames.min()), 0.0)).mean())
    if black > MOST_CLIPPED:
        raise NothingToMeasure(
            name, f"{black:.0%} of the region is black, where no noise can be seen", "Take it with more light."
        )
    if means.max() > OTHER_LIGHT * means.min():
        raise NothingToMeasure(
            name,
            f"the brightest frame has {means.max() / max(means.min(), 1e-12):.3g} times the light of the dimmest",
            "Give frames of one even scene in one light.",
        )
    _prove_fine(name, frames)
    uneven = unevenness(frames.mean(axis=0))
    if uneven > _UNEVEN:
        raise NothingToMeasure(
            name,
            f"an even scene was looked for, and parts of the region differ by {uneven:.0%}",
            "Aim at an even surface, or give an even part of it with --roi.",
        )
    shared = content(frames)
    if shared > _CONTENT:
        raise NothingToMeasure(
            name,
            f"an even scene was looked for, and a picture whose details differ by {shared:.0%} was seen",
            "Aim at an even surface, or give an even part of it with --roi.",
        )
    _prove_still(name, frames)


def _prove_fine(name: str, frames: FloatArray) -> None:
    equal = float((np.abs(np.diff(frames, axis=0)) < NO_CHANGE).mean())
    means = frames.mean(axis=(1, 2), keepdims=True)
    in_one_light = frames * (means.mean() / means)
    if equal == 1 or float(np.abs(np.diff(in_one_light, axis=0)).max()) < NO_CHANGE:
        raise NothingToMeasure(
            name, f"the {len(frames)} frames are equal, nothing changes between them", "Give separate frames."
        )
    if equal > _EQUAL:
        raise NothingToMeasure(
            name,
            f"{equal:.1%} of the pixels read the same from frame to frame: rounding to codes hides their noise",
            "Store more bits, or raise the gain.",
        )


def _prove_still(name: str, frames: FloatArray) -> None:
    """Refuse a scene that moves: edges or a pattern that change their place look like noise, and are none."""
    remedy = "Fix the camera before an even surface that rests, and take the frames again."
    mean_frame = frames.mean(axis=0)
    for frame in frames:
        change = unevenness(frame + frame.mean() * (1 - mean_frame / mean_frame.mean()))
        if change > _UNEVEN:
            raise NothingToMeasure(name, f"parts of the region change by {change:.0%} from frame to frame", remedy)
    if has_shifted(frames):
        raise NothingToMeasure(name, "the pattern of the frames changes its place between them", remedy)


def unevenness(frame: FloatArray) -> float:
    """Return by how much parts of a frame depart from a smooth surface, as a lit wall is: rms, in shares of its mean.

    Parameters
    ----------
    frame : ndarray of shape (rows, cols)

    Returns
    -------
    float
        Of the means of 8 by 8 blocks; 0 where single pixels may make as much of them.
    """
    rows, cols = (side // _BLOCKS for side in frame.shape)
    if min(rows, cols) < 1:
        return 0.0
    cut = frame[: rows * _BLOCKS, : cols * _BLOCKS].reshape(_BLOCKS, rows, _BLOCKS, cols)
    blocks, within = cut.mean(axis=(1, 3)), cut.std(axis=(1, 3))
    y, x = np.mgrid[-1 : 1 : _BLOCKS * 1j, -1 : 1 : _BLOCKS * 1j]
    terms = [x**i * y**j for i in range(_ORDER + 1) for j in range(_ORDER + 1 - i)]
    surface = np.stack([term.ravel() for term in terms], axis=1)
    rest = blocks.ravel() - surface @ np.linalg.lstsq(surface, blocks.ravel(), rcond=None)[0]
    uneven = float(np.sqrt(rest @ rest / (len(rest) - surface.shape[1])))
    by_chance = float(np.median(within)) / np.sqrt(rows * cols)
    return uneven / float(frame.mean()) if uneven > _CHANCE * by_chance else 0.0


def content(frames: FloatArray) -> float:
    """Return how strong the details of a picture are that lie in all frames, as print does: rms, in shares of the mean.

    Parameters
    ----------
    frames : ndarray of shape (n, rows, cols)
        Two or more.

    Returns
    -------
    float
        Root of what pixels of one frame share with the neighbours, both along rows and along columns, in other frames:
        none of noise, of a pattern of single pixels, of rows or of columns. 0 where chance may make as much.
    """
    top, left = (max(0, side - _MIDDLE_PX) // 2 for side in frames.shape[1:])
    middle = frames[:_FRAMES_LOOKED_AT, top : top + _MIDDLE_PX, left : left + _MIDDLE_PX]
    count = len(middle)
    details = [frame - ndimage.uniform_filter(frame, _SMOOTH_PX) for frame in middle]
    own = np.sum([_with_neighbours(detail) for detail in details], axis=0)
    of_others = (_with_neighbours(np.sum(details, axis=0)) - own) / (count * (count - 1))
    shared = float(of_others.min())
    by_chance = _CHANCE * float(np.var(details)) / np.sqrt(details[0].size)
    return float(np.sqrt(shared) / frames.mean()) if shared > by_chance else 0.0


def _with_neighbours(detail: FloatArray) -> FloatArray:
    """Return the mean product of pixels with their next along a row, and along a column."""
    return np.array([(detail[:, 1:] * detail[:, :-1]).mean(), (detail[1:] * detail[:-1]).mean()])


def code_step(frame: FloatArray) -> float:
    """Return the usual difference from one value of a frame to the next higher one: the step between its codes.

    Parameters
    ----------
    frame : ndarray of shape (rows, cols)
        Of an even scene, so that its values are next to one another. 0 where all are equal.
    """
    values = np.unique(frame.ravel()[:: max(1, frame.size // _LOOKED_AT)])
    return float(np.median(np.diff(values))) if values.size > 1 else 0.0
