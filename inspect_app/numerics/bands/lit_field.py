"""The rectangle of a picture that light reaches: inside of a round field, or of a dark frame."""

import heapq
from dataclasses import dataclass
from typing import Final, TypeVar

import numpy as np
import numpy.typing as npt
from scipy import optimize

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
_Pixel = TypeVar("_Pixel", bound=np.generic)

_OVERVIEW_PX: Final = 96  # longest side of the reduced picture in which a disc is sought
_LEAST_SIDE: Final = 4  # of it; in a strip that is narrower no disc is told
_MIDDLES: Final = np.linspace(0.3, 0.7, 7)  # of width and height: where the middle of a disc is tried,
_RADII: Final = np.geomspace(0.12, 0.75, 20)  # of the diagonal: and how large it is
_STARTS: Final = 3  # of those, from which it is fitted
_FINEST_PX, _MOST_LOOKS = 0.05, 150  # cells of the overview, in that fit
_BEYOND: Final = (0.01, 0.95)  # of the picture lies beyond a disc
_CORNER: Final = 6  # cells of the overview, from which on what lies beyond in a quarter of it must be dark;
_CORNERS: Final = 2  # in so many at least
_LEAST_LIT: Final = 0.03  # of the variance of light over rows is in those with corners, or they tell nothing
_ROWS: Final = 4  # of the overview, in which a change is seen
_UNLIT: Final = 0.3  # of the change of light from row to row is seen where light does not reach, at most
_SURE: Final = 4.0  # standard deviations by which that is less than all of it, and by which a step is no chance
_UNEVEN: Final = 0.1  # of the light, by which what lies beyond a border is not even, at most
_MEDIAN_SQUARE: Final = 0.455  # of a normal variable, over its mean
_INSET: Final = 0.03  # of the radius, that a border may be blurred or off
_LONGER: Final = 3.0  # power of the length of a rectangle that counts as much as its width, for a period
_WIDEST: Final = 0.12  # of the side: a frame
_FAINT: Final = 0.5  # of the light: a frame is darker
_DARK: Final = 0.35  # of the usual change of the light, that is seen in a frame at most
_MOST_NOISE: Final = 0.4  # of a column's share, with which no frame is told
_BESIDE_PX: Final = 6  # columns beside a frame, at least, that are not dark
_CLEAR_PX: Final = 3  # inside of a frame that its border is blurred over
_LEAST_END, _ENDS = 3, 60  # rows at an end, and ends in the picture, at which all is dark
_PARTS: Final = 8  # of a row, each of which must be lit,
_WHOLE: Final = 0.8  # by so much of its usual share of the row's light
_TURNS: Final = 3  # of flashes begin or end, so that the light between them is seen


@dataclass(frozen=True, slots=True)
class LitField:
    """Rows and columns of the rectangle that is lit, and whether a round border bounds it."""

    rows: slice
    cols: slice
    is_round: bool = False

    @property
    def height(self) -> int:
        """Return how many rows are lit."""
        return int(self.rows.stop - self.rows.start)

    def of(self, picture: npt.NDArray[_Pixel]) -> npt.NDArray[_Pixel]:
        """Return that part of a picture."""
        return picture[self.rows, self.cols]


def lit_field(picture: FloatArray) -> LitField:
    """Find the rectangle of a picture that light reaches which changes from row to row.

    Parameters
    ----------
    picture : ndarray of shape (rows, cols)
        Proportional to exposure, or on a black level.

    Returns
    -------
    LitField
        All of it where nothing is dark beyond a round border, or a frame.

    Notes
    -----
    A strobe's light is missing beyond the border of a tube's field, so means of whole rows fall off there as no lens
    makes them. A disc is sought in which each row has a light of its own, and beyond which there is one darkness: where
    the sum of squares of the rest is least. It is one where the change of the light from row to row is missing in at
    least two corners, and what lies there is even: a lens that lets light fall off, a texture, and things that stand
    in corners leave some of both. While three were asked, the arc in which a field ends at one side alone was taken for
    light that bands share (1.7 bands off by 6.4 u); of 220 others, 44 of them round, six discs more are found with
    two, all of them there. In a disc the rectangle is taken for which the cube of its height times its width is
    the largest, as for the period of bands in noise. With the sixth or the twelfth power, u was too small (of 26
    pictures 92 and 88 in 100 held, not 100), and nearly as many with one to two bands were refused (4 and 3 of 8).

    A frame is dark in columns at both sides, by the change of the light as well; rows at the top and the bottom are
    then taken for its where they are darker than the next ones by half, be it for a frame or for a band: what lies
    within is lit either way.

    Of 60 round fields in which 2.3 to 7 bands are seen, 43 were refused and three off by 4 to 80 u when whole rows were
    averaged; now two are refused, and 97 of 100 held, none off by 3 u. Of 14 with a dark frame one was refused and two
    off by 4 and 36 u; now none. Breaks down for a border that is cut off at more than two corners, a field that is no
    circle, and a frame at one side alone: all of it is taken then, but for dark ends.
    """
    disc = _disc(picture)
    return _framed(picture) if disc is None else _within(picture.shape, *disc)


