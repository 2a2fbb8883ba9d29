"""How bright regions of a film are, frame by frame: one pass, in bounded memory."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from inspect_app.capture import Film
from inspect_app.errors import NothingToMeasure, UnusableInput

FloatArray = npt.NDArray[np.float64]
Box = tuple[int, int, int, int]

MOST_FRAMES: Final = 2_000_000
_STORE_BYTES: Final = 64_000_000
_FIRST_FRAMES: Final = 256
_FINEST_SAMPLES: Final = 80_000  # a frame is looked at through at most so many points


@dataclass(frozen=True, slots=True, kw_only=True)
class Samples:
    """Every frame of a film through a grid of points.

    Parameters
    ----------
    codes : ndarray of shape (n, rows, cols)
        Stored codes at the points.
    step_px : int
        Distance of the points.
    """

    codes: npt.NDArray[np.unsignedinteger[Any]]
    step_px: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """What one pass through a film saw.

    Parameters
    ----------
    times_s : ndarray of shape (n,)
        By the file's own time stamps.
    light : ndarray of shape (n, boxes)
        Mean exposure of each box.
    samples : Samples or None
        Only where asked for.
    """

    times_s: FloatArray
    light: FloatArray
    samples: Samples | None


def watch(film: Film, boxes: tuple[Box, ...], *, with_samples: bool = False) -> Watched:
    """Pass once through a film and keep the mean exposure of boxes, and perhaps a grid of points, of each frame.

    Raises
    ------
    UnusableInput
        A box does not lie in the frame, or the film has no end in sight.
    NothingToMeasure
        The film has fewer than 4 frames.

    Notes
    -----
    The grid starts with at most 80 000 points a frame; each time the store would pass 64 MB, every other point is
    dropped in both directions, so that a film of any length fits.
    """
    _prove_boxes(film, boxes)
    times: list[float] = []
    light: list[list[float]] = []
    store = _Store(film) if with_samples else None
    for time_s, codes in film.open_codes():
        times.append(time_s)
        light.append([float(film.exposures[codes[y : y + h, x : x + w]].mean()) for x, y, w, h in boxes])
        if store is not None:
            store.add(codes)
        if len(times) > MOST_FRAMES:
            raise UnusableInput(film.name, f"the film has more than {MOST_FRAMES} frames", "Cut it to the event.")
    if len(times) < 4:
        raise NothingToMeasure(film.name, f"the film has too few frames ({len(times)})", "Film the whole event.")
    return Watched(
        times_s=np.array(times),
        light=np.array(light, dtype=np.float64).reshape(len(times), len(boxes)),
        samples=store.samples() if store is not None else None,
    )


def _prove_boxes(film: Film, boxes: tuple[Box, ...]) -> None:
    for x, y, width_px, height_px in boxes:
        if x + width_px > film.cols or y + height_px > film.rows:
            raise UnusableInput(
                film.name,
                f"the region {x},{y},{width_px},{height_px} reaches beyond {film.cols} × {film.rows} pixels",
                "Choose a region inside it.",
            )


class _Store:
    """Is written in place, in room for all that it may hold: what is not written to takes no memory."""

    def __init__(self, film: Film) -> None:
        self._step = max(1, int(np.ceil(np.sqrt(film.rows * film.cols / _FINEST_SAMPLES))))
        self._frames: npt.NDArray[np.unsignedinteger[Any]] | None = None
        self._count = 0

    def add(self, codes: npt.NDArray[np.unsignedinteger[Any]]) -> None:
        kept = _thinned(codes, self._step)
        if self._frames is None:
            self._frames = self._room(kept)
        elif self._count == len(self._frames):
            grown = np.empty((2 * self._count, *kept.shape), dtype=kept.dtype)
            grown[: self._count] = self._frames
            self._frames = grown
        self._frames[self._count] = kept
        self._count += 1
        if self._count * kept.nbytes > _STORE_BYTES and min(kept.shape) >= 16:
            thinned = self._frames[: self._count, ::2, ::2]
            self._frames = self._room(thinned[0])
            self._frames[: self._count] = thinned
            self._step *= 2

    @staticmethod
    def _room(kept: npt.NDArray[np.unsignedinteger[Any]]) -> npt.NDArray[np.unsignedinteger[Any]]:
        return np.empty((max(_FIRST_FRAMES, _STORE_BYTES // kept.nbytes + 1), *kept.shape), dtype=kept.dtype)

    def samples(self) -> Samples:
        if self._frames is None:
            raise ValueError("no frame was added")
        return Samples(codes=self._frames[: self._count], step_px=self._step)


def _thinned(codes: npt.NDArray[np.unsignedinteger[Any]], step: int) -> npt.NDArray[np.unsignedinteger[Any]]:
    """Return codes at every `step`-th point in both directions.

    Bytes two or four apart are picked as the lowest of wider numbers: in a third of the time that strides take.
    """
    rows = codes[::step]
    if codes.dtype == np.uint8 and step in (2, 4) and codes.shape[1] % step == 0:
        return rows.view(f"<u{step}").astype(np.uint8)
    return rows[:, ::step]
