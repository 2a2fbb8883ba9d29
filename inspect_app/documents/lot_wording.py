"""Words for sampled lots, the same on the page and on paper."""

from inspect_app.documents import wording
from inspect_app.documents.figures import Figure, LotQuestion, characteristic_figure, outgoing_figures
from inspect_app.judge.agreement import highest_rate
from inspect_app.judge.characteristic import NEVER_WRONG, WrongVerdicts
from inspect_app.model import ReaderErrors, SampleDraw, SamplingPlan, SeverityPlan


def plan_source(pinned: SeverityPlan) -> str:
    """Return where a plan comes from: tables, level and AQL, letters, or the agreed quality."""
    demand, plan = pinned.demand, pinned.plan
    if demand.aql is not None:
        source = f"{demand.edition}, level {demand.level}, AQL {demand.aql:g}"
    elif demand.level:
        source = f"MIL-STD-1916, level {demand.level}"
    elif demand.limiting_percent:
        source = f"limiting quality {demand.limiting_percent:g} %, risk {demand.consumer_risk:g}"
    else:
        source = "every device"
    return f"{source}, letter {plan.code_letter}, plan of letter {plan.final_letter}" if plan.code_letter else source


def stringency_word(pinned: SeverityPlan) -> str:
    """Return normal, tightened or reduced; ``as agreed`` where the plan does not switch."""
    return pinned.stringency.value if pinned.demand.switches_by else "as agreed"


def numbers_text(plan: SamplingPlan, count: int) -> str:
    """Return what was found beside the numbers that decide."""
    return f"{count} found; accept up to {plan.acceptance_number}, reject from {plan.rejection_number}"


def draw_rule(draw: SampleDraw) -> str:
    """Return how the sample follows from its seed."""
    return f"the first {draw.size} of {draw.lot_size} serials in the order of the SHA-256 of seed, line feed and serial"


def looks_source(study_number: str, errors: ReaderErrors) -> str:
    """Return where the rates of wrong verdicts come from, with the most that they may be."""
    low, high = (
        wording.per_cent(highest_rate(count, of))
        for count, of in ((errors.good_rejected, errors.good), (errors.bad_accepted, errors.bad))
    )
    return (
        f"reader study {study_number}: {errors.good_rejected} of {errors.good} looks at good items rejected"
        f" (below {low} with 95 % confidence),"
        f" {errors.bad_accepted} of {errors.bad} at bad ones accepted (below {high})"
    )


def plan_figures(
    pinned: SeverityPlan, lot_size: int, wrong: WrongVerdicts = NEVER_WRONG, source: str = ""
) -> tuple[Figure, ...]:
    """Return the operating characteristic of a plan as it meets a lot, outgoing quality, and devices inspected.

    `source` says where the rates of wrong verdicts come from.
    """
    question = LotQuestion(plan=pinned.plan, lot_size=lot_size, aql=pinned.demand.aql, wrong=wrong, source=source)
    severity = pinned.severity.value
    characteristic = characteristic_figure(f"Operating characteristic, {severity}", question)
    return characteristic, *outgoing_figures(severity.capitalize(), question)
