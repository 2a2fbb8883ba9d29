"""The result of a reader study in printed lines, for the command and the page alike."""

from collections.abc import Iterator

from inspect_app.definitions.studies import Looks
from inspect_app.definitions.study_results import reader_doubt
from inspect_app.judge.agreement import Kappa, highest_rate
from inspect_app.judge.gauge import GaugeStudy
from inspect_app.judge.gauge_ranges import MOST_IN_TABLE, RangeStudy
from inspect_app.quantity import format_limit, format_number

ANALYSIS_COLUMNS = ("source", "df", "SS", "MS", "F", "p")
_DIGITS = 6
_SPREADS = ("repeatability", "reproducibility", "interaction", "gauge", "part", "total")
_SPREADS_BY_RANGE = tuple(name for name in _SPREADS if name != "interaction")


def analysis_rows(found: GaugeStudy) -> tuple[tuple[str, ...], ...]:
    """Return the analysis of variance, printed."""
    return tuple(
        (
            line.source,
            str(line.degrees_of_freedom),
            *(_shown(number) for number in (line.sum_of_squares, line.mean_square, line.f, line.p)),
        )
        for line in found.table
    )


def gauge_lines(found: GaugeStudy, *, elements: bool) -> Iterator[str]:
    """Return spreads, categories and what feeds back into the form, a line each."""
    yield f"The interaction is {'pooled with the repeats' if found.is_pooled else 'kept'}."
    for name in _SPREADS:
        spread = getattr(found, name)
        yield f"{name}: {_shown(spread)}, {format_number(100 * spread / found.total, 1)} % of the total"
    yield f"distinct categories: {found.categories}"
    if found.floored:
        yield f"Set to zero, having come out negative: {', '.join(found.floored)}."
    if elements:
        doubt = reader_doubt(found)
        freedom = format_number(doubt.degrees_of_freedom, 1)
        yield f"Standard uncertainty of one reader: {doubt.percent:.2g} %, with {freedom} degrees of freedom"
    else:
        yield f"Standard uncertainty of one reading, as far as reading goes: {_shown(found.gauge)}"


def range_lines(found: RangeStudy | None) -> Iterator[str]:
    """Return what average and range say of the same readings, a line each."""
    if found is None:
        yield f"Average and range is not told: its tables end at {MOST_IN_TABLE} parts, readers and repeats."
        return
    for name in _SPREADS_BY_RANGE:
        spread = getattr(found, name)
        yield f"{name}: {_shown(spread)}, {format_number(100 * spread / found.total, 1)} % of the total"
    yield f"distinct categories: {found.categories}"


def agreement_lines(looks: Looks, kappa: Kappa) -> Iterator[str]:
    """Return kappa, agreement, and who was wrong how often, a line each."""
    found, error = (format_number(number, 3) for number in (kappa.kappa, kappa.standard_error))
    yield f"{looks.method}'s kappa {found}, standard error {error}"
    yield f"agreement {_per_cent(kappa.observed)}, by chance {_per_cent(kappa.expected)}"
    for word, kappa_of_word in kappa.of_word.items():
        yield f"on {word} against all else: kappa {format_number(kappa_of_word, 3)}"
    for reader, (count, of) in looks.wrong.items():
        bound = _per_cent(highest_rate(count, of))
        yield f"{reader}: {count} of {of} wrong, below {bound} with 95 % confidence"


def _per_cent(share: float) -> str:
    return f"{format_number(100 * share, 1)} %"


def _shown(number: float | None) -> str:
    return "" if number is None else format_limit(float(f"{number:.{_DIGITS}g}"), "1")
