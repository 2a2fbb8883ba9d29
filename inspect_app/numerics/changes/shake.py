"""A film that sways: by how much each frame is shifted, and the frames laid over one another."""

import dataclasses
import itertools
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
PictureArray = npt.NDArray[np.float32]
CodeArray = npt.NDArray[np.unsignedinteger[Any]]

_LOOKS: Final = 28  # frames, evenly spread over the film, that tell whether it sways,
_FINE_ENOUGH: Final = 30_000  # through every other of their points, where there are more
_SWAYS: Final = 0.2  # points of the grid between the bulk of the frames: less moves no light out of its region
_BULK: Final = (0.15, 0.85)
_CALMER: Final = 0.995  # of the differences between neighbours in time, most of which may be lights that switch
_CALMER_THAN_ASTRAY: Final = 0.998  # of the same, moved the other way: 1 for noise, 0.993 and less where a film sways
_POINTS: Final = 1200  # evenly from all steep ones: of the steepest, most are borders of lights
_FEWEST: Final = 12  # points of a view, frames that tell of sway
_STEEP: Final = 1.5  # codes from point to point: the least slope that tells a shift,
_ABOVE_NOISE: Final = 1.0  # and times the noise of a code: five times what it makes of slopes of averages
_FARTHEST: Final = 5  # points by which neighbouring frames may differ
_REFINEMENTS: Final = 3  # at most; a smaller one than this, in points, is the last:
_SETTLED: Final = 0.01
_LEAST_NOISE: Final = 0.7  # codes
_OUTLIER: Final = 2.0  # times the usual difference, from which on a point shows another light and no shift
_ALIKE: Final = 0.4  # points: a frame that lies usually farther than this off a view shows other lights,
_NOISE_ALLOWS: Final = 1.5  # or than so often what frames of this view usually do: noise
_MOST_ALLOWED: Final = 0.6  # points, but never more
_REMEMBERED: Final = 0.9  # of what is usual of a view, from frame to frame
_SHOWN: Final = 0.5  # of the slopes of a view that a frame must show: an afterglow that has gone tells no shift
_HALF_SHOWN: Final = 0.2  # of them, from which on a frame under other lights is laid where they fit
_CLEARLY_ALIKE: Final = 0.3  # points: and so near they must fit, for in much noise any fit shows some slopes
_MOST_VIEWS: Final = 16
_AVERAGED: Final = 10  # frames in a view
_KNOWN: Final = 3  # frames in a view from which on it is asked before older ones


@dataclass(slots=True)
class _View:
    """The scene under one state of its lights, as frames are compared with it.

    Parameters
    ----------
    picture : ndarray of shape (rows, cols)
        Mean of frames laid over one another, `count` of them.
    places : ndarray of shape (points, 2)
        Where it is steep; `light` there, and `slopes`, down and right.
    home : ndarray of shape (2,)
        About where the last frames lay that it told.
    usual : float
        How far off it the frames that it told usually are, in points.
    """

    picture: PictureArray
    count: int
    places: FloatArray
    light: FloatArray
    slopes: FloatArray
    home: FloatArray
    usual: float = 0.0

    @property
    def alike(self) -> float:
        """How far off it a frame may usually be that shows the same lights, in points."""
        return min(max(_ALIKE, _NOISE_ALLOWS * self.usual), _MOST_ALLOWED)


@dataclass(frozen=True, slots=True)
class _Fit:
    """A shift of a frame against a view, and how far off the points of the view usually are then, in points.

    `shown` is how steep the frame is at the points of the view, along its slopes, over how steep the view is; 0 where
    the points are too far off to tell.
    """

    shift: FloatArray
    off: float
    shown: float

    @property
    def tells(self) -> bool:
        """Whether the frame shows what the view does, so that the shift is one."""
        return self.shown > _SHOWN


@dataclass(frozen=True, slots=True)
class _Path:
    """The shift of each frame, shape (n, 2), down and right, and the number of the view that told it, or -1.

    Beside them the mean square by which neighbouring frames differ, as they are and laid over one another.
    """

    shifts: FloatArray
    views: IntArray
    unrest: float
    unrest_left: float

    def sways(self, least: float) -> bool:
        """Say whether frames of the commonest view lie so many points apart, and are calmer laid over one another."""
        told = self.views[self.views >= 0]
        if len(told) < _FEWEST or self.unrest_left > _CALMER * self.unrest:
            return False
        shifts = self.shifts[self.views == np.bincount(told).argmax()]
        return bool(np.ptp(np.quantile(shifts, _BULK, axis=0), axis=0).max() > least)


