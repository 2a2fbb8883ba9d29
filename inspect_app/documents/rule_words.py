"""The decision rules in words, for documents and pages."""

from collections.abc import Mapping
from typing import Final

from inspect_app.judge import RULES
from inspect_app.model import DecisionRule, Limit, SpotAllowance
from inspect_app.quantity import format_limit

RULE_NAMES: Final[Mapping[DecisionRule, str]] = {
    DecisionRule.SIMPLE: "simple acceptance",
    DecisionRule.GUARDED: "guarded acceptance",
    DecisionRule.GUARD_U: "guard band U",
    DecisionRule.ISO14253_BUYER: "buyer proves nonconformity",
    DecisionRule.ISO14253_SUPPLIER: "supplier proves conformity",
    DecisionRule.NONBINARY: "conditional pass and fail",
    DecisionRule.PROBABILITY: "probability of conformity",
}

_TEXTS: Final[Mapping[DecisionRule, str]] = {
    DecisionRule.SIMPLE: (
        "A result conforms when its value lies within the limit; the uncertainty is stated and not"
        " added to the limit. At the limit itself the chance of a wrong decision is up to 50 %."
    ),
    DecisionRule.GUARDED: (
        "The guard band is the expanded uncertainty U. A result conforms when it lies within the"
        " limit by U or more, and does not conform when it lies beyond the limit by more than U; between the two it is"
        " inconclusive and the device is held. The chance that an accepted result does not conform is below 2.5 %."
    ),
    DecisionRule.GUARD_U: (
        "The guard band is the expanded uncertainty U. A result conforms when it lies within the limit by U or more;"
        " any other does not conform. The chance that an accepted result does not conform is below 2.5 %."
    ),
    DecisionRule.ISO14253_BUYER: (
        "The buyer proves nonconformity: a result does not conform when it lies beyond the limit by more than 1.645"
        " standard uncertainties (95 %), and conforms when it lies within by as much. Between the two neither is"
        " proven, and the device is accepted."
    ),
    DecisionRule.ISO14253_SUPPLIER: (
        "The supplier proves conformity: a result conforms when it lies within the limit by 1.645 standard"
        " uncertainties or more (95 %). Of any other result conformity is not proven, whether or not nonconformity"
        " would be, and the device is rejected."
    ),
    DecisionRule.NONBINARY: (
        "The guard band is the expanded uncertainty U. A result passes when it lies within the limit by U or more and"
        " fails when it lies beyond by more than U; nearer to the limit it passes or fails conditionally. What a"
        " conditional pass or fail means for the device is the contract's to say: where it says nothing, a pass is"
        " accepted and a fail rejected."
    ),
    DecisionRule.PROBABILITY: (
        "A result conforms when the probability that the true value meets the limit, given result and uncertainty, is"
        " at least the one that the contract names; otherwise it does not conform."
    ),
}


def rule_text(demand: Limit | SpotAllowance) -> str:
    """Return the name of a demand's decision rule, with the probability where it asks for one."""
    name = RULE_NAMES[demand.decision_rule]
    if isinstance(demand, Limit) and demand.p_min is not None:
        return f"{name} at least {format_limit(100 * demand.p_min, '%')}"
    if isinstance(demand, Limit) and demand.decision_rule is DecisionRule.NONBINARY:
        return f"{name} (pass {demand.conditional_pass}, fail {demand.conditional_fail})"
    return name


def explained(rule: DecisionRule) -> str:
    """Return what a rule does, for a reader who has only the page, and where it is published."""
    return f"{_TEXTS[rule]} ({RULES[rule].source}.)"
