"""Things that switch: the moments at which a trace changes level, and the patches of a film that do."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import ndimage, sparse

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
CellArray = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.intp]

_SMOOTHINGS: Final = (1, 3, 5, 9, 17)  # samples averaged before levels are compared
_CLEAR: Final = 8.0  # swing over scatter that chance does not reach in ten thousand samples
_SLIPS: Final = (0.35, 0.65)  # hysteresis, as shares of the swing
_UNCLEAR: Final = 0.005  # share of the variance that coding leaves in the clearest light
_LIVELY: Final = 3.0  # times the usual scatter of a cell by which a blinking one stands out
_AS_ONE: Final = 0.3  # of the energy of its cells, that of a patch which changes as one
_TOUCHING: Final = np.ones((3, 3), dtype=np.bool_)  # cells that are neighbours
_SET_ASIDE: Final = 4  # patches that do not, before the strongest of them is taken
_LEAST_CODES: Final = 2.0  # smaller swings are flicker of the coding
_MOST_PATCHES: Final = 40  # looked at one by one, the strongest first
_FAINTEST: Final = 3e-5  # share of the strongest patch's energy below which a patch is noise
_STEPS_FOR_NOISE: Final = 100  # steps between frames that tell the noise of a cell, evenly spread over the film
_QUARTERS: Final = 4
_LEAST_QUARTERED: Final = 40  # frames
_PART_LAG: Final = 0.6  # samples, by which they may differ in one of two patches that touch
_FRAMES_AT_A_TIME: Final = 32  # so many stay near the processor
_NEIGHBOUR_LAG: Final = 2  # samples by which neighbouring cells of one patch may differ (a scanned display)


@dataclass(frozen=True, slots=True, kw_only=True)
class Switch:
    """One change of level: the first sample beyond the middle, and whether it rises."""

    index: int
    rises: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Patch:
    """Neighbouring cells that switch together.

    Parameters
    ----------
    mask : ndarray of shape (rows, cols), bool
        Its cells.
    crossings : tuple of float
        When their mean passes the middle between its two levels, in samples.
    energy : float
        Sum over its cells of their swing squared.
    clearness : float
        Variance of their mean that two levels explain, over what they leave, for each switch: large for a light that
        is either on or off, small for an edge that trembles.
    """

    mask: BoolArray
    crossings: tuple[float, ...]
    energy: float
    clearness: float

    @property
    def first(self) -> float:
        """Return when they first pass the middle."""
        return self.crossings[0]

    @property
    def swing(self) -> float:
        """Swing of a cell, as the root of the mean square over the cells."""
        return math.sqrt(self.energy / float(self.mask.sum()))


def scatter(values: FloatArray) -> float:
    """Return the standard deviation of the white noise in a trace, from the median step between neighbours."""
    if len(values) < 3:
        return 0.0
    return float(np.median(np.abs(np.diff(values))) / (0.6745 * np.sqrt(2)))


def switches(values: FloatArray) -> tuple[Switch, ...]:
    """Return the changes between the two levels of a trace, in order; none where it does not switch.

    Parameters
    ----------
    values : ndarray of shape (n,)
        Equally meant samples.

    Notes
    -----
    The trace is averaged over as few samples (1 to 17) as make the swing stand 8 times above the noise; a change
    counts when 65 % of the swing is passed after 35 % (hysteresis), so that noise near the middle counts once.
    """
    noise = scatter(values)
    for count in _SMOOTHINGS:
        if len(values) < 3 * count:
            break
        smooth = ndimage.uniform_filter1d(values, count, mode="nearest")
        low, high = _levels(smooth)
        within = min(noise / np.sqrt(count), _within(smooth, low, high))
        if high - low > _CLEAR * within and high > low:
            return _crossings(smooth, low, high)
    return ()


def _levels(values: FloatArray) -> tuple[float, float]:
    middle = (float(values.min()) + float(values.max())) / 2
    above = values > middle
    if not above.any() or above.all():
        return middle, middle
    return float(np.median(values[~above])), float(np.median(values[above]))


def _within(values: FloatArray, low: float, high: float) -> float:
    """Return the scatter about the nearer of two levels: unlike steps between neighbours, it holds no fast blinking."""
    off = values - np.where(values > (low + high) / 2, high, low)
    return float(np.median(np.abs(off)) / 0.6745)


def _crossings(values: FloatArray, low: float, high: float) -> tuple[Switch, ...]:
    share = (values - low) / (high - low)
    decided = np.where(share > _SLIPS[1], 1, np.where(share < _SLIPS[0], -1, 0))
    known = np.flatnonzero(decided)
    turns = known[1:][np.diff(decided[known]) != 0]
    found = []
    for turn in turns:
        rises = bool(decided[turn] > 0)
        before = np.flatnonzero((share[:turn] < 0.5) if rises else (share[:turn] > 0.5))
        found.append(Switch(index=int(before[-1]) + 1 if before.size else int(turn), rises=rises))
    return tuple(found)


def switching_patches(cells: CellArray, *, may_flicker: bool = False) -> tuple[Patch, ...]:
    """Return the patches of a film that switch, the earliest first.

    Parameters
    ----------
    cells : ndarray of shape (n, rows, cols), float32
        Codes averaged over small cells, frame by frame.
    may_flicker : bool
        Take the noise of a cell in the calmest quarter of the film: a screen that is renewed 60 times a second is
        restless once it is lit.

    Returns
    -------
    tuple of Patch
        Cells whose swing stands clear of their own noise, joined to neighbours that switch in the same direction
        within two frames. Cells that only tremble (edges in a shaken film) have as much noise as swing and stay out.
    """
    low, high = _extremes(cells)
    swing = high - low
    quarters = np.array_split(cells, _QUARTERS) if may_flicker and len(cells) >= _LEAST_QUARTERED else [cells]
    noise = np.maximum(np.min([_cell_noise(quarter) for quarter in quarters], axis=0), 0.2)
    active = (swing > _CLEAR * noise / np.sqrt(3)) & (swing > _LEAST_CODES)
    if not active.any():
        return ()
    start = _smoothed(cells[:2])[0]
    first = _first_away(cells, start, swing * np.float32(0.5))
    rises = (high - start) > (start - low)
    patches = [_patch(cells, mask, swing) for mask in _strongest(_joined(active, first, rises), swing)]
    return tuple(sorted((patch for patch in patches if patch is not None), key=lambda patch: patch.first))


def parts(cells: CellArray, patch: Patch) -> tuple[Patch, ...]:
    """Return the patches of which one is made where its cells do not switch at one moment, the strongest first.

    A light that touches its late picture is one patch with it; within each of them, neighbours switch within part of a
    frame.
    """
    smooth = _smoothed(cells)
    swing = np.where(patch.mask, np.ptp(smooth, axis=0), 0.0).astype(np.float32)
    away = np.abs(smooth - smooth[0]) / np.maximum(swing, _LEAST_CODES)
    later = np.maximum((away > 0.5).argmax(axis=0), 1)[None]
    high, low = (np.take_along_axis(away, at, axis=0)[0] for at in (later, later - 1))
    first = later[0] - np.clip((high - 0.5) / np.maximum(high - low, 1e-6), 0, 1).astype(np.float64)
    rises = np.take_along_axis(smooth, later, axis=0)[0] > smooth[0]
    masks = _strongest(_joined(patch.mask, first, rises, _PART_LAG), swing)
    return tuple(part for part in (_patch(cells, mask, swing) for mask in masks) if part is not None)


def _extremes(cells: CellArray) -> tuple[CellArray, CellArray]:
    """Return the least and the largest mean of three frames at each cell."""
    runs = [(smooth.min(axis=0), smooth.max(axis=0)) for _, smooth in _smoothed_runs(cells)]
    return np.min([low for low, _ in runs], axis=0), np.max([high for _, high in runs], axis=0)


def _first_away(cells: CellArray, start: CellArray, by: CellArray) -> FloatArray:
    """Return the frame in which the mean of three first lies farther off the start than `by`; 0 where none does."""
    found = np.zeros(start.shape)
    is_open = np.ones(start.shape, dtype=bool)
    for begin, smooth in _smoothed_runs(cells):
        away = np.abs(smooth - start) > by
        newly = is_open & away.any(axis=0)
        found[newly] = begin + away[:, newly].argmax(axis=0)
        is_open &= ~newly
    return found


def _smoothed_runs(cells: CellArray) -> Iterator[tuple[int, CellArray]]:
    """Yield means of three frames at each frame, some at a time, so that they stay near the processor."""
    for begin in range(0, len(cells), _FRAMES_AT_A_TIME):
        before, beyond = min(begin, 1), begin + _FRAMES_AT_A_TIME + 1
        yield begin, _smoothed(cells[begin - before : beyond])[before : before + _FRAMES_AT_A_TIME]


def _smoothed(cells: CellArray) -> CellArray:
    """Return the mean of three frames at each frame; a filter along the first axis takes four times as long."""
    smooth = np.empty_like(cells)
    smooth[1:-1] = cells[:-2]
    smooth[0], smooth[-1] = cells[0], cells[-2]
    smooth += cells
    smooth[:-1] += cells[1:]
    smooth[-1] += cells[-1]
    smooth /= 3
    return smooth


def _cell_noise(cells: CellArray) -> CellArray:
    """Return the standard deviation of the white noise of each cell, shape (rows, cols)."""
    chosen = np.unique(np.linspace(0, len(cells) - 2, min(len(cells) - 1, _STEPS_FOR_NOISE)).astype(int))
    steps = np.abs(cells[chosen + 1] - cells[chosen]).reshape(len(chosen), -1)
    by_cell, middle = np.ascontiguousarray(steps.T), len(chosen) // 2  # in rows it takes a sixth of the time
    by_cell.partition(middle, axis=1)
    return np.asarray(by_cell[:, middle] / (0.6745 * np.sqrt(2))).reshape(cells.shape[1:])


def liveliest_patch(cells: CellArray) -> BoolArray | None:
    """Return the neighbouring cells that change most as one, shape (rows, cols); None where nothing stands out.

    Parameters
    ----------
    cells : ndarray of shape (n, rows, cols), float32
        Codes averaged over small cells, frame by frame.

    Notes
    -----
    The cells of a lamp change as one, those of a clock or a counter that is drawn into the picture do not. The energy
    of a patch is that of the mean of its cells, times their number; where that is less than three tenths of the sum of
    their own, the patch is set aside and the next is looked for. Energies of their own alone lost: of 16 films with a
    counter, the lamp was missed in 3, where it was smaller than that.
    """
    spread = cells.std(axis=0)
    least = max(_LEAST_CODES / 2, _LIVELY * float(np.median(spread)))
    found: list[BoolArray] = []
    while len(found) < _SET_ASIDE and spread.max() >= least:
        labels, count = ndimage.label(spread > spread.max() / 2, _TOUCHING)
        own = ndimage.sum_labels(spread**2, labels, np.arange(1, count + 1))
        strongest = np.argsort(own)[::-1][:_MOST_PATCHES]
        patches = [np.asarray(labels == 1 + int(label)) for label in strongest]
        as_one = np.array([patch.sum() * cells[:, patch].mean(axis=1, dtype=np.float64).var() for patch in patches])
        best = int(as_one.argmax())
        if as_one[best] > _AS_ONE * own[strongest[best]]:
            return patches[best]
        found.append(patches[best])
        spread[ndimage.binary_dilation(patches[best], _TOUCHING)] = 0.0
    return found[0] if found else None


def _patch(cells: CellArray, mask: BoolArray, swing: CellArray) -> Patch | None:
    trace = cells[:, mask].mean(axis=1, dtype=np.float64)
    turns = switches(trace)
    if not turns:
        return None
    low, high = _levels(ndimage.median_filter(trace, 3))
    rest = trace - np.where(trace > (low + high) / 2, high, low)
    return Patch(
        mask=mask,
        crossings=tuple(_crossing(trace, turn.index, (low + high) / 2) for turn in turns),
        energy=float(np.sum(swing[mask].astype(np.float64) ** 2)),
        clearness=float(trace.var() / (rest.var() + _UNCLEAR * trace.var())) / len(turns),
    )


def _crossing(trace: FloatArray, index: int, middle: float) -> float:
    """Return where a trace passes the middle just before a sample, by a straight line."""
    earlier, later = float(trace[max(index - 1, 0)]), float(trace[index])
    return index - float(np.clip((later - middle) / (later - earlier), 0, 1)) if later != earlier else float(index)


def _strongest(labels: IntArray, swing: CellArray) -> list[BoolArray]:
    """Return the masks of the patches that carry most energy: noise makes thousands of single cells, all weak."""
    inside = labels >= 0
    energies = np.bincount(labels[inside], weights=swing[inside].astype(np.float64) ** 2)
    kept = np.argsort(energies)[::-1][:_MOST_PATCHES]
    return [
        labels == label for label in kept if energies[label] >= _FAINTEST * energies[kept[0]] and energies[label] > 0
    ]


def _joined(active: BoolArray, first: FloatArray, rises: BoolArray, most_lag: float = _NEIGHBOUR_LAG) -> IntArray:
    """Return a label per cell, shape (rows, cols); -1 for cells that do not switch."""
    index = np.arange(active.size).reshape(active.shape)
    pairs = []
    for here, there in (
        ((slice(None), slice(None, -1)), (slice(None), slice(1, None))),
        ((slice(None, -1), slice(None)), (slice(1, None), slice(None))),
    ):
        joined = active[here] & active[there] & (rises[here] == rises[there])
        joined &= np.abs(first[here] - first[there]) <= most_lag
        pairs.append(np.stack([index[here][joined], index[there][joined]]))
    ends = np.concatenate(pairs, axis=1)
    graph = sparse.coo_array((np.ones(ends.shape[1]), (ends[0], ends[1])), shape=(active.size, active.size))
    _, labels = sparse.csgraph.connected_components(graph, directed=False)
    return np.where(active, labels.reshape(active.shape), -1)
