"""When each frame of a film was shot."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

_GAP: Final = 1.5  # intervals from which on a frame is missing
_NEAR_WHOLE: Final = 0.1  # intervals: a gap of so nearly a whole number of intervals is one of dropped frames
_UNEVEN: Final = 0.02  # of an interval, standard deviation
_TICK_MS: Final = 1.0
_WHOLE_MS: Final = 1e-4  # ms: stamps so near to whole milliseconds come from a clock of that step; to halves, if shared
_ROUNDED: Final = 0.8  # ticks by which a rounded or cut stamp may lie off an even film


def usual_interval(times: FloatArray) -> float:
    """Return the median time between frames, in the unit of `times`."""
    return float(np.median(np.diff(times)))


def frames_missing(times_s: FloatArray) -> npt.NDArray[np.int64]:
    """Return how many frames are missing between each frame and the next by the file's clock, shape (n - 1,)."""
    gaps = np.diff(times_s) / usual_interval(times_s)
    return np.where(gaps > _GAP, np.round(gaps) - 1, 0).astype(np.int64)


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnRate:
    """What the file's clock says of its frames.

    Parameters
    ----------
    interval_s : float
        Mean time from one frame to the next, missing ones counted: the median of stamps in whole milliseconds is off.
    missing : ndarray of shape (n - 1,), int
        Frames missing between each frame and the next.
    away : ndarray of shape (n,)
        By how many intervals each frame lies off its number.
    is_uneven : bool
        Whether frames follow one another more unevenly than the rounded stamps of an even film do.
    """

    interval_s: float
    missing: npt.NDArray[np.int64]
    away: FloatArray
    is_uneven: bool


def own_rate(times_s: FloatArray) -> OwnRate:
    """Return how often a file's clock says that frames follow one another."""
    missing = frames_missing(times_s)
    numbers = np.concatenate([[0.0], np.cumsum(missing + 1.0)])
    interval_s = float(times_s[-1] - times_s[0]) / float(numbers[-1])
    away = (times_s - times_s[0]) / interval_s - numbers
    is_rounded = _is_coarse(times_s) and _even(numbers, 1000 * times_s) is not None
    is_uneven = not is_rounded and float(np.std(np.diff(away))) > _UNEVEN
    return OwnRate(interval_s=interval_s, missing=missing, away=away, is_uneven=is_uneven)


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmTimes:
    """When each frame was shot.

    Parameters
    ----------
    times_ms : ndarray of shape (n,)
        From the first frame on.
    tick_ms : float
        By how much each may be rounded: the step of the file's clock, where it matters; 0 where it does not.
    warnings : tuple of str
        What a person must know.
    """

    times_ms: FloatArray
    tick_ms: float
    warnings: tuple[str, ...]


def film_times(times_s: FloatArray, frame_rate: float | None) -> FilmTimes:
    """Return when each frame was shot, by the file's clock or by the rate at which it was shot.

    Parameters
    ----------
    times_s : ndarray of shape (n,)
        The file's own time stamps, rising.
    frame_rate : float or None
        Frames a second at which the film was shot; None trusts the file.

    Notes
    -----
    With a frame rate, the file's clock only says where frames are missing: gaps that are whole multiples of the usual
    interval stay gaps. Where the intervals are irregular beyond that, frames are taken as evenly spaced.

    Some containers keep time in whole milliseconds. Where such stamps are those of an even film, rounded, the even
    times are taken: at 240 frames a second the rounding would shift an edge by an eighth of a frame.
    """
    stamps_ms = (times_s - times_s[0]) * 1000
    is_coarse = _is_coarse(times_s)
    tick_ms = _TICK_MS if is_coarse else 0.0
    in_turn = np.arange(len(times_s), dtype=np.float64)
    is_whole = is_coarse and _even(in_turn, stamps_ms) is not None
    numbers = in_turn if is_whole else _frame_numbers(times_s, tick_ms)
    skipped = 0 if is_whole else int(frames_missing(times_s).sum())
    warnings = (f"{skipped} frames are missing in the film",) if skipped else ()
    if frame_rate is not None:
        if numbers is None:
            return FilmTimes(times_ms=in_turn * 1000 / frame_rate, tick_ms=0.0, warnings=())
        return FilmTimes(times_ms=numbers * 1000 / frame_rate, tick_ms=0.0, warnings=warnings)
    even_ms = _even(numbers, stamps_ms) if is_coarse and numbers is not None else None
    if even_ms is not None:
        return FilmTimes(times_ms=even_ms, tick_ms=0.0, warnings=warnings)
    return FilmTimes(times_ms=stamps_ms, tick_ms=tick_ms, warnings=warnings)


def _is_coarse(times_s: FloatArray) -> bool:
    """Say whether stamps come from a clock of whole milliseconds."""
    return bool(np.all(np.abs(times_s * 2000 - np.round(times_s * 2000)) < 2 * _WHOLE_MS))


def _even(numbers: FloatArray, stamps_ms: FloatArray) -> FloatArray | None:
    """Return the times of an even film that its stamps may be, rounded to whole milliseconds; None where it cannot."""
    slope_ms, offset_ms = np.polyfit(numbers, stamps_ms, 1)
    off = np.abs(slope_ms * numbers + offset_ms - stamps_ms)
    return slope_ms * numbers if float(off.max()) <= _ROUNDED * _TICK_MS else None


def _frame_numbers(times_s: FloatArray, tick_ms: float) -> FloatArray | None:
    """Return the number of each frame, missing ones counted; None where the intervals are no whole multiples."""
    gaps_s, tick_s = np.diff(times_s), tick_ms / 1000
    median_s = usual_interval(times_s)
    is_usual = np.abs(gaps_s - median_s) <= (1 + _WHOLE_MS) * tick_s
    usual_s = float(gaps_s[is_usual].mean()) if is_usual.any() else median_s
    gaps = gaps_s / usual_s
    whole = np.maximum(1.0, np.round(gaps))
    if np.any(np.abs(gaps - whole) > _NEAR_WHOLE * whole + tick_s / usual_s):
        return None
    return np.concatenate([[0.0], np.cumsum(whole)])