def _framed(picture: FloatArray) -> LitField:
    """Return what lies within a frame that is dark at both sides; all of the picture without one."""
    rows, cols = picture.shape
    left, right, black = _sides(picture)
    if not left or not right:
        return LitField(_between_dark_ends(picture), slice(0, cols))
    inner = picture[:, left : cols - right].mean(axis=1) - black
    return LitField(slice(_dark_end(inner), rows - _dark_end(inner[::-1])), slice(left, cols - right))


def _between_dark_ends(picture: FloatArray) -> slice:
    """Return the rows clear of dark ends: all, unless whole rows there have half of the light between flashes or less.

    From such an end on, rows count from where every part of them is as bright beside the others as it is elsewhere. Of
    60 pictures of 8 to 16 bands whose field ends in an arc within the picture, 28 were refused and nine off by 3 u or
    more, three of them taken for half as many bands; now none is refused, and none off by 3 u.
    """
    rows, cols = picture.shape
    every = slice(0, rows)
    end = max(_LEAST_END, rows // _ENDS)
    if rows < _LEAST_END * _ENDS or cols < _PARTS:
        return every
    parts = np.stack([part.mean(axis=1) for part in np.array_split(picture, _PARTS, axis=1)], axis=1)
    inner = parts[rows // 6 : -rows // 6]
    between, flash = np.quantile(inner.mean(axis=1), (0.1, 0.9))
    if np.count_nonzero(np.diff(inner.mean(axis=1) > (between + flash) / 2)) < _TURNS:
        return every
    floor = np.quantile(inner, 0.1, axis=0)
    is_dark = [bool((ends.mean(axis=0) < _FAINT * floor).all()) for ends in (parts[:end], parts[-end:])]
    if not any(is_dark):
        return every
    black = min(float(parts[:end].mean()), float(parts[-end:].mean()))
    share = (parts - black) / np.maximum(parts.mean(axis=1, keepdims=True) - black, 1e-9)
    is_lit = parts > black + _FAINT * (floor - black)
    is_whole = (is_lit & (share > _WHOLE * np.median(share, axis=0))).all(axis=1)
    held = np.flatnonzero(np.convolve(is_whole, np.ones(end), "valid") > end - 0.5)
    if not held.size or held[-1] + end - held[0] < rows / 2:
        return every
    return slice(int(held[0]) if is_dark[0] else 0, int(held[-1]) + end if is_dark[1] else rows)


def _disc(picture: FloatArray) -> tuple[float, float, float] | None:
    """Return middle (row, column) and radius of a disc beyond which there is no light; None without one."""
    factor = max(1, -(-max(picture.shape) // _OVERVIEW_PX))
    height, width = (side // factor for side in picture.shape)
    if min(height, width) < _LEAST_SIDE:
        return None
    small = picture[: height * factor, : width * factor].reshape(height, factor, width, factor).mean(axis=(1, 3))
    down, across = np.mgrid[:height, :width] + 0.5
    diagonal = float(np.hypot(height, width))

    def rest(disc: FloatArray) -> float:
        row, col, radius = disc
        weight = np.clip(radius - np.hypot(down - row, across - col) + 0.5, 0.0, 1.0)
        return _rest(small, weight)

    tried = (
        np.array([row * height, col * width, radius * diagonal])
        for row in _MIDDLES
        for col in _MIDDLES
        for radius in _RADII
    )
    starts = heapq.nsmallest(_STARTS, tried, key=rest)
    fits = [
        optimize.minimize(rest, each, method="Nelder-Mead", options={"xatol": _FINEST_PX, "maxfev": _MOST_LOOKS})
        for each in starts
    ]
    found = min(fits, key=lambda fit: float(fit.fun)).x
    is_beyond = np.asarray(np.hypot(down - found[0], across - found[1]) > found[2] + 1.0, dtype=np.bool_)
    if not _is_dark_beyond(small, is_beyond):
        return None
    return float(found[0] * factor), float(found[1] * factor), float(found[2] * factor)


def _rest(picture: FloatArray, weight: FloatArray) -> float:
    """Return the sum of squares that is left by a light for each row, as far as `weight` goes, and one darkness."""
    beyond = 1 - weight
    black = float((picture * beyond).sum() / max(float(beyond.sum()), 1.0))
    own = (weight * (picture - black)).sum(axis=1) / np.maximum((weight**2).sum(axis=1), 1e-9)
    return float(np.square(picture - black - own[:, None] * weight).sum())


def _is_dark_beyond(picture: FloatArray, is_beyond: BoolArray) -> bool:
    """Say whether light that changes from row to row is missing beyond a border: in all of it, and in each corner."""
    if not _BEYOND[0] <= float(is_beyond.mean()) <= _BEYOND[1] or not _is_flat(picture, is_beyond):
        return False
    lit_cells = (~is_beyond).sum(axis=1)
    inner = np.where(is_beyond, 0.0, picture).sum(axis=1) / np.maximum(lit_cells, 1)
    cells: BoolArray = is_beyond & np.greater(lit_cells, 0)[:, None]
    corners = [
        _changes(picture[half, side], cells[half, side], inner[half])
        for half in _halves(picture.shape[0])
        for side in _halves(picture.shape[1])
        if is_beyond[half, side].sum() >= _CORNER
    ]
    if len(corners) < _CORNERS or not any(len(light) for light, *_ in corners):
        return False
    for corner in corners:
        share, scatter = _share(*corner)
        if len(corner[0]) >= _ROWS and share - _SURE / 2 * scatter > _UNLIT:
            return False
    light, dark, weight = (np.concatenate(parts) for parts in zip(*corners, strict=True))
    share, scatter = _share(light, dark, weight)
    is_lit = float(np.average(light**2, weights=weight)) > _LEAST_LIT * float(np.var(inner[lit_cells > 0]))
    return is_lit and share < _UNLIT and 1 - share > _SURE * scatter


def _halves(length: int) -> tuple[slice, slice]:
    return slice(0, length // 2), slice(length // 2, length)


def _changes(picture: FloatArray, chosen: BoolArray, light: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the light of rows and of chosen cells in them, about their means, and how many cells are in each row."""
    count = chosen.sum(axis=1).astype(np.float64)
    own = count > 0
    if not own.any():
        return np.empty(0), np.empty(0), np.empty(0)
    seen, other, weight = light[own], np.where(chosen, picture, 0.0).sum(axis=1)[own] / count[own], count[own]
    return seen - np.average(seen, weights=weight), other - np.average(other, weights=weight), weight


def _is_flat(picture: FloatArray, is_beyond: BoolArray) -> bool:
    """Say whether what lies beyond a border differs by little more than noise: it is dark, and shows no texture."""
    beyond = picture[is_beyond]
    light = float(picture[~is_beyond].mean()) - float(beyond.mean())
    are_both = is_beyond[:, 1:] & is_beyond[:, :-1]
    if not are_both.any():
        return False
    noise = float(np.median(np.diff(picture, axis=1)[are_both] ** 2)) / (2 * _MEDIAN_SQUARE)
    chance = _SURE * noise * float(np.sqrt(2 / len(beyond)))
    return light > 0 and float(np.var(beyond)) - noise < (_UNEVEN * light) ** 2 + chance


def _share(light: FloatArray, other: FloatArray, weight: FloatArray) -> tuple[float, float]:
    """Return the slope of other values over the light, both about their means, and its standard deviation."""
    power = max(float(weight @ light**2), 1e-30)
    slope = float((weight * light) @ other) / power
    rest = other - slope * light
    return slope, float(np.sqrt(weight @ rest**2 / max(len(rest) - 2, 1) / power))


def _within(shape: tuple[int, ...], row: float, col: float, radius: float) -> LitField:
    """Return the best rectangle in a disc and the picture."""
    inset = radius * (1 - _INSET)
    best, most = LitField(slice(0, shape[0]), slice(0, shape[1])), -1.0
    for half in inset * np.linspace(0.3, 0.99, 70):
        wide = float(np.sqrt(inset**2 - half**2))
        top, bottom = max(0, int(np.ceil(row - half))), min(shape[0], int(row + half))
        left, right = max(0, int(np.ceil(col - wide))), min(shape[1], int(col + wide))
        worth = float(max(bottom - top, 0)) ** _LONGER * max(right - left, 0)
        if worth > most:
            best, most = LitField(slice(top, bottom), slice(left, right), is_round=True), worth
    return best


def _sides(picture: FloatArray) -> tuple[int, int, float]:
    """Return how many columns to the left and to the right are a dark frame, and the black level."""
    cols = picture.shape[1]
    reach = int(_WIDEST * cols)
    middle = picture[:, reach : cols - reach].mean(axis=1)
    away = middle - middle.mean()
    shares = away @ picture / max(float(away @ away), 1e-30)
    usual = float(np.median(shares))
    noise = float(np.median(np.abs(np.diff(shares)))) / 0.95
    if usual <= 0 or noise > _MOST_NOISE * usual:
        return 0, 0, 0.0
    left, right = _dark_end(shares), _dark_end(shares[::-1])
    if not left or not right:
        return 0, 0, 0.0
    dark = np.concatenate([picture[:, : left - _CLEAR_PX], picture[:, cols - right + _CLEAR_PX :]], axis=1)
    share = float(np.mean(away @ dark)) / max(float(away @ away), 1e-30)
    if share > _DARK * usual:
        return 0, 0, 0.0
    return left, right, (float(dark.mean()) - share * float(middle.mean())) / (1 - share)


def _dark_end(values: FloatArray) -> int:
    """Return how many values at the beginning are less than half of the next, and some more: the surest step is taken.

    0 where none are.
    """
    best, most = 0, _SURE
    for dark in range(2, int(_WIDEST * len(values))):
        first, beside = values[:dark], values[dark : dark + max(_BESIDE_PX, dark // 2)]
        step = float(beside.mean() - first.mean())
        scatter = float(np.sqrt(first.var() / len(first) + beside.var() / len(beside)))
        if step > most * scatter and float(first.mean()) < _FAINT * float(beside.mean()):
            best, most = dark, step / max(scatter, 1e-30)
    return best + _CLEAR_PX if best else 0
