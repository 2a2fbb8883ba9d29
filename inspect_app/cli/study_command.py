"""``inspect-app study``: what readers add to the uncertainty, from a table of blinded trials."""

import json
import math
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

import click

from inspect_app.cli._place import table
from inspect_app.cli._study_table import read_study
from inspect_app.errors import InspectError, UnusableInput
from inspect_app.judge.agreement import Kappa, cohen_kappa, fleiss_kappa, highest_rate
from inspect_app.judge.gauge import POOL_ABOVE, GaugeStudy, Trial, gauge_study
from inspect_app.measure import CHECKS, read_options
from inspect_app.quantity import format_limit, parse_number

_DIGITS: Final = 6
_PAIR: Final = 2
EXAMPLES: Final = """\b
Examples:
  inspect-app study gauge readings.csv
  inspect-app study gauge elements.csv --elements
  inspect-app study agreement looks.csv --json
"""


@click.group(no_args_is_help=False, short_help="Evaluate a study of readers.", epilog=EXAMPLES)
def command() -> None:
    """Evaluate a study of readers: gauge R&R of readings, agreement of looks."""


@command.command("gauge", epilog=EXAMPLES)
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--elements", is_flag=True, help="The values are elements of the bar target, G,E in quotation marks.")
@click.option(
    "--pool-above",
    type=click.FloatRange(0, 1),
    default=POOL_ABOVE,
    show_default=True,
    help="Pool the interaction when its p is above.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object and nothing else.")
def gauge(file: Path, *, elements: bool, pool_above: float, as_json: bool) -> None:
    """Tell repeatability and reproducibility of readings, from a CSV with the columns part, reader, value.

    Every reader reads every part equally often, twice at least, blind and in changed order. Analysis of variance with
    interaction. Elements of the bar target are taken by the logarithm of their frequency, in steps of one element.
    """
    rows = read_study(file, ("part", "reader", "value"))
    trials = [
        Trial(part=row["part"], reader=row["reader"], value=_value(file, number, row["value"], elements=elements))
        for number, row in enumerate(rows, start=1)
    ]
    found = gauge_study(trials, pool_above=pool_above)
    click.echo(
        json.dumps(_gauge_values(found, elements=elements), allow_nan=False)
        if as_json
        else "\n".join(_gauge_told(found, elements=elements))
    )


def _value(file: Path, number: int, text: str, *, elements: bool) -> float:
    try:
        if not elements:
            return parse_number(text, "1")
        options = read_options(CHECKS["bar-target"].options, {"axis": "horizontal", "reading": (text,)})
    except InspectError as error:
        raise UnusableInput(f"{file.name}, reading {number}", error.problem, error.remedy) from error
    ((group, element),) = options.model_dump()["reading"]
    return float(6 * group + element)


def _gauge_values(found: GaugeStudy, *, elements: bool) -> dict[str, object]:
    return {
        "anova": [
            {
                "source": line.source,
                "degrees_of_freedom": line.degrees_of_freedom,
                "sum_of_squares": line.sum_of_squares,
                "mean_square": line.mean_square,
                "f": line.f,
                "p": line.p,
            }
            for line in found.table
        ],
        "interaction_pooled": found.is_pooled,
        "repeatability": found.repeatability,
        "reproducibility": found.reproducibility,
        "interaction": found.interaction,
        "gauge": found.gauge,
        "part": found.part,
        "total": found.total,
        "percent_of_total": found.percent_of_total,
        "distinct_categories": found.categories,
        "set_to_zero": list(found.floored),
        "reader_uncertainty_percent": _reader_percent(found) if elements else None,
    }


def _reader_percent(found: GaugeStudy) -> float:
    """Return the standard uncertainty of one reader in per cent of the frequency; an element is a factor 2^(1/6)."""
    return 100 * found.gauge * math.log(2) / 6


