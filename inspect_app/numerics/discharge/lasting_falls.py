"""Whether and where readings fall below a level to stay: dips, noise and rests told from the end of a battery."""

import math
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

LASTING_ROWS: Final = 3
LASTING_S: Final = 10.0
"""A dip shorter than either is a pulse of the load, not the end (common practice, no source)."""

_OFF: Final = 0.05  # of the usual current: less is a load that is gone
_MEDIAN_ROWS: Final = (1, 5, 11, 21, 41)  # over which a crossing is sought
_MEDIAN_FALL: Final = 3.0  # scatters of a mean of so many rows, by which they fall there
_MOST_ROWS: Final = 200_000  # that are worth medians: in longer logs they take as long as the parsing
_BACK: Final = 0.25  # of its depth, within which a pulse comes back to where it began
_LEVEL: Final = 0.05  # of its depth, by which the values fell in the row before a pulse, at most
SCATTER_ROWS: Final = 400


def first_row_below(times_s: FloatArray, values: FloatArray, level: float, current: FloatArray | None) -> int | None:
    """Return the first row below a lasting crossing, over medians of as few rows as show a fall above noise.

    Parameters
    ----------
    times_s, values : ndarray of shape (n,)
    level : float
    current : ndarray of shape (n,), optional
        Tells when the load is gone: rows after that are no fall.

    Returns
    -------
    int or None
        None where the values never stay below.
    """
    alive = len(values) if current is None else last_loaded(current)
    noise = scatter(times_s, values, alive)
    for rows in _MEDIAN_ROWS if alive <= _MOST_ROWS else ():
        smooth = np.concatenate([ndimage.median_filter(values[:alive], rows, mode="nearest"), values[alive:]])
        found = _first_lasting(times_s, smooth < level, smooth, current)
        if found:
            after = min(rows, 1 + int(np.flatnonzero(smooth < level)[-1]) - found)  # not what it recovers to
            fall = float(smooth[max(0, found - rows) : found].mean() - smooth[found : found + after].mean())
            if fall >= _MEDIAN_FALL * noise / math.sqrt(rows):
                crossed = 1 + np.flatnonzero((values[:-1] >= level) & (values[1:] < level))
                return int(crossed[np.abs(crossed - found).argmin()])
    found = _first_lasting(times_s, values < level, values, current)
    is_dead = found is None and 0 < alive < len(values) and bool((values[alive:] < level).all())
    return alive if is_dead else found


def _first_lasting(times_s: FloatArray, below: BoolArray, values: FloatArray, current: FloatArray | None) -> int | None:
    alive = len(below) if current is None else last_loaded(current)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], below, [False]]).astype(np.int8)))
    starts, stops = edges[::2], edges[1::2]
    starts, stops = starts[starts < alive], stops[starts < alive]
    if not len(starts):
        return None
    lasts = (stops - starts >= LASTING_ROWS) & (times_s[stops - 1] - times_s[starts] >= LASTING_S)
    lasts |= stops >= alive
    is_end = not _falls_on(times_s[stops[-1] :], values[stops[-1] :])
    lasts[-1] |= is_end and not _is_pulse(values, int(starts[-1]), int(stops[-1]))
    return int(starts[lasts.argmax()]) if lasts.any() else None


def last_loaded(current: FloatArray) -> int:
    """Return the number of rows up to the last one under load."""
    loaded = np.flatnonzero(current > _OFF * np.median(np.abs(current)))
    return int(loaded[-1]) + 1 if loaded.size else len(current)


def _is_pulse(values: FloatArray, start: int, stop: int) -> bool:
    """Say whether values fall out of a level stretch and come back to it: the load's doing, not the battery's end."""
    if start < 2 or stop >= len(values):
        return False
    earlier, before, after = (float(values[row]) for row in (start - 2, start - 1, stop))
    depth = (before + after) / 2 - float(values[start:stop].min())
    return abs(after - before) < _BACK * depth and earlier - before < _LEVEL * depth


def _falls_on(times_s: FloatArray, values: FloatArray) -> bool:
    """Say whether values go on falling after a dip, as under load, rather than rest after shutdown."""
    if len(values) < LASTING_ROWS:
        return False
    third = max(1, len(values) // 3)
    noise = scatter(times_s, values, len(values))
    fallen = float(values[:third].mean()) - float(values[-third:].mean())
    return fallen > 4 * noise / math.sqrt(third)


def scatter(times_s: FloatArray, values: FloatArray, near: int) -> float:
    """Return the scatter of readings about a smooth path, from the rows before a row: each against its neighbours.

    Parameters
    ----------
    times_s, values : ndarray of shape (n,)
    near : int
        The row; as many as 400 before it are looked at, and fewer than 5 show none.

    Returns
    -------
    float
        A standard deviation, robust against single rows.
    """
    t, y = times_s[max(0, near - SCATTER_ROWS) : near], values[max(0, near - SCATTER_ROWS) : near]
    if len(y) < 5:
        return 0.0
    span = t[2:] - t[:-2]
    share = np.divide(t[1:-1] - t[:-2], span, out=np.full_like(span, 0.5), where=span > 0)
    off = y[1:-1] - (y[:-2] * (1 - share) + y[2:] * share)
    size = np.sqrt(1 + (1 - share) ** 2 + share**2)
    return float(np.median(np.abs(off / size)) / 0.6745)
