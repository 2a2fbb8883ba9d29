"""What pages show of results, judgements, figures and instruments: numbers already printed, verdicts with a word."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

from markupsafe import Markup
from wtforms import Field

from inspect_app.definitions.values import Form, Step
from inspect_app.documents import wording
from inspect_app.documents.figures import Figure, figures, result_bar, setup_figure
from inspect_app.documents.rule_words import rule_text
from inspect_app.model import (
    Calibration,
    Condition,
    Entry,
    Evidence,
    Finding,
    Inspection,
    Instrument,
    Judgement,
    Limit,
    Measured,
    Outcome,
    Result,
    Verdict,
)
from inspect_app.quantity import (
    decimals_for,
    format_number,
    format_quantity,
    with_unit,
)
from inspect_app.web.rail import state_word
from inspect_app.workflow import ReferenceChart


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """A verdict as shown: a mark, a word, and the tone that repeats them in colour."""

    mark: str
    word: str
    tone: str


_FINDINGS: Final[Mapping[Finding, Standing]] = {
    Finding.CONFORMING: Standing(mark="✓", word="Conforms", tone="pass"),
    Finding.NONCONFORMING: Standing(mark="✗", word="Does not conform", tone="fail"),
    Finding.INCONCLUSIVE: Standing(mark="?", word="Inconclusive", tone="doubt"),
    Finding.NOT_MEASURED: Standing(mark="–", word="Not measured", tone="doubt"),
    Finding.CONDITIONAL_PASS: Standing(mark="✓", word="Conditional pass", tone="pass"),
    Finding.CONDITIONAL_FAIL: Standing(mark="✗", word="Conditional fail", tone="fail"),
}
_OUTCOMES: Final[Mapping[Outcome, Standing]] = {
    Outcome.ACCEPTED: Standing(mark="✓", word="Accepted", tone="pass"),
    Outcome.REJECTED: Standing(mark="✗", word="Rejected", tone="fail"),
    Outcome.HELD: Standing(mark="?", word="Held", tone="doubt"),
}
_NEXT_ACTS: Final[Mapping[Finding, str]] = {
    Finding.INCONCLUSIVE: "Measure again, or take it to the contract officer.",
    Finding.NOT_MEASURED: "Measure it, or leave it: the device is then held.",
}
_KIB: Final = 1024
_DIGEST_LENGTH: Final = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownJudgement:
    """One demand of the contract, decided, in printed words."""

    clause: str
    title: str
    demand: str
    rule: str
    severity: str
    under: str
    value: str
    acceptance: str
    margin: str
    probability: str
    standing: Standing
    reason: str
    next_act: str
    bar: Markup | None
    step_id: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetLine:
    """One line of an uncertainty budget, printed."""

    source: str
    distribution: str
    uncertainty: str
    degrees_of_freedom: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownResult:
    """One result, printed with its expanded uncertainty."""

    name: str
    under: str
    value: str
    coverage: str
    budget: tuple[BudgetLine, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownFigure:
    """A drawing with the same in words and as a table."""

    title: str
    svg: Markup
    text_alternative: str
    columns: tuple[str, ...]
    table: tuple[tuple[str, ...], ...]


def outcome_standing(outcome: Outcome) -> Standing:
    """Return mark, word and tone of a verdict."""
    return _OUTCOMES[outcome]


def bench_standing(chart: ReferenceChart) -> Standing:
    """Return whether the bench is in control by one reference."""
    if chart.alarm is not None:
        return Standing(mark="✗", word="Signals", tone="fail")
    if not chart.points or chart.points[-1].limits is None:
        return Standing(mark="–", word="No limits yet" if not chart.watched.limits else "Not read yet", tone="doubt")
    return Standing(mark="✓", word="In control", tone="pass")


def judgements(decided: Sequence[Judgement]) -> tuple[ShownJudgement, ...]:
    """Return judgements as shown, in their order."""
    return tuple(_judgement(judgement) for judgement in decided)


def deciding(verdict: Verdict) -> tuple[ShownJudgement, ...]:
    """Return what decided a verdict, as shown."""
    return judgements(verdict.deciding)


def _judgement(judgement: Judgement) -> ShownJudgement:
    demand = judgement.limit
    bar = result_bar(judgement)
    share = judgement.probability_of_conformity if isinstance(demand, Limit) else None
    return ShownJudgement(
        clause=demand.clause,
        title=demand.title,
        demand=wording.demand_text(demand) if isinstance(demand, Limit) else "spot table",
        rule=rule_text(demand) if isinstance(demand, Limit) else "count",
        severity=str(demand.severity),
        under=wording.condition_text(wording.decided_under(judgement), demand.title),
        value=format_quantity(judgement.quantity) if judgement.quantity is not None else "",
        acceptance=wording.acceptance_text(judgement, demand)
        if isinstance(demand, Limit) and judgement.guard_band and judgement.quantity is not None
        else "",
        margin=_margin(judgement, demand) if isinstance(demand, Limit) else "",
        probability="" if share is None else wording.probability_text(share),
        standing=_FINDINGS[judgement.finding],
        reason=judgement.reason,
        next_act=_NEXT_ACTS.get(judgement.finding, ""),
        bar=None if bar is None else _safe(bar.svg),
        step_id=judgement.step_id,
    )


def _margin(judgement: Judgement, limit: Limit) -> str:
    if judgement.margin is None or judgement.quantity is None:
        return ""
    decimals = decimals_for(2 * judgement.quantity.standard_uncertainty, judgement.quantity.value)
    return with_unit(format_number(judgement.margin, decimals), limit.unit)


def results(measured: Measured, step_condition: Condition) -> tuple[ShownResult, ...]:
    """Return the results of a measurement as shown; what the step's title says already is not repeated."""
    return tuple(
        ShownResult(
            name=wording.name_in_words(result.quantity_name),
            under=wording.condition_text({k: v for k, v in result.condition.items() if step_condition.get(k) != v}),
            value=format_quantity(result.quantity),
            coverage=wording.coverage_text(result.quantity),
            budget=_budget(result),
        )
        for result in measured.results
    )


