"""Shapes in which light goes from one level to another, and what a shutter that stands open makes of them."""

from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

LIGHT_KINDS: Final = ("step", "decay", "ramp", "swell")
STAIRS: Final = {
    "high stair": ((0.5, 0.9),),
    "low stair": ((0.1, 0.5),),
    "high flight": ((0.5, 0.9), (0.0, 0.4)),
    "low flight": ((0.05, 0.5), (0.0, 0.5)),
    "late flight": ((0.05, 0.4), (0.5, 0.85)),
    "high settling": ((0.5, 0.9),),
    "low settling": ((0.1, 0.5),),
    "high scanned": ((0.5, 0.9),),
    "low scanned": ((0.1, 0.5),),
    "high long scanned": ((0.5, 0.9),),
    "low long scanned": ((0.1, 0.5),),
}
"""Steps one width apart, by what share of the light the first and the third of them take: a display shows in part what
its own camera gathered before a switch, or blends a picture with those before it, and then shows all. Of two steps, a
first one of less than a tenth is what sway makes too."""
FLIGHTS: Final = {"high flight": "high stair", "low flight": "low stair", "late flight": "low stair"}
"""Stairs of three steps, each with the one of two that it looks like where one of them is not seen."""
SOFT: Final = {
    "high settling": "high stair",
    "low settling": "low stair",
    "high scanned": "high stair",
    "low scanned": "low stair",
    "high long scanned": "high stair",
    "low long scanned": "low stair",
}
"""Stairs of two steps that take their time, each with the one whose steps are at once: a display settles by a decay, or
is renewed line by line, over more than half of a refresh or nearly all of it."""
SCANNED: Final = ("high scanned", "low scanned", "high long scanned", "low long scanned")
"""Those whose steps are scanned."""
SUMS: Final = {
    "afterglow": ((0.65, 1.0), (0.35, 5.0)),
    "faint afterglow": ((0.85, 1.0), (0.15, 5.0)),
    "settling": ((2.5, 1.0), (-1.5, 0.6)),
    "stretched": ((0.06, 0.02), (0.34, 0.38), (0.6, 1.79)),
}
"""Sums of decays: shares of the light and time constants in widths. A decay of second order, whose two time constants
are as 1 to 0.6, starts flat; a stretched one, exp(-t^0.72) within 0.006, steeply (least squares)."""
PICTURE_KINDS: Final = (
    *LIGHT_KINDS,
    "round",
    "trail",
    "long trail",
    "afterglow",
    "faint afterglow",
    "settling",
    "stretched",
    *STAIRS,
)
"""Shapes of a change of the light and of its picture, in the order of all arrays over kinds."""

_DECAYED: Final = 9.0  # time constants after which a decay has nothing left to show
_SETTLES: Final = 0.12  # time constant of a step that settles, and
_SCANS: Final = {"scanned": 0.6, "long scanned": 0.9}  # how long one that is scanned takes, in times of a refresh
_TRAILS: Final = {"trail": 0.3, "long trail": 1.0}  # time constants of the decay of each line, in times of a scan
_HALVES: Final = {
    "step": 0.0,
    "decay": float(np.log(2)),
    "trail": 0.777534,
    "long trail": 1.234472,
    "afterglow": 1.089944,
    "faint afterglow": 0.824206,
    "settling": 1.324184,
    "stretched": 0.598174,
    "high stair": 0.0,
    "low stair": 1.0,
    "high flight": 0.0,
    "low flight": 1.0,
    "late flight": 2.0,
    "high settling": 0.15,
    "low settling": 1.04,
    "high scanned": 0.43,
    "low scanned": 1.17,
    "high long scanned": 0.64,
    "low long scanned": 1.26,
}
"""Widths after which shapes are half done; 0.5 for symmetrical ones, not named; later ones by bisection."""


def ended_after(kind: str) -> float:
    """Return after how many widths a shape has nothing left to show."""
    ends = {"step": 0.0, "decay": _DECAYED, **dict.fromkeys(FLIGHTS, 2.0)}
    ends |= {kind: _DECAYED * max(slower for _, slower in parts) for kind, parts in SUMS.items()}
    ends |= {kind: 1 + (_scan_of(kind) or _DECAYED * _SETTLES) for kind in SOFT}
    return ends.get(kind, 1 + _DECAYED * _TRAILS.get(kind, 0.0))


