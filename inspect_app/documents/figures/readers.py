"""Readings of a reader study: every part along the axis, one line for each reader through the means."""

from collections.abc import Sequence
from statistics import fmean

from inspect_app.documents.figures._drawing import Dash
from inspect_app.documents.figures._figure import Figure
from inspect_app.documents.figures._plot import BOTTOM, LEFT, RIGHT, TOP, Plot
from inspect_app.documents.figures._scale import scale_for
from inspect_app.judge.gauge import Trial
from inspect_app.quantity import format_limit

_DASHES = tuple(Dash)


def readings_figure(trials: Sequence[Trial], *, y_label: str) -> Figure:
    """Draw each reading as a point, and each reader's means as a line; the table holds the means."""
    parts = list(dict.fromkeys(trial.part for trial in trials))
    readers = list(dict.fromkeys(trial.reader for trial in trials))
    places = {part: place for place, part in enumerate(parts, start=1)}
    plot = Plot(
        scale_for(places.values(), start=LEFT, end=RIGHT, room=0.04),
        scale_for([trial.value for trial in trials], start=BOTTOM, end=TOP, room=0.05),
        x_label="Part, in the order of the table",
        y_label=y_label,
    )
    means = {
        (part, reader): fmean(one.value for one in trials if (one.part, one.reader) == (part, reader))
        for part in parts
        for reader in readers
    }
    for trial in trials:
        plot.mark(places[trial.part], trial.value, radius=1.4)
    for number, reader in enumerate(readers):
        values = [means[part, reader] for part in parts]
        plot.curve(list(places.values()), values, dash=_DASHES[number % len(_DASHES)], width=1.2)
    plot.legend([(reader, _DASHES[number % len(_DASHES)]) for number, reader in enumerate(readers[: len(_DASHES)])])
    title = f"{len(trials)} readings of {len(parts)} parts by {len(readers)} readers"
    words = "Points are readings; each line joins the means of one reader. Lines that cross tell of an interaction."
    return Figure(
        title=title,
        svg=plot.drawing.svg(title, words),
        text_alternative=words,
        columns=("Part", *readers),
        table=tuple((part, *(_shown(means[part, reader]) for reader in readers)) for part in parts),
    )


def _shown(value: float) -> str:
    return format_limit(float(f"{value:.4g}"), "1")