def _budget(result: Result) -> tuple[BudgetLine, ...]:
    decimals = decimals_for(result.quantity.standard_uncertainty, result.quantity.value) + 1
    return tuple(
        BudgetLine(
            source=line.source,
            distribution=line.distribution,
            uncertainty=with_unit(format_number(line.standard_uncertainty, decimals), result.quantity.unit),
            degrees_of_freedom="∞" if line.degrees_of_freedom is None else format_number(line.degrees_of_freedom, 0),
        )
        for line in result.budget
    )


def drawings(measured: Measured, decided: Sequence[Judgement], condition: Condition) -> tuple[ShownFigure, ...]:
    """Return the figures of a measurement as shown."""
    return tuple(figure_as_shown(figure) for figure in figures(measured, decided, condition))


def figure_as_shown(figure: Figure) -> ShownFigure:
    """Return a figure as a page holds it."""
    return ShownFigure(
        title=figure.title,
        svg=_safe(figure.svg),
        text_alternative=figure.text_alternative,
        columns=figure.columns,
        table=figure.table,
    )


def setup(step: Step) -> ShownFigure | None:
    """Return the drawing of how a step is set up."""
    figure = setup_figure(step.check)
    return None if figure is None else figure_as_shown(figure)


def _safe(svg: str) -> Markup:
    return Markup(svg)  # noqa: S704  # drawn by our own documents package, every text in it escaped


def size_text(size_bytes: int) -> str:
    """Return a file's size for people."""
    size, unit = float(size_bytes), "B"
    for larger in ("KiB", "MiB", "GiB"):
        if size < _KIB:
            break
        size, unit = size / _KIB, larger
    return f"{format_number(size, 0 if unit == 'B' else 1)} {unit}"


def detail_text(detail: Mapping[str, str], titles: Mapping[str, str]) -> str:
    """Return what an event tells beside its subject; `titles` are those of the steps by their ids."""
    return "; ".join(_told(name, text, titles) for name, text in detail.items() if text)


