"""Why a judgement is what it is: the walk from capture to verdict, in printed words, for page and document alike."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from inspect_app.definitions import Contract, Form, Step, step_results
from inspect_app.documents import wording
from inspect_app.documents.rule_words import explained, rule_text
from inspect_app.judge import results_behind
from inspect_app.model import Entry, Inspection, Judgement, Limit, Result
from inspect_app.quantity import (
    Contribution,
    Quantity,
    decimals_for,
    expanded_uncertainty,
    format_number,
    format_quantity,
    with_unit,
)

_SHOWN_DIGITS: Final = 3
_MANY: Final = 10.0  # degrees of freedom of which nobody needs tenths
_NEARLY_WHOLE: Final = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """One stage of the walk: its name, and what is to be said there, a sentence each."""

    name: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetRow:
    """One line of an uncertainty budget (JCGM 100:2008, clause 8): input / divisor x sensitivity = contribution."""

    source: str
    distribution: str
    input: str
    divisor: str
    sensitivity: str
    contribution: str
    freedom: str
    share: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetTable:
    """The budget of one result, and what its lines combine to."""

    result: str
    unit: str
    rows: tuple[BudgetRow, ...]
    total: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Why:
    """The walk of one judgement: `before` its budgets stand, `after` them the limit, the rule and the decision."""

    title: str
    before: tuple[Stage, ...]
    budgets: tuple[BudgetTable, ...]
    after: tuple[Stage, ...]


def why(judgement: Judgement, form: Form, contract: Contract, inspection: Inspection) -> Why:
    """Return the walk from capture to verdict of one judgement.

    Parameters
    ----------
    judgement : Judgement
        Of the inspection.
    form, contract
        As the inspection pinned them.
    inspection : Inspection
        With the newest entry of each step.
    """
    results = results_behind(judgement, step_results(form, inspection.entries))
    entry = inspection.entries.get(judgement.step_id or "")
    step = next((step for step in form.steps if step.id == judgement.step_id), None)
    return Why(
        title=f"{judgement.limit.clause} {wording.named_demand(judgement)}",
        before=tuple(_before(judgement, entry, step, results)),
        budgets=tuple(_budget(result) for result in results if result.budget),
        after=tuple(_after(judgement, contract)),
    )


def why_text(walk: Why) -> str:
    """Return a walk as plain text, as it is attached to documents."""
    lines = [walk.title, "=" * len(walk.title)]
    for stage in walk.before:
        lines += _stage_text(stage)
    for budget in walk.budgets:
        lines += [f"Uncertainty budget of {budget.result}:", *(f"  {row}" for row in _rows_text(budget)), budget.total]
    for stage in walk.after:
        lines += _stage_text(stage)
    return "\n".join(lines)


def _stage_text(stage: Stage) -> list[str]:
    return [f"{stage.name}: {' '.join(stage.lines)}"]


def _rows_text(budget: BudgetTable) -> Iterator[str]:
    for row in budget.rows:
        yield (
            f"{row.source}; {row.distribution}: {row.input} / {row.divisor} x {row.sensitivity} = {row.contribution}"
            f" ({row.share}, degrees of freedom {row.freedom})"
        )


def _before(judgement: Judgement, entry: Entry | None, step: Step | None, results: Sequence[Result]) -> Iterator[Stage]:
    if entry is not None:
        yield Stage(name="Capture", lines=tuple(_captures(entry, step)))
        if entry.measured is not None:
            yield Stage(name="Method", lines=tuple(_method(entry)))
    if len(results) > 1:
        read = (f"{_named(result)} {format_quantity(result.quantity)};" for result in results)
        yield Stage(name="Readings", lines=(*read, "their mean is judged."))
    elif results:
        yield Stage(name="Reading", lines=(f"{_named(results[0])} {_with_doubt(results[0].quantity)}.",))
    elif judgement.quantity is not None:
        yield Stage(name="Reading", lines=(f"{_with_doubt(judgement.quantity)}.",))


def _named(result: Result) -> str:
    return wording.titled(wording.name_in_words(result.quantity_name), result.condition)


def _captures(entry: Entry, step: Step | None) -> Iterator[str]:
    title = entry.step_id if step is None else wording.titled(step.title, step.condition)
    yield f"Step {title}, {wording.minute(entry.recorded_at)}, {entry.recorded_by.name}, revision {entry.revision}."
    labels = {} if step is None else {question.name: question.label for question in step.questions}
    for name, texts in entry.answers.items():
        yield f"{labels.get(name, wording.name_in_words(name))}: {wording.answers_text(texts)}."
    for file in entry.evidence:
        yield f"{file.role.capitalize()} {file.name}, SHA-256 {file.sha256[:16]}…."
    readings = wording.readings_text(() if step is None else step.windows, entry.conditions)
    if readings:
        yield f"Read at the bench: {readings}."
    if entry.instruments:
        yield f"With {', '.join(f'{one.name} ({one.serial})' for one in entry.instruments)}."


def _method(entry: Entry) -> Iterator[str]:
    if entry.measured is not None:
        yield f"{wording.name_in_words(entry.measured.check)}: {entry.measured.method.rstrip('.')}."
        yield from (f"{warning.rstrip('.')}." for warning in entry.measured.warnings)
    yield from (f"{text.rstrip('.')}." for text in wording.corrections_text(entry))


def _with_doubt(quantity: Quantity) -> str:
    """Return value, standard uncertainty and degrees of freedom; an exact value is said to be one."""
    if quantity.standard_uncertainty == 0:
        return f"{format_quantity(quantity)}, an exact count"
    decimals = decimals_for(quantity.standard_uncertainty, quantity.value)
    uncertainty = with_unit(format_number(quantity.standard_uncertainty, decimals), quantity.unit)
    value = with_unit(format_number(quantity.value, decimals), quantity.unit)
    return f"{value}, standard uncertainty {uncertainty}, degrees of freedom {_freedom(quantity.degrees_of_freedom)}"


def _freedom(freedom: float | None) -> str:
    if freedom is None:
        return "∞"
    is_whole = abs(freedom - round(freedom)) < _NEARLY_WHOLE
    return format_number(freedom, 0 if is_whole or freedom >= _MANY else 1)


def _budget(result: Result) -> BudgetTable:
    quantity = result.quantity
    total = quantity.standard_uncertainty
    expanded = with_unit(_short(expanded_uncertainty(quantity)), quantity.unit)
    return BudgetTable(
        result=_named(result),
        unit=quantity.unit,
        rows=tuple(_row(line, total) for line in result.budget),
        total=(
            f"Combined, as the root of the sum of squares: u = {with_unit(_short(total), quantity.unit)}, effective"
            f" degrees of freedom {_freedom(quantity.degrees_of_freedom)} (Welch-Satterthwaite);"
            f" {wording.coverage_text(quantity) or 'k = 2'} gives U = {expanded}."
        ),
    )


def _row(line: Contribution, total: float) -> BudgetRow:
    share = 0.0 if total == 0 else (line.standard_uncertainty / total) ** 2
    return BudgetRow(
        source=line.source,
        distribution=line.distribution,
        input=_short(line.input),
        divisor=_short(line.divisor),
        sensitivity=_short(line.sensitivity),
        contribution=_short(line.standard_uncertainty),
        freedom=_freedom(line.degrees_of_freedom),
        share=with_unit(format_number(100 * share, 0), "%"),
    )


def _short(number: float) -> str:
    """Print a number of a budget to three digits."""
    text = f"{number:#.{_SHOWN_DIGITS}g}".rstrip(".")
    return text.replace("-", "\N{MINUS SIGN}")


def _after(judgement: Judgement, contract: Contract) -> Iterator[Stage]:
    limit = judgement.limit
    at = f"contract {contract.number}, revision {contract.revision}, clause {limit.clause}"
    demand = wording.demand_text(limit) if isinstance(limit, Limit) else "the table of allowed spots"
    yield Stage(name="Limit", lines=(f"{limit.title}: {demand} ({at}); a miss is {limit.severity}.",))
    yield Stage(name="Rule", lines=tuple(_rule(judgement)))
    yield Stage(name="Result", lines=tuple(_decision(judgement)))


def _rule(judgement: Judgement) -> Iterator[str]:
    limit, quantity = judgement.limit, judgement.quantity
    name = rule_text(limit)
    yield f"{name[:1].upper()}{name[1:]}. {explained(limit.decision_rule)}"
    if isinstance(limit, Limit) and quantity is not None and judgement.guard_band and judgement.coverage_factor:
        factor, band = _short(judgement.coverage_factor), with_unit(_short(judgement.guard_band), limit.unit)
        yield f"Here w = {factor} u = {band}; accepted if {wording.acceptance_text(judgement, limit)}."


def _decision(judgement: Judgement) -> Iterator[str]:
    word = str(judgement.finding)
    yield f"{word[:1].upper()}{word[1:]}. {judgement.reason}"
    if judgement.quantity is None or judgement.margin is None:
        return
    yield f"Margin to the acceptance limit {with_unit(_short(judgement.margin), judgement.quantity.unit)}."
    if judgement.probability_of_conformity is not None and judgement.quantity.standard_uncertainty:
        yield f"Probability of conformity {wording.probability_text(judgement.probability_of_conformity)}."
    if judgement.specific_risk is not None and judgement.quantity.standard_uncertainty:
        yield f"Probability that this decision is wrong {wording.probability_text(judgement.specific_risk)}."