def _gauge_told(found: GaugeStudy, *, elements: bool) -> Iterator[str]:
    rows = [
        (
            line.source,
            str(line.degrees_of_freedom),
            *(_shown(x) for x in (line.sum_of_squares, line.mean_square, line.f, line.p)),
        )
        for line in found.table
    ]
    yield table(("source", "df", "SS", "MS", "F", "p"), rows)
    yield f"\nThe interaction is {'pooled with the repeats' if found.is_pooled else 'kept'}."
    for name in ("repeatability", "reproducibility", "interaction", "gauge", "part", "total"):
        spread = getattr(found, name)
        yield f"{name:<16} {_shown(spread):>10}   {100 * spread / found.total:5.1f} % of the total"
    yield f"distinct categories  {found.categories}"
    if found.floored:
        yield f"Set to zero, having come out negative: {', '.join(found.floored)}."
    if elements:
        yield f"For the form: reader_uncertainty_percent = {_reader_percent(found):.2g}"
    else:
        yield f"Standard uncertainty of one reading, as far as reading goes: {_shown(found.gauge)}"


def _shown(number: float | None) -> str:
    return "" if number is None else format_limit(float(f"{number:.{_DIGITS}g}"), "1")


@command.command("agreement", epilog=EXAMPLES)
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object and nothing else.")
def agreement(file: Path, *, as_json: bool) -> None:
    """Tell the agreement of pass/fail looks, from a CSV with the columns item, reader, verdict.

    Two readers give Cohen's kappa, more give Fleiss's. With a column reference the share of wrong verdicts of each
    reader is told, and the rate that it stays below with 95 % confidence.
    """
    rows = read_study(file, ("item", "reader", "verdict"), ("reference",))
    looks = _looks(file, rows)
    kappa = _kappa(looks)
    wrong = _wrong(rows)
    if as_json:
        click.echo(json.dumps(_agreement_values(kappa, looks, wrong), allow_nan=False))
    else:
        click.echo("\n".join(_agreement_told(kappa, looks, wrong)))


Looks = dict[str, dict[str, str]]
"""Reader, item, verdict."""


def _looks(file: Path, rows: Sequence[dict[str, str]]) -> Looks:
    looks: Looks = {}
    for row in rows:
        seen = looks.setdefault(row["reader"], {})
        if row["item"] in seen:
            where = f"{file.name}, item {row['item']}"
            raise UnusableInput(where, f"{row['reader']} judged it twice", "Keep one verdict a reader and item.")
        seen[row["item"]] = row["verdict"]
    items = {item for seen in looks.values() for item in seen}
    for reader, seen in looks.items():
        missing = sorted(items - set(seen))
        if missing:
            raise UnusableInput(file.name, f"{reader} did not judge {missing[0]}", "Every reader judges every item.")
    return looks


def _kappa(looks: Looks) -> Kappa:
    items = list(next(iter(looks.values())))
    if len(looks) == _PAIR:
        first, second = ([seen[item] for item in items] for seen in looks.values())
        return cohen_kappa(first, second)
    return fleiss_kappa([Counter(seen[item] for seen in looks.values()) for item in items])


def _wrong(rows: Sequence[dict[str, str]]) -> dict[str, tuple[int, int]]:
    """Return per reader how many verdicts are not the reference, and of how many; none without references."""
    judged = [row for row in rows if row["reference"]]
    return {
        reader: (
            sum(row["verdict"] != row["reference"] for row in judged if row["reader"] == reader),
            sum(row["reader"] == reader for row in judged),
        )
        for reader in dict.fromkeys(row["reader"] for row in judged)
    }


def _agreement_values(kappa: Kappa, looks: Looks, wrong: dict[str, tuple[int, int]]) -> dict[str, object]:
    return {
        "method": _method(looks),
        "kappa": kappa.kappa,
        "standard_error": kappa.standard_error,
        "observed": kappa.observed,
        "expected": kappa.expected,
        "wrong": {
            reader: {"wrong": count, "of": of, "below": highest_rate(count, of)}
            for reader, (count, of) in wrong.items()
        },
    }


def _method(looks: Looks) -> str:
    return "Cohen" if len(looks) == _PAIR else "Fleiss"


def _agreement_told(kappa: Kappa, looks: Looks, wrong: dict[str, tuple[int, int]]) -> Iterator[str]:
    yield f"{_method(looks)}'s kappa {kappa.kappa:.3f}, standard error {kappa.standard_error:.3f}"
    yield f"agreement {100 * kappa.observed:.1f} %, by chance {100 * kappa.expected:.1f} %"
    for reader, (count, of) in wrong.items():
        yield f"{reader}: {count} of {of} wrong, below {100 * highest_rate(count, of):.1f} % with 95 % confidence"
