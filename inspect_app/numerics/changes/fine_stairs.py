"""The two steps of a display, in a trace so fine that each of them is located by itself."""

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import special

from inspect_app.numerics.changes.change_shapes import LIGHT_KINDS, SCANNED, SOFT, STAIRS
from inspect_app.numerics.changes.lags import PICTURE_PRIOR
from inspect_app.numerics.changes.slow_changes import Around, gathered
from inspect_app.numerics.changes.transitions import Located, locate

FloatArray = npt.NDArray[np.float64]

_PAIRS: Final = tuple(kind for kind, shares in STAIRS.items() if len(shares) == 1)
_COARSE: Final = 24.0  # samples that the longest refresh takes, where stairs are told from other shapes,
_FINE: Final = 400.0  # and at most where the two steps are looked for
_LIKELY: Final = 0.9  # probability of stairs,
_SCANNED: Final = 0.5  # and of scanned ones: those are no steps
_FEWEST: Final = 8  # samples that tell a step
_STEP_PRIOR: Final = (0.7, 0.14, 0.08, 0.08)
"""Of the kinds of one step, in the order of `LIGHT_KINDS`, about as for pictures."""


def locate_fine_stairs(around: Around, kinds: Sequence[str], refresh: tuple[float, float]) -> Located | None:
    """Locate the two steps of a display; None where samples are no small part of a refresh, or no stairs are seen.

    Parameters
    ----------
    around : Around
        Samples around one change.
    kinds : sequence of str
        Shapes that the change may have, `PICTURE_KINDS`.
    refresh : tuple of float
        Shortest and longest time that a display may show one picture, in the unit of the trace's times.

    Returns
    -------
    Located or None
        As of `inspect_app.numerics.changes.transitions.locate`: the instants of stairs from each step by itself, all
        others and the evidence of kinds from means of samples; all of it where steps are scanned.

    Notes
    -----
    Whether a change is a pair of steps is told from means of samples: the 40 single ones looked at before a change do
    not reach back to a step 16 ms before. The two steps are those of the three levels that fit best (least squares,
    over all pairs a refresh apart). Each is then fitted alone, between the middle of the plateau and the level on its
    other side. Onset: that of the first; half: when the step that passes half of the swing has gone as far as that.

    100 logs of 0.1 to 1 ms a row, pure steps: first changes came within 0.43 rows (p90) and were held 98 of 100, halves
    0.49 and 97; fitted in one piece, 33 rows and 84, 0.55 and 93. Steps that settle by a decay of 0.5 to 4 ms: held 26
    and 20 of 30 instead of 17 and 12.

    Steps that are scanned line by line are no steps: where the means tell of them, what they tell is all. 40 logs with
    scans of half to nearly all of a refresh: first changes came within 0.72 ms (p90) and were held 95 of 100, halves
    0.64 and 95; each step by itself, 1.3 and 70, 3.8 and 50.
    """
    if refresh[1] <= _COARSE * around.interval:
        return None
    seen = locate(*gathered(around, refresh[1] / _COARSE), kinds=kinds, refresh=refresh)
    told = special.softmax(special.logsumexp(seen.log_evidence, axis=0) + np.log(PICTURE_PRIOR))
    if told[[kind in _PAIRS for kind in kinds]].sum() < _LIKELY:
        return None
    if told[[kind in SCANNED for kind in kinds]].sum() > _SCANNED:
        return seen
    first, second = _pair(around, refresh)
    middle = (first + second) // 2
    before, after = _alone(around, slice(0, middle)), _alone(around, slice(middle, None))
    if before is None or after is None:
        return None
    share, doubt = _first_share(around.values, first, second)
    evidence = seen.log_evidence + (_of_shutters(before) + _of_shutters(after))[:, None]
    both = special.logsumexp(evidence[:, [kinds.index(kind) for kind in _PAIRS]], axis=1)
    is_high = float(special.ndtr((share - 0.5) / doubt))
    found = Located(
        onset=seen.onset.copy(),
        half=seen.half.copy(),
        onset_sd=seen.onset_sd.copy(),
        half_sd=seen.half_sd.copy(),
        log_evidence=evidence,
    )
    for kind, chance, half in (
        ("high stair", is_high, _gone(before, 0.5 / max(share, 0.5))),
        ("low stair", 1 - is_high, _gone(after, 1 - 0.5 / max(1 - share, 0.5))),
    ):
        column = kinds.index(kind)
        found.onset[:, column], found.onset_sd[:, column] = _gone(before, 0.0)
        found.half[:, column], found.half_sd[:, column] = half
        evidence[:, column] = both + np.log(max(chance, 1e-12))
    evidence[:, [kinds.index(kind) for kind in SOFT]] = -np.inf
    return found