def steadied_frames(frames: CodeArray) -> CodeArray:
    """Return the frames of a film laid over one another where its scene sways, and the frames themselves where not.

    Parameters
    ----------
    frames : ndarray of shape (n, rows, cols)
        Stored codes.

    Notes
    -----
    A frame is compared with views of the scene, one for each state of its lights, at points where these are steep:
    along the slopes by least squares, where points that fit badly count little (Cauchy weights), and where that leads
    nowhere by whole points near the shift of the frame before and near where frames usually lie. A frame that no view
    explains shows other lights: it is taken to lie where what it shows of a view fits, or where the one before lay, and
    becomes a view, asked after all others until three frames made it. A scene without any steep place stays
    put: there, no border trembles either. Whether the film sways is told by the frames of one view, first by a few of
    them spread over the film: a screen half lit looks like one that moved, but not for long.

    Of 120 noisy films that tremble by 0.6 to 1.8 points (rms), another shift in each frame, 12 were measured 2 frames
    and more wrong, mostly tens of them, and one was refused: a frame hidden by noise, or farther off than a search
    reached, began a view that lay elsewhere, and so did all frames after it. Now none is, and 97 of 100 are held.

    A single reference that followed the film took lights that switch in a scene without texture for motion, by up to 77
    points; the steepest points alone are borders of lights, and lost a shaken film by 6 (own bench).

    Assumes a shift alone: no turning, no zoom, no parallax. Light between points is interpolated linearly.
    """
    looks = np.unique(np.linspace(0, len(frames) - 1, _LOOKS).astype(int))
    coarse = 2 if frames[0].size > _FINE_ENOUGH else 1
    few = frames[looks][:, ::coarse, ::coarse]
    told = _followed(few, _POINTS // 4)
    if not told.sways(_SWAYS / coarse) or not _is_calmed(few, told.shifts):
        return frames
    path = _followed(frames, _POINTS)
    if not path.sways(_SWAYS):
        return frames
    steady = np.empty_like(frames)
    for k, shift in enumerate(path.shifts):
        steady[k] = np.rint(_moved(frames[k].astype(np.float32), shift))
    return steady


def _is_calmed(frames: CodeArray, shifts: FloatArray) -> bool:
    """Say whether frames laid over one another differ less than frames moved as far the other way.

    Light between points is interpolated, which calms noise wherever a frame is moved to: against frames as they lie,
    a noisy film on a stand looks as if it swayed.
    """
    blurred = [_blurred(codes) for codes in frames]
    laid, astray = (
        _unrest([_moved(frame, way * shift) for frame, shift in zip(blurred, shifts, strict=True)]) for way in (1, -1)
    )
    return laid < _CALMER_THAN_ASTRAY * astray


def _unrest(frames: list[PictureArray]) -> float:
    return sum(float(np.mean((one - other) ** 2)) for one, other in itertools.pairwise(frames))


def _followed(frames: CodeArray, points: int) -> _Path:
    """Return by how much each frame is shifted."""
    steep = max(_STEEP, _ABOVE_NOISE * _noise(frames))
    views: list[_View] = []
    shifts, told_by = np.zeros((len(frames), 2)), np.full(len(frames), -1)
    before, laid_before = _blurred(frames[0]), _blurred(frames[0])
    unrest, unrest_left = 0.0, 0.0
    for k, codes in enumerate(frames):
        frame, last = _blurred(codes), shifts[max(k - 1, 0)]
        told_by[k], shifts[k] = _told(frame, views, told_by[max(k - 1, 0)], last)
        laid = _moved(frame, shifts[k])
        if told_by[k] >= 0:
            _gather(views, told_by[k], laid, points, steep)
        else:
            _remember(views, laid, points, steep, shifts[k])
        unrest += float(np.mean((frame - before) ** 2))
        unrest_left += float(np.mean((laid - laid_before) ** 2))
        before, laid_before = frame, laid
    return _Path(shifts, told_by, unrest, unrest_left)


def _told(frame: PictureArray, views: list[_View], former: int, last: FloatArray) -> tuple[int, FloatArray]:
    """Return the view that tells a frame's shift, and the shift; -1 where none does, and what is the likeliest then.

    Lights mostly stay as they are: the view of the frame before is asked alone, and all where it does not tell. A view
    of few frames is asked after all others: it may come of one frame that noise kept from telling, and then it lies
    where that frame was not.
    """
    is_known = [view.count >= _KNOWN for view in views]
    asked = [former] if former >= 0 and is_known[former] else []
    known, new = ([k for k, known in enumerate(is_known) if known is of and k not in asked] for of in (True, False))
    fits: dict[int, _Fit] = {}
    for numbers in (asked, known, new):
        fits |= {number: _fitted(frame, views[number], last) for number in numbers}
        telling = [number for number in numbers if fits[number].tells]
        if telling:
            best = min(telling, key=lambda number: fits[number].off)
            _accustom(views[best], fits[best])
            return best, fits[best].shift
    near = [fit for fit in fits.values() if fit.shown > _HALF_SHOWN and fit.off < _CLEARLY_ALIKE]
    return -1, min(near, key=lambda fit: fit.off).shift if near else last


def _accustom(view: _View, fit: _Fit) -> None:
    """Let a view know where frames usually lie that it tells, and how far off."""
    view.home = _REMEMBERED * view.home + (1 - _REMEMBERED) * fit.shift
    view.usual = _REMEMBERED * view.usual + (1 - _REMEMBERED) * fit.off


def _remember(views: list[_View], laid_over: PictureArray, points: int, steep: float, home: FloatArray) -> None:
    """Let a frame that no view explains become one, unless it has no steep places or there are enough."""
    view = _view(laid_over, 1, points, steep, home)
    if view is not None and len(views) < _MOST_VIEWS:
        views.append(view)


def _gather(views: list[_View], number: int, laid_over: PictureArray, points: int, steep: float) -> None:
    """Let a frame sharpen the view that explains it, while few have."""
    view = views[number]
    if view.count < _AVERAGED:
        picture = view.picture + (laid_over - view.picture) / np.float32(view.count + 1)
        sharper = _view(picture, view.count + 1, points, steep, view.home) or view
        views[number] = dataclasses.replace(sharper, usual=view.usual)


def _noise(frames: CodeArray) -> float:
    """Return the standard deviation of the noise of a code, by the least of what space and time tell."""
    pair = frames[len(frames) // 2 : len(frames) // 2 + 2].astype(np.float32)
    in_space, in_time = pair[0] - _blurred(pair[0]), (pair[-1] - pair[0]) / np.float32(2**0.5)
    return float(min(np.median(np.abs(in_space)), np.median(np.abs(in_time))) / 0.6745)


def _blurred(frame: CodeArray | PictureArray) -> PictureArray:
    """Return a frame averaged over 3 x 3 points, so that noise has little slope, in a third of scipy's time."""
    blurred: PictureArray = frame.astype(np.float32)
    for across in (blurred, blurred.T):
        own = across.copy(order="K")
        across[1:] += own[:-1]
        across[:-1] += own[1:]
        across[0] += own[0]
        across[-1] += own[-1]
    blurred /= 9
    return blurred


def _view(picture: PictureArray, count: int, points: int, steep: float, home: FloatArray) -> _View | None:
    """Return a picture with places where it is steep; None where too few of them tell a shift."""
    margin = _FARTHEST + 2
    if min(picture.shape) < 4 * margin:
        return None
    inside = picture[margin:-margin, margin:-margin]
    down = (picture[margin + 1 : 1 - margin, margin:-margin] - picture[margin - 1 : -margin - 1, margin:-margin]) / 2
    right = (picture[margin:-margin, margin + 1 : 1 - margin] - picture[margin:-margin, margin - 1 : -margin - 1]) / 2
    chosen = np.flatnonzero(down**2 + right**2 > steep**2)
    if len(chosen) < _FEWEST:
        return None
    chosen = chosen[np.unique(np.linspace(0, len(chosen) - 1, points).astype(int))]
    rows, cols = np.unravel_index(chosen, inside.shape)
    slopes = np.stack([down[rows, cols], right[rows, cols]], axis=1).astype(np.float64)
    places: FloatArray = np.stack([rows, cols], axis=1) + np.float64(margin)
    return _View(picture, count, places, inside[rows, cols].astype(np.float64), slopes, home)


def _fitted(frame: PictureArray, view: _View, last: FloatArray) -> _Fit:
    """Return the shift of a frame against a view: from the last one on, and where that leads nowhere by a search.

    That is made near the last shift, and near the view's own: a scene without lights may have drifted away from it, and
    a hand that trembles goes farther from frame to frame than from where it usually is.
    """
    fit = _refined(frame, view, last)
    if fit.tells:
        return fit
    fits = [_refined(frame, view, _nearest(frame, view, place)) for place in (last, view.home)]
    return min(fits, key=lambda each: each.off)


def _nearest(frame: PictureArray, view: _View, around: FloatArray) -> FloatArray:
    """Return the shift by whole points that fits best, near the one that is given."""
    away = np.arange(-_FARTHEST, _FARTHEST + 1)
    rows, cols = (view.places + np.rint(around)).T.astype(int)[:, None, :] + away[:, None]
    rows, cols = rows.clip(0, frame.shape[0] - 1), cols.clip(0, frame.shape[1] - 1)
    misfits = np.abs(frame[rows[:, None, :], cols[None, :, :]] - view.light)
    bound = 2 * _OUTLIER * max(float(np.median(misfits.min(axis=(0, 1)))), _LEAST_NOISE)
    costs = np.minimum(misfits, bound).mean(axis=2)
    best = np.unravel_index(int(costs.argmin()), costs.shape)
    return np.asarray(np.rint(around) + away[list(best)])


def _refined(frame: PictureArray, view: _View, start: FloatArray) -> _Fit:
    """Return a shift by least squares along the slopes, points weighted by how well they fit."""
    shift = start
    for _ in range(_REFINEMENTS):
        off = _at(frame, view.places + shift) - view.light
        usual = max(_median(np.abs(off)) / 0.6745, _LEAST_NOISE)
        weighted = view.slopes / (1 + (off / (_OUTLIER * usual)) ** 2)[:, None]
        normal = weighted.T @ view.slopes + np.eye(2) * usual**2
        step = np.linalg.solve(normal, weighted.T @ off).clip(-1, 1)
        shift = shift - step
        if np.abs(step).max() < _SETTLED:
            break
    places, steepness = view.places + shift, np.hypot(*view.slopes.T)
    away = _median(np.abs(_at(frame, places) - view.light) / steepness)
    if away >= view.alike:
        return _Fit(shift, away, shown=0.0)
    ahead = view.slopes / steepness[:, None]
    rise = (_at(frame, places + ahead) - _at(frame, places - ahead)) / 2
    return _Fit(shift, away, shown=float(rise @ steepness / (steepness @ steepness)))


def _median(values: FloatArray) -> float:
    """Return the median, of an even number the upper of the two in the middle; numpy's takes four times as long."""
    middle = len(values) // 2
    return float(np.partition(values, middle)[middle])


def _at(frame: PictureArray, places: FloatArray) -> FloatArray:
    """Return a frame between its points, by linear interpolation; beyond its border, the border."""
    cols = frame.shape[1]
    whole = np.floor(places).astype(int).clip(0, np.array(frame.shape) - 2)
    y, x = (places - whole).clip(0, 1).T
    first, points = whole[:, 0] * cols + whole[:, 1], frame.ravel()
    upper = points.take(first) * (1 - x) + points.take(first + 1) * x
    lower = points.take(first + cols) * (1 - x) + points.take(first + cols + 1) * x
    return np.asarray(upper * (1 - y) + lower * y, dtype=np.float64)


def _moved(frame: PictureArray, shift: FloatArray) -> PictureArray:
    """Return at each point what the frame shows `shift` farther down and right."""
    whole = np.floor(shift).astype(int)
    y, x = (shift - whole).astype(np.float32)
    rows, cols = ((np.arange(size + 1) + by).clip(0, size - 1) for size, by in zip(frame.shape, whole, strict=True))
    wide = frame.take(rows, axis=0).take(cols, axis=1)
    across = wide[:, :-1] * (1 - x) + wide[:, 1:] * x
    return np.asarray(across[:-1] * (1 - y) + across[1:] * y)
