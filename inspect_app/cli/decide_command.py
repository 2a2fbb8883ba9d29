"""``inspect-app decide``: one value against one limit by one decision rule, without contract or record."""

import json
import math
from typing import Final

import click

from inspect_app.errors import InspectError, UnusableInput
from inspect_app.judge import RULES, acceptance, decide
from inspect_app.model import DecisionRule, Judgement, Limit
from inspect_app.quantity import Quantity, format_limit, parse_number

USUAL_P_MIN: Final = 0.95  # common practice, no source; JCGM 106:2012 leaves it to the parties
_SHOWN_DIGITS: Final = 6
_LARGEST: Final = 1e100  # sums and multiples of it stay finite
EXAMPLES: Final = """\b
Examples:
  inspect-app decide --value 44 --u 2 --at-most 50 --rule guard-U
  inspect-app decide --value 66 --u 2.14 --at-least 64 --rule iso14253-supplier --json
  inspect-app decide --value 46 --u 2 --dof 4 --at-most 50 --rule probability --p-min 0.95
"""


class _Number(click.ParamType[float]):
    """A finite number, with decimal point or comma, told of by the option's name where it is none."""

    name = "number"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> float:  # noqa: ARG002 - click calls it so
        if isinstance(value, float):
            return value
        where = f"option {param.opts[0] if param else ''}"
        try:
            number = parse_number(str(value), "1")
        except InspectError as error:
            raise UnusableInput(where, error.problem, error.remedy) from error
        if abs(number) > _LARGEST:
            raise UnusableInput(where, "this number is too large", "Give all numbers in a larger unit.")
        return number


NUMBER: Final = _Number()


@click.command(short_help="Decide one value against one limit.", epilog=EXAMPLES)
@click.option("--value", type=NUMBER, required=True, help="The result.")
@click.option("--u", "uncertainty", type=NUMBER, required=True, help="Its standard uncertainty (k = 1), same unit.")
@click.option("--dof", "freedom", type=NUMBER, help="Degrees of freedom of u; infinitely many unless given.")
@click.option("--at-least", type=NUMBER, help="Lower limit.")
@click.option("--at-most", type=NUMBER, help="Upper limit.")
@click.option("--rule", type=click.Choice([str(rule) for rule in RULES]), required=True, help="The decision rule.")
@click.option("--p-min", type=NUMBER, help="Least probability that the rule of probability accepts; 0.95 unless given.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object and nothing else.")
def command(
    value: float,
    uncertainty: float,
    freedom: float | None,
    at_least: float | None,
    at_most: float | None,
    rule: str,
    p_min: float | None,
    *,
    as_json: bool,
) -> None:
    """Decide one value against one limit by a decision rule, and say how sure that is.

    Tells the judgement, the acceptance limits, the margin to the nearer of them (negative beyond it), the probability
    of conformity, and the specific risk: the probability that this decision is wrong. Limits whose guard bands leave
    nothing between them are an error, exit status 2: the limit is at fault then, not the value.
    """
    limit = _limit(at_least, at_most, DecisionRule(rule), p_min)
    result = _quantity(value, uncertainty, freedom)
    _prove_room(result, limit)
    judgement = decide(result, limit)
    click.echo(json.dumps(_values(judgement), allow_nan=False) if as_json else _told(judgement))


def _limit(at_least: float | None, at_most: float | None, rule: DecisionRule, p_min: float | None) -> Limit:
    if at_least is None and at_most is None:
        raise UnusableInput("the limit", "it is missing", "Give --at-least, --at-most or both.")
    if at_least is not None and at_most is not None and at_least > at_most:
        raise UnusableInput(
            "option --at-least", f"{at_least:g} is above --at-most, {at_most:g}", "Correct one of them."
        )
    asks_probability = rule is DecisionRule.PROBABILITY
    if p_min is not None and not asks_probability:
        raise UnusableInput("option --p-min", f"the rule {rule} asks for no probability", "Leave it out.")
    if p_min is not None and not 0 < p_min < 1:
        raise UnusableInput("option --p-min", f"{p_min:g} is not between 0 and 1", "Write 95 % as 0.95.")
    return Limit(
        clause="given",
        title="The limit",
        check="decide",
        quantity_name="value",
        unit="1",
        at_least=at_least,
        at_most=at_most,
        decision_rule=rule,
        p_min=(USUAL_P_MIN if p_min is None else p_min) if asks_probability else None,
    )


def _quantity(value: float, uncertainty: float, freedom: float | None) -> Quantity:
    if uncertainty < 0:
        raise UnusableInput("option --u", f"{uncertainty:g} is negative", "Give the standard uncertainty, 0 or more.")
    if freedom is not None and freedom < 1:
        raise UnusableInput("option --dof", f"{freedom:g} is below 1", "Give 1 or more, or leave it out.")
    return Quantity(value=value, unit="1", standard_uncertainty=uncertainty, degrees_of_freedom=freedom)


def _prove_room(result: Quantity, limit: Limit) -> None:
    zone = acceptance(result, limit)
    if not zone.has_room:
        raise UnusableInput(
            "the limits",
            f"a guard band of {zone.guard_band:.4g} at each leaves nothing between {limit.at_least:g} and "
            f"{limit.at_most:g}: the limit cannot be met by any value",
            "Measure with less uncertainty, widen the limits, or agree on another rule.",
        )


def _values(judgement: Judgement) -> dict[str, object]:
    return {
        "judgement": judgement.finding.value,
        "acceptance_limits": {"at_least": judgement.acceptance_at_least, "at_most": judgement.acceptance_at_most},
        "margin": judgement.margin,
        "probability_of_conformity": judgement.probability_of_conformity,
        "specific_risk": judgement.specific_risk,
    }


def _told(judgement: Judgement) -> str:
    bounds = (("at least", judgement.acceptance_at_least), ("at most", judgement.acceptance_at_most))
    accepted = " and ".join(f"{words} {_shown(bound)}" for words, bound in bounds if bound is not None)
    source = RULES[judgement.limit.decision_rule].source
    lines = (
        ("judgement", f"{judgement.finding.value}. {judgement.reason}"),
        ("rule", f"{judgement.limit.decision_rule}: {source}"),
        ("accepted", accepted),
        ("margin", _shown(judgement.margin)),
        ("coverage factor", _shown(judgement.coverage_factor)),
        ("probability of conformity", _shown(judgement.probability_of_conformity)),
        ("specific risk", _shown(judgement.specific_risk)),
    )
    return "\n".join(f"{name:<26} {text}" for name, text in lines)


def _shown(number: float | None) -> str:
    if number is None:
        return "none, the value is exact"
    return format_limit(
        0.0 if number == 0 else round(number, _SHOWN_DIGITS - 1 - math.floor(math.log10(abs(number)))), "1"
    )
