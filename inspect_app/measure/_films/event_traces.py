"""The light and its picture over time: from a film or from a log."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from inspect_app.capture import Capture, Film, Log
from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.measure._films.coded_regions import coded_share
from inspect_app.measure._films.event_regions import Chosen, choose_regions
from inspect_app.measure._films.film_times import film_times, usual_interval
from inspect_app.measure._films.light import Box, FloatArray, watch
from inspect_app.numerics.changes.shutters import FILMED, LOGGED
from inspect_app.numerics.changes.strays import BoolArray, strays

COLUMNS: Final = ("time_ms", "stimulus", "response")
MOTION: Final = (
    "motion: the picture moves in the film, so its frames were laid over one another, or its border left out; "
    "put the camera on a stand"
)
CLIPPED: Final = (
    "the light is clipped in the film, so that a partly lit frame may look lit: film it with less light",
    "the picture is clipped in the film, so that a partly lit frame may look lit: film it with less light",
)
SLOW_FILM_FPS: Final = 100.0
_FEWEST_ROWS: Final = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Traces:
    """Light and picture over time, where they lie in the film, how fine its clock ticks, how samples are taken.

    `coded` says by what share of the swing of each a coder may move samples that change.
    """

    name: str
    times_ms: FloatArray
    tick_ms: float
    stimulus: FloatArray
    response: FloatArray
    chosen: Chosen | None
    coded: tuple[float, float] = (0.0, 0.0)
    usual: tuple[float, ...]
    warnings: tuple[str, ...]


def film_traces(film: Film, stimulus_roi: Box | None, response_roi: Box | None, frame_rate: float | None) -> Traces:
    """Return what a film shows of the light and its picture; `frame_rate` overrides its own times."""
    given = tuple(box for box in (stimulus_roi, response_roi) if box is not None)
    seen = watch(film, given, with_samples=True)
    shot = film_times(seen.times_s, frame_rate)
    rate = 1000 / usual_interval(shot.times_ms)
    warnings = shot.warnings
    if frame_rate is None and rate < SLOW_FILM_FPS:
        warnings += (f"the film plays at {rate:.4g} frames a second: if it was shot faster, give --frame-rate",)
    chosen = choose_regions(film, seen, stimulus_roi, response_roi)
    if chosen.is_moving:
        warnings += (MOTION,)
    warnings += tuple(told for told, doubt in zip(CLIPPED, chosen.doubts, strict=True) if doubt)
    return Traces(
        name=film.name,
        times_ms=shot.times_ms,
        tick_ms=shot.tick_ms,
        stimulus=chosen.stimulus,
        response=chosen.response,
        chosen=chosen,
        coded=(
            coded_share(film, seen.samples, chosen.stimulus_box, chosen.stimulus),
            coded_share(film, seen.samples, chosen.response_box, chosen.response),
        )
        if seen.samples is not None
        else (0.0, 0.0),
        usual=FILMED,
        warnings=warnings,
    )


def log_traces(log: Capture, frame_rate: float | None) -> Traces:
    """Return the columns of a log, without readings far off all others; `frame_rate` overrides its times."""
    if not isinstance(log, Log):
        raise UnusableInput(log.name, "it is neither a film nor a log", "Give a film, or a CSV trace.")
    missing = [column for column in COLUMNS if column not in log.columns]
    if missing:
        raise UnusableInput(log.name, f"the column {missing[0]} is missing", f"Name the columns {','.join(COLUMNS)}.")
    times_ms, stimulus, response = (log.columns[column] for column in COLUMNS)
    empty = np.flatnonzero(np.isnan(times_ms) | np.isnan(stimulus) | np.isnan(response))
    if empty.size:
        raise UnusableInput(log.name, f"row {empty[0] + 1} below the names has an empty cell", "Fill or remove it.")
    if len(times_ms) < _FEWEST_ROWS:
        raise NothingToMeasure(log.name, f"the trace has only {len(times_ms)} rows", "Record the whole event.")
    back = np.flatnonzero(np.diff(times_ms) <= 0)
    if back.size:
        raise UnusableInput(log.name, f"the clock stands still or runs back at row {back[0] + 2}", "Correct time_ms.")
    if frame_rate is not None:
        times_ms = np.arange(len(times_ms)) * 1000 / frame_rate
    left_out, warnings = _left_out({"stimulus": stimulus, "response": response})
    if np.count_nonzero(~left_out) < _FEWEST_ROWS:
        raise NothingToMeasure(
            log.name, f"readings far off all others stand in {left_out.sum()} of its rows", "Record the event again."
        )
    return Traces(
        name=log.name,
        times_ms=times_ms[~left_out],
        tick_ms=0.0,
        stimulus=stimulus[~left_out],
        response=response[~left_out],
        chosen=None,
        usual=LOGGED,
        warnings=log.notes + warnings,
    )


def _left_out(columns: Mapping[str, FloatArray]) -> tuple[BoolArray, tuple[str, ...]]:
    """Return the rows in which a column reads what no light explains, and a warning for each of them."""
    found = {column: strays(values) for column, values in columns.items()}
    warnings = tuple(
        f"row {row + 1} below the names is left out: its {column} of {columns[column][row]:g} is far off all others"
        for column, are_stray in found.items()
        for row in np.flatnonzero(are_stray)
    )
    return np.any(list(found.values()), axis=0), warnings
