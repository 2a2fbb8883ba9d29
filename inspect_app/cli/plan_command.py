"""``inspect-app plan``: the sampling plan of a lot, and what it lets through."""

import json
from dataclasses import replace
from typing import Final

import click

from inspect_app.cli._place import table
from inspect_app.errors import UnusableInput
from inspect_app.judge import characteristic, sampling
from inspect_app.judge.characteristic import WrongVerdicts
from inspect_app.model import Edition, SamplingPlan, Stringency

EXAMPLES: Final = """\b
Examples:
  inspect-app plan --lot-size 1000 --level II --aql 1.0
  inspect-app plan --lot-size 1000 --aql 0.65 --severity reduced --edition 105E --json
  inspect-app plan --lot-size 500 --edition 1916 --level IV
  inspect-app plan --lot-size 50 --limiting-quality 5 --consumer-risk 0.1
"""


@click.command(short_help="Look a sampling plan up, with its operating characteristic.", epilog=EXAMPLES)
@click.option("--lot-size", type=int, required=True, help="Devices in the lot.")
@click.option(
    "--level", default="II", show_default=True, help="S-1 to S-4, I, II, III; with edition 1916: VII (strictest) to I."
)
@click.option("--aql", type=float, help="Acceptance quality limit, one of the tables: 0.010 to 1000.")
@click.option(
    "--severity",
    type=click.Choice([one.value for one in Stringency]),
    default=Stringency.NORMAL.value,
    show_default=True,
    help="How strictly the supplier's lots are looked at.",
)
@click.option(
    "--edition",
    type=click.Choice([one.value for one in Edition]),
    default=Edition.ISO_2859_1.value,
    show_default=True,
    help="MIL-STD-105E or ISO 2859-1:1999; 1916 is MIL-STD-1916, which accepts on zero and has no AQL.",
)
@click.option(
    "--limiting-quality", type=float, metavar="PERCENT", help="In place of a table: the quality not to be accepted."
)
@click.option(
    "--consumer-risk", type=float, default=0.1, show_default=True, help="Of accepting a lot of the limiting quality."
)
@click.option(
    "--false-reject", type=click.FloatRange(0, 1), default=0.0, help="Probability that a good device is rejected."
)
@click.option(
    "--false-accept", type=click.FloatRange(0, 1), default=0.0, help="Probability that a bad device is accepted."
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object and nothing else.")
def command(
    lot_size: int,
    level: str,
    aql: float | None,
    severity: str,
    edition: str,
    limiting_quality: float | None,
    consumer_risk: float,
    false_reject: float,
    false_accept: float,
    *,
    as_json: bool,
) -> None:
    """Print the single sampling plan of a lot, and its operating characteristic.

    Qualities are fractions nonconforming; above AQL 10 nonconformities per device. The curve is that of the process:
    binomial, or Poisson above AQL 10.
    """
    stringency = Stringency(severity)
    if limiting_quality is not None:
        plan = sampling.plan_for_limiting_quality(lot_size, limiting_quality, consumer_risk)
    elif edition == Edition.MIL_STD_1916:
        plan = sampling.plan_on_zero(lot_size, level, stringency)
    elif aql is None:
        raise UnusableInput("AQL", "it is missing", "Give --aql, or --limiting-quality, or --edition 1916.")
    else:
        plan = sampling.single_plan(lot_size, level, aql, stringency, Edition(edition))
    wrong = WrongVerdicts(false_reject=false_reject, false_accept=false_accept)
    if as_json:
        click.echo(json.dumps(_values(plan, lot_size, wrong), allow_nan=False))
    else:
        click.echo(_text(plan, lot_size, wrong))


def _curve(plan: SamplingPlan, lot_size: int, wrong: WrongVerdicts) -> list[tuple[float, float]]:
    drawn = replace(plan, size=plan.devices_of(lot_size))
    qualities = characteristic.process_quality(drawn, characteristic.CURVE_PROBABILITIES)
    return list(zip(qualities, characteristic.process_acceptance(drawn, qualities, wrong), strict=True))


def _values(plan: SamplingPlan, lot_size: int, wrong: WrongVerdicts) -> dict[str, object]:
    return {
        "code_letter": plan.code_letter,
        "final_letter": plan.final_letter,
        "n": plan.size,
        "acceptance_number": plan.acceptance_number,
        "rejection_number": plan.rejection_number,
        "devices": plan.devices_of(lot_size),
        "every_device": plan.size >= lot_size,
        "counts": "nonconformities" if plan.counts_nonconformities else "nonconforming devices",
        "oc": _curve(plan, lot_size, wrong),
    }


def _text(plan: SamplingPlan, lot_size: int, wrong: WrongVerdicts) -> str:
    devices = f"every device ({lot_size})" if plan.size >= lot_size else f"{plan.size} of {lot_size} devices"
    letters = f" (letter {plan.code_letter}, plan of letter {plan.final_letter})" if plan.code_letter else ""
    counted = "nonconformities" if plan.counts_nonconformities else "nonconforming devices"
    rows = [(f"{quality * 100:.3g}", f"{accepted:.4f}") for quality, accepted in _curve(plan, lot_size, wrong)]
    return (
        f"Inspect {devices}{letters}.\nAccept up to {plan.acceptance_number} {counted}, "
        f"reject from {plan.rejection_number}.\n\n{table((f'{counted} in 100', 'probability to accept the lot'), rows)}"
    )
