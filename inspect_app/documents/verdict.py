"""The verdict in one line, and the judgements that decided it: what, required, found, by how much."""

from inspect_app.documents import wording
from inspect_app.documents.paper import Paper
from inspect_app.model import Finding, Judgement, Limit
from inspect_app.quantity import decimals_for, expanded_uncertainty, format_number, format_quantity, with_unit


def headline(paper: Paper) -> str:
    """Return how many demands were judged, and how many are not met."""
    total = len(paper.judgements)
    failed = sum(judgement.finding is Finding.NONCONFORMING for judgement in paper.judgements)
    contract = f"contract {paper.contract.number}, revision {paper.contract.revision}"
    if total == 0:
        return f"No demand of {contract} applies to this device class."
    if failed == 0:
        return f"All {total} demands of {contract} are met."
    return f"{failed} of {total} demands of {contract} {'is' if failed == 1 else 'are'} not met."


def deciding_lines(paper: Paper) -> tuple[str, ...]:
    """Return a sentence for each judgement that decided; for an accepted device, the one nearest to its limit."""
    if paper.verdict.deciding:
        return tuple(failing_line(judgement) for judgement in paper.verdict.deciding)
    nearest = nearest_to_limit(paper.judgements)
    return () if nearest is None else (_passing_line(nearest),)


def nearest_to_limit(judgements: tuple[Judgement, ...]) -> Judgement | None:
    """Return the conforming judgement with the least margin as a share of its limit; None where none has a margin."""
    measured = [
        j for j in judgements if j.margin is not None and j.quantity is not None and j.finding is Finding.CONFORMING
    ]
    return min(measured, key=_share, default=None)


def _share(judgement: Judgement) -> float:
    limit = judgement.limit
    bounds = [limit.at_least, limit.at_most] if isinstance(limit, Limit) else []
    size = max((abs(bound) for bound in bounds if bound), default=1.0)
    return (judgement.margin or 0.0) / size


def failing_line(judgement: Judgement) -> str:
    """Return clause, demand, required, found, and by how much the limit is missed."""
    limit, quantity = judgement.limit, judgement.quantity
    named = f"Clause {limit.clause}, {named_demand(judgement)} ({limit.severity})"
    if not isinstance(limit, Limit) or quantity is None:
        return f"{named}: {judgement.reason}"
    beyond = _beyond(judgement, limit)
    return f"{named}: required {wording.demand_text(limit)}, found {format_quantity(quantity)}{beyond}."


def named_demand(judgement: Judgement) -> str:
    """Return the demand's title with the condition under which it decided."""
    under = wording.condition_text(judgement.limit.condition or judgement.condition)
    return judgement.limit.title + (f", {under}" if under else "")


def _beyond(judgement: Judgement, limit: Limit) -> str:
    quantity = judgement.quantity
    if quantity is None:
        return ""
    over = 0.0 if limit.at_most is None else quantity.value - limit.at_most
    under = 0.0 if limit.at_least is None else limit.at_least - quantity.value
    if max(over, under) <= 0:
        return ""
    decimals = decimals_for(expanded_uncertainty(quantity), quantity.value)
    distance = with_unit(format_number(max(over, under), decimals), quantity.unit)
    return f": {distance} {'above' if over > under else 'below'} the limit"


def _passing_line(judgement: Judgement) -> str:
    limit, quantity = judgement.limit, judgement.quantity
    if not isinstance(limit, Limit) or quantity is None or judgement.margin is None:
        return ""
    decimals = decimals_for(expanded_uncertainty(quantity), quantity.value)
    margin = with_unit(format_number(judgement.margin, decimals), limit.unit)
    inside = "the acceptance limit" if judgement.guard_band else "the limit"
    return (
        f"Nearest to its limit: {named_demand(judgement)}: {format_quantity(quantity)}, "
        f"limit {wording.demand_text(limit)}; {margin} inside {inside}."
    )
