"""When each frame of a film was shot."""

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

_GAP = 1.5  # intervals from which on a frame is missing
_NEAR_WHOLE = 0.1  # intervals: a gap of so nearly a whole number of intervals is one of dropped frames


def usual_interval(times: FloatArray) -> float:
    """Return the median time between frames, in the unit of `times`."""
    return float(np.median(np.diff(times)))


def frames_missing(times_s: FloatArray) -> npt.NDArray[np.int64]:
    """Return how many frames are missing between each frame and the next by the file's clock, shape (n - 1,)."""
    gaps = np.diff(times_s) / usual_interval(times_s)
    return np.where(gaps > _GAP, np.round(gaps) - 1, 0).astype(np.int64)


def film_times_ms(times_s: FloatArray, frame_rate: float | None) -> tuple[FloatArray, tuple[str, ...]]:
    """Return the time of each frame in milliseconds, and what a person must know of it.

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
    """
    gaps = np.diff(times_s) / usual_interval(times_s)
    skipped = int(frames_missing(times_s).sum())
    warnings = (f"{skipped} frames are missing in the film",) if skipped else ()
    if frame_rate is None:
        return (times_s - times_s[0]) * 1000, warnings
    whole = np.maximum(1.0, np.round(gaps))
    is_regular = bool(np.all(np.abs(gaps - whole) <= _NEAR_WHOLE * whole))
    steps = whole if is_regular else np.ones_like(gaps)
    return np.concatenate([[0.0], np.cumsum(steps)]) * 1000 / frame_rate, warnings if is_regular else ()