def _pair(around: Around, refresh: tuple[float, float]) -> tuple[int, int]:
    """Return the samples with which the second and the third of three levels begin, that fit best."""
    grouped = max(1, int(np.ceil(refresh[1] / _FINE / around.interval)))
    reach = int(refresh[1] / around.interval) + grouped
    start, stop = max(0, around.near - 2 * reach), min(len(around.values), around.near + 2 * reach)
    count = (stop - start) // grouped
    means = around.values[start : start + count * grouped].reshape(count, grouped).mean(axis=1)
    sums = np.concatenate([[0.0], np.cumsum(means - means.mean())])
    apart = np.arange(*(max(1, int(each / around.interval / grouped)) for each in refresh))
    near, far = (around.near - start) // grouped, reach // grouped
    firsts = np.arange(max(1, near - far), max(2, min(count - 1, near + far)))[:, None]
    seconds = firsts + apart
    inside = seconds < count
    seconds = np.minimum(seconds, count - 1)
    told = (
        sums[firsts] ** 2 / firsts
        + (sums[seconds] - sums[firsts]) ** 2 / np.maximum(seconds - firsts, 1)
        + sums[seconds] ** 2 / (count - seconds)
    )
    row, col = np.unravel_index(int(np.where(inside, told, -np.inf).argmax()), told.shape)
    return start + int(firsts[row, 0]) * grouped, start + int(seconds[row, col]) * grouped


def _alone(around: Around, part: slice) -> Located | None:
    """Locate the one step in a part of the samples; None where that is too short."""
    values = around.values[part]
    if len(values) < _FEWEST:
        return None
    sums, count = np.concatenate([[0.0], np.cumsum(values - values.mean())]), len(values)
    numbers = np.arange(3, count - 3)
    step = 3 + int((sums[numbers] ** 2 / (numbers * (count - numbers))).argmax())
    own = Around(around.times[part], values, step, around.interval, around.opened[:, part])
    return locate(*gathered(own), kinds=LIGHT_KINDS)


def _first_share(values: FloatArray, first: int, second: int) -> tuple[float, float]:
    """Return the share of the swing that the first step takes, and its standard uncertainty."""
    width = second - first
    spans = (
        values[max(0, first - 2 * width) : max(1, first - 1)],
        values[first + width // 2 : max(second - 1, first + width // 2 + 1)],
        values[min(second + width // 2, len(values) - 1) : second + 3 * width],
    )
    low, plateau, high = (float(span.mean()) for span in spans)
    variance = sum(float(span.var()) / len(span) for span in spans)
    swing = high - low or np.inf
    return (plateau - low) / swing, max(variance**0.5 / abs(swing), 1e-6)


def _of_shutters(step: Located) -> FloatArray:
    """Return the log evidence of shutters, shape (shutters,), of the likeliest 0."""
    told = special.logsumexp(step.log_evidence + np.log(_STEP_PRIOR), axis=1)
    return np.asarray(told - told.max())


def _gone(step: Located, share: float) -> tuple[FloatArray, FloatArray]:
    """Return when a step has gone a share of its way, and its standard deviation, over its kinds; shape (shutters,)."""
    weights = special.softmax(step.log_evidence + np.log(_STEP_PRIOR), axis=1)
    # how many times as late as its half: a decay, a ramp, a swell
    later = np.array([0.0, -np.log(max(1 - share, 1e-3)) / np.log(2), 2 * share, 2 * np.arccos(1 - 2 * share) / np.pi])
    at = step.onset + later * (step.half - step.onset)
    sd = step.onset_sd + np.minimum(later, 1.0) * (step.half_sd - step.onset_sd)
    mean = (weights * at).sum(axis=1)
    return mean, np.sqrt((weights * (sd**2 + (at - mean[:, None]) ** 2)).sum(axis=1))
