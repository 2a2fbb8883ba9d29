"""What a log adds up to until a crossing, with the doubt of noise, gaps and pulses."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.discharge.crossings import Crossing
from inspect_app.numerics.discharge.lasting_falls import scatter

FloatArray = npt.NDArray[np.float64]

_GAP: Final = 5.0  # usual intervals between two rows that are a gap
_CLEAR: Final = 8.0  # scatters by which a row stands out,
_PULSE: Final = 0.01  # and of the largest value, at least
_STEEPER: Final = 3.0  # times the change beside it: a step


@dataclass(frozen=True, slots=True, kw_only=True)
class Integral:
    """A rate added up to a crossing, the rate there, and the standard uncertainties of the sum."""

    value: float
    rate_at_end: float
    from_noise: float
    from_gaps: float


def integral_to(times_s: FloatArray, rate: FloatArray, crossing: Crossing) -> Integral:
    """Add up a rate from the first row to a crossing by the trapezoid rule.

    Notes
    -----
    The doubt of the path between rows is the difference to the sum over every other row, a third of which is the
    error of the trapezoid rule where the rate is smooth; across gaps longer than five usual intervals it is half the
    change of rate, rectangular, and so it is where the rate steps between two rows. A row that stands out alone is a
    pulse that lasted from no time to two intervals, rectangular about the one that the rule gives it.
    """
    last = int(np.searchsorted(times_s, crossing.time_s))
    end = float(np.interp(crossing.time_s, times_s, rate))
    t = np.append(times_s[:last], crossing.time_s)
    y = np.append(rate[:last], end)
    steps = np.diff(t)
    value = float(np.trapezoid(y, t))
    usual = float(np.median(steps)) if steps.size else 0.0
    gaps = steps > _GAP * usual
    noise = scatter(times_s, rate, last)
    jumps = (np.abs(np.diff(y)) / 2 * steps / 3**0.5)[gaps | _are_steps(y, noise)]
    thinned = float(np.trapezoid(np.append(y[:-1:2], y[-1]), np.append(t[:-1:2], t[-1])))
    pulses = _pulses(t, y, noise) / 3**0.5
    return Integral(
        value=value,
        rate_at_end=end,
        from_noise=noise * float(np.sqrt(steps @ steps)),
        from_gaps=float(
            np.linalg.norm(np.concatenate([jumps, pulses, [0.0 if gaps.any() else (value - thinned) / 3]]))
        ),
    )


def _are_steps(values: FloatArray, noise: float) -> npt.NDArray[np.bool_]:
    """Say between which values the rate steps, far more than beside them: the load changed, at no known moment."""
    change = np.abs(np.diff(values))
    beside = np.maximum(np.append(0.0, change[:-1]), np.append(change[1:], 0.0))
    return np.asarray(change > np.maximum(_STEEPER * beside, max(_CLEAR * noise, _PULSE * float(np.abs(values).max()))))


def _pulses(times_s: FloatArray, values: FloatArray, noise: float) -> FloatArray:
    """Return what the trapezoid rule adds for each row that stands out from both of its neighbours, which agree."""
    if len(values) < 3:
        return np.empty(0)
    before, here, after = values[:-2], values[1:-1], values[2:]
    off = here - (before + after) / 2
    least = np.maximum(_CLEAR * noise, _PULSE * np.abs(values).max())
    alone = (np.abs(off) > least) & (np.abs(after - before) < np.abs(off) / 2)
    return np.asarray((off * (times_s[2:] - times_s[:-2]) / 2)[alone], dtype=np.float64)
