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
_LENGTHS, _STRETCHES = 16, 20_000  # of gaps, and of stretches as long, that are looked at, at most


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
    The doubt of the path between rows is the difference to the sum over every other row, a third of which is the error
    of the trapezoid rule where the rate is smooth. Across a gap longer than five usual intervals it is what the same
    straight line misses, rms, over stretches as long elsewhere in the log. Where the rate steps between two rows, or
    changes across a gap by more than three times what it does over those stretches, it is half the change, rectangular;
    where the log has no such stretch, too. Breaks down where the rate does within a gap what it does nowhere else. Half
    the change alone, for every gap, lost (`_missed`). A row that stands out alone is a pulse that lasted from no time
    to two intervals, rectangular about the one that the rule gives it.
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
    jumps = np.abs(np.diff(y)) / 2 * steps / 3**0.5
    jumps = np.append(jumps[_are_steps(y, noise) & ~gaps], _missed(t, y, gaps, noise, jumps[gaps]))
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


def _missed(
    times_s: FloatArray, values: FloatArray, gaps: npt.NDArray[np.bool_], noise: float, unseen: FloatArray
) -> FloatArray:
    """Return what a straight line across each gap misses, by stretches as long elsewhere; noise is told apart.

    In 23 own draws with gaps, half the change of rate alone left the charge of four, under a load that waves by
    20 %, off by 2.8 to 9.5 u; so it is within 2 u in all. Over 20 others rms(error/u) went from 0.70 to 0.86.
    """
    spans, changes = np.diff(times_s)[gaps], np.abs(np.diff(values))[gaps]
    if not spans.size:
        return spans
    sums = np.append(0.0, np.cumsum(np.diff(times_s) * (values[1:] + values[:-1]) / 2))
    passed = np.append(0, np.cumsum(gaps))
    starts = np.arange(0, len(times_s), 1 + len(times_s) // _STRETCHES)
    lengths = np.unique(np.quantile(spans, np.linspace(0, 1, _LENGTHS), method="nearest"))
    found = np.array([_of_stretches(times_s, values, sums, passed, starts, length) for length in lengths])
    missed, changed = (np.interp(spans, lengths, column) for column in found.T)
    own = spans * np.sqrt(np.maximum(missed**2 - noise**2 / 2, 0.0))
    is_told = changes <= _STEEPER * changed  # never where there was no stretch
    return np.asarray(np.where(is_told, own, np.maximum(unseen, np.nan_to_num(own))), dtype=np.float64)


def _of_stretches(
    times_s: FloatArray,
    values: FloatArray,
    sums: FloatArray,
    passed: npt.NDArray[np.int64],
    starts: npt.NDArray[np.int64],
    length_s: float,
) -> tuple[float, float]:
    """Return, rms over stretches of a length without a gap, mean less mean of the ends, and change between the ends."""
    stops = np.searchsorted(times_s, times_s[starts] + length_s)
    starts, stops = starts[stops < len(times_s)], stops[stops < len(times_s)]
    whole = passed[stops] == passed[starts]
    starts, stops = starts[whole], stops[whole]
    if not starts.size:
        return np.nan, np.nan
    took_s = times_s[stops] - times_s[starts]
    off = (sums[stops] - sums[starts]) / took_s - (values[stops] + values[starts]) / 2
    few = 1 + length_s / float(np.ptp(times_s[np.append(starts, stops)]))  # stretches that overlap tell less
    return float(np.sqrt(np.mean(off**2) * few)), float(np.sqrt(np.mean((values[stops] - values[starts]) ** 2)))


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
