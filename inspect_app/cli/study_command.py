"""``inspect-app study``: what readers add to the uncertainty, from a table of blinded trials."""

import json
from pathlib import Path
from typing import Final

import click

from inspect_app.cli._place import table
from inspect_app.definitions.studies import Looks, gauge_trials, read_looks, read_study
from inspect_app.definitions.study_results import reader_doubt
from inspect_app.documents.study_lines import (
    ANALYSIS_COLUMNS,
    agreement_lines,
    analysis_rows,
    gauge_lines,
    range_lines,
)
from inspect_app.judge.agreement import Kappa, highest_rate
from inspect_app.judge.gauge import POOL_ABOVE, GaugeStudy, gauge_study
from inspect_app.judge.gauge_ranges import RangeStudy, range_study

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
    interaction, and average and range beside it. Elements of the bar target are taken by the logarithm of their
    frequency, in steps of one element.
    """
    trials = gauge_trials(read_study(file), file.name, elements=elements)
    found, ranges = gauge_study(trials, pool_above=pool_above), range_study(trials)
    if as_json:
        values = _gauge_values(found, elements=elements) | {"average_and_range": _range_values(ranges)}
        click.echo(json.dumps(values, allow_nan=False))
    else:
        click.echo(table(ANALYSIS_COLUMNS, analysis_rows(found)))
        click.echo("\n".join(("", *gauge_lines(found, elements=elements), "", "By average and range:")))
        click.echo("\n".join(range_lines(ranges)))


def _range_values(found: RangeStudy | None) -> dict[str, object] | None:
    if found is None:
        return None
    return {
        "mean_range": found.mean_range,
        "reader_difference": found.reader_difference,
        "part_range": found.part_range,
        "repeatability": found.repeatability,
        "reproducibility": found.reproducibility,
        "gauge": found.gauge,
        "part": found.part,
        "total": found.total,
        "percent_of_total": found.percent_of_total,
        "distinct_categories": found.categories,
    }


def _gauge_values(found: GaugeStudy, *, elements: bool) -> dict[str, object]:
    doubt = reader_doubt(found) if elements else None
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
        "degrees_of_freedom": found.degrees_of_freedom,
        "reader_uncertainty_percent": None if doubt is None else doubt.percent,
    }


@command.command("agreement", epilog=EXAMPLES)
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object and nothing else.")
def agreement(file: Path, *, as_json: bool) -> None:
    """Tell the agreement of pass/fail looks, from a CSV with the columns item, reader, verdict.

    Two readers give Cohen's kappa, more give Fleiss's. With a column reference the share of wrong verdicts of each
    reader is told, and the rate that it stays below with 95 % confidence.
    """
    looks = read_looks(read_study(file), file.name)
    kappa = looks.kappa()
    if as_json:
        click.echo(json.dumps(_agreement_values(looks, kappa), allow_nan=False))
    else:
        click.echo("\n".join(agreement_lines(looks, kappa)))


def _agreement_values(looks: Looks, kappa: Kappa) -> dict[str, object]:
    return {
        "method": looks.method,
        "kappa": kappa.kappa,
        "standard_error": kappa.standard_error,
        "observed": kappa.observed,
        "expected": kappa.expected,
        "of_word": dict(kappa.of_word),
        "wrong": {
            reader: {"wrong": count, "of": of, "below": highest_rate(count, of)}
            for reader, (count, of) in looks.wrong.items()
        },
    }