def half_of(kind: str, widths: FloatArray) -> FloatArray:
    """Return when shapes have gone half of their way, in intervals after the onset."""
    return widths * _HALVES.get(kind, 0.5)


def soft_half_of(kind: str, width: float, first: float) -> float:
    """Return when soft stairs have gone half of their way, in intervals after the onset.

    Parameters
    ----------
    kind : str
        One of `SOFT`.
    width : float
        From the first step to the second, in intervals.
    first : float
        Share of the light that the first step takes.
    """
    is_high = SOFT[kind] == "high stair"
    gone = 0.5 / first if is_high else (0.5 - first) / (1 - first)  # of the step that passes half of the light
    gone = min(max(gone, 0.0), 1.0)
    delay = _scan_of(kind) * gone or -_SETTLES * float(np.log(max(1 - gone, 1e-3)))
    return width * (delay if is_high else 1 + delay)


def _scan_of(kind: str) -> float:
    """Return in what share of a refresh a step of soft stairs is scanned; 0 where it settles."""
    return _SCANS.get(kind.split(maxsplit=1)[1], 0.0)


def filmed(kind: str, width: FloatArray, since: FloatArray, open_times: FloatArray) -> FloatArray:
    """Return the mean of a shape over the open times, `since` the times from its onset to when they begin."""
    light = _grown(kind, width, since + open_times)
    light -= _grown(kind, width, since)
    light /= open_times
    return light


def _grown(kind: str, width: FloatArray, since: FloatArray) -> FloatArray:
    """Return the integral of a shape, which goes from 0 to 1, from its onset to `since`; an array of its own."""
    time = np.maximum(since, 0.0)
    if kind in SOFT:
        scan = _scan_of(kind)
        return _ramped(time, scan * width) if scan else _decayed(time, _SETTLES * width)
    if kind == "step" or kind in STAIRS:
        return np.asarray(time)
    if kind == "decay":
        return _decayed(time, width)
    if kind in SUMS:
        return np.asarray(sum(share * _decayed(time, slower * width) for share, slower in SUMS[kind]))
    if kind in _TRAILS:
        return _trailed(time, width, width * _TRAILS[kind])
    if kind == "ramp":
        return _ramped(time, width)
    inside = np.minimum(time, width)
    rest = time - inside
    inside /= width
    if kind == "round":
        rest += width * _round_area(inside)
    else:
        swung = np.sin((np.pi * inside).astype(np.float32))  # a tenth of the time, and within 2e-7
        rest += inside * (width / 2) - width / (2 * np.pi) * swung
    return np.asarray(rest)


def _decayed(time: FloatArray, width: FloatArray) -> FloatArray:
    """Return the integral of a decay, from its onset to `time`."""
    left = np.expm1(time / -width)
    left *= width
    left += time
    return left


def _ramped(time: FloatArray, width: FloatArray) -> FloatArray:
    """Return the integral of a straight ramp, from its onset to `time`."""
    inside = np.minimum(time, width)
    rest = time - inside
    inside /= width
    rest += inside**2 * (width / 2)
    return np.asarray(rest)


def _trailed(time: FloatArray, width: FloatArray, decay: FloatArray) -> FloatArray:
    """Return the integral of a scan whose lines decay: that of a ramp under an exponential."""
    inside = np.minimum(time, width)
    beyond = time - inside
    left = np.expm1(beyond / -decay)
    left -= np.expm1(time / -decay)
    left *= decay**2
    left += inside * (inside / 2 - decay)
    left /= width
    left += beyond
    return left


def _round_area(share: FloatArray) -> FloatArray:
    """Return the integral of the part of a disc that lies above a line, over how far down the line is, 0 to 1."""
    z = 2 * share - 1
    root = np.sqrt(np.maximum(1 - z * z, 0.0))
    return np.asarray((z / 2 + (z * np.arcsin(z.clip(-1, 1)) + root - root * root * root / 3) / np.pi) / 2)
