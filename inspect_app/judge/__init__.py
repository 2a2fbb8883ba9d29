"""Results against limits: decisions with their doubt, spot tables, verdicts; it never sees a pixel."""

from inspect_app.judge.allowance import decide_spots
from inspect_app.judge.decision import decide, demand_in_words, probability_of_conformity
from inspect_app.judge.results import StepResults, can_answer, judge_results
from inspect_app.judge.verdict import device_verdict, lot_outcome

__all__ = [
    "StepResults",
    "can_answer",
    "decide",
    "decide_spots",
    "demand_in_words",
    "device_verdict",
    "judge_results",
    "lot_outcome",
    "probability_of_conformity",
]
