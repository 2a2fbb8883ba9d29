"""Results against limits: decisions with their doubt, spot tables, verdicts; it never sees a pixel."""

from inspect_app.judge.acceptance import Acceptance, acceptance, capability, excess_over, probability_of_conformity
from inspect_app.judge.allowance import decide_spots
from inspect_app.judge.decision import decide, demand_in_words
from inspect_app.judge.results import StepResults, can_answer, judge_results, results_behind
from inspect_app.judge.rules import RULES, Rule
from inspect_app.judge.verdict import device_verdict, outcome_of

__all__ = [
    "RULES",
    "Acceptance",
    "Rule",
    "StepResults",
    "acceptance",
    "can_answer",
    "capability",
    "decide",
    "decide_spots",
    "demand_in_words",
    "device_verdict",
    "excess_over",
    "judge_results",
    "outcome_of",
    "probability_of_conformity",
    "results_behind",
]