def _told(name: str, text: str, titles: Mapping[str, str]) -> str:
    if name == "step":
        return f"step {titles.get(text, text)}"
    if name == "size_bytes":
        return size_text(int(text))
    if len(text) == _DIGEST_LENGTH and not text.strip("0123456789abcdef"):
        return f"digest {text[:12]}…"
    return f"{wording.name_in_words(name).lower()} {text}"


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownEntry:
    """One revision of a step's answers, for the list of what was recorded before."""

    revision: int
    state: str
    recorded_at: datetime
    recorded_by: str
    reason: str
    answers: tuple[tuple[str, str], ...]
    results: tuple[ShownResult, ...]
    problem: str
    evidence: tuple[Evidence, ...]


def entry(step: Step, recorded: Entry) -> ShownEntry:
    """Return one revision as shown, its answers under the labels they were asked with."""
    labels = {question.name: question.label for question in step.questions}
    answers = [
        (labels.get(name, wording.name_in_words(name)), wording.answers_text(texts))
        for name, texts in recorded.answers.items()
    ]
    readings = wording.readings_text(step.windows, recorded.conditions)
    if readings:
        answers.append(("Conditions", readings))
    if recorded.instruments:
        named = ", ".join(f"{one.name} ({one.serial})" for one in recorded.instruments)
        answers.append(("Instruments", named))
    return ShownEntry(
        revision=recorded.revision,
        state=str(recorded.state),
        recorded_at=recorded.recorded_at,
        recorded_by=recorded.recorded_by.name,
        reason=recorded.reason or "",
        answers=tuple(answers),
        results=results(recorded.measured, step.condition) if recorded.measured else (),
        problem=recorded.problem or "",
        evidence=recorded.evidence,
    )


def field_text(field: Field) -> str:
    """Return what a field holds, for a person to compare: the words of a choice, not its value."""
    data = (field.data or "") if isinstance(field.data, str | None) else ""
    choices = dict(getattr(field, "choices", None) or ())
    return str(choices.get(data, data)) if data else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownStep:
    """One step on the review page: what it gave, or why it gave nothing."""

    id: str
    title: str
    state: str
    results: tuple[ShownResult, ...]
    problem: str
    reason: str
    recorded: str
    evidence: tuple[Evidence, ...]


def steps(form: Form, inspection: Inspection) -> tuple[ShownStep, ...]:
    """Return every step of the form with what is recorded of it."""
    return tuple(_step(step, inspection.entries.get(step.id)) for step in form.steps)


def _step(step: Step, recorded: Entry | None) -> ShownStep:
    measured = recorded.measured if recorded else None
    return ShownStep(
        id=step.id,
        title=step.title,
        state=state_word(recorded),
        results=results(measured, step.condition) if measured else (),
        problem=(recorded.problem or "") if recorded else "",
        reason=(recorded.reason or "") if recorded else "",
        recorded=f"{wording.minute(recorded.recorded_at)}, {recorded.recorded_by.name}" if recorded else "",
        evidence=recorded.evidence if recorded else (),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownInstrument:
    """An instrument with the state of its calibration today."""

    instrument: Instrument
    standing: Standing
    due: str
    calibrations: tuple[Calibration, ...]


def instruments(found: Sequence[Instrument], today: date) -> tuple[ShownInstrument, ...]:
    """Return instruments as shown, calibrations newest first."""
    return tuple(_instrument(one, today) for one in found)


def _instrument(one: Instrument, today: date) -> ShownInstrument:
    current, latest = one.calibration_on(today), one.latest_calibration()
    if current is not None:
        standing = Standing(mark="✓", word="Calibrated", tone="pass")
    elif latest is not None:
        standing = Standing(mark="✗", word="Past due", tone="fail")
    else:
        standing = Standing(mark="✗", word="Never calibrated", tone="fail")
    counting = current or latest
    return ShownInstrument(
        instrument=one,
        standing=standing,
        due=wording.day(counting.due_on) if counting else "",
        calibrations=tuple(sorted(one.calibrations, key=lambda each: each.calibrated_on, reverse=True)),
    )
