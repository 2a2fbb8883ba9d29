"""The operating characteristic of a sampling plan: how often a lot is accepted, over its quality."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from inspect_app.documents.figures._drawing import Dash
from inspect_app.documents.figures._figure import Figure
from inspect_app.documents.figures._plot import BOTTOM, LEFT, RIGHT, TOP, Instant, Plot
from inspect_app.documents.figures._scale import scale_for
from inspect_app.documents.figures.curves import short_number
from inspect_app.judge import characteristic
from inspect_app.judge.characteristic import NEVER_WRONG, WrongVerdicts
from inspect_app.model import SamplingPlan

_POINTS: Final = 60
_LAST: Final = 0.005  # where the curve is as good as at its end
_PER_CENT: Final = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LotQuestion:
    """A plan as it meets one lot; `aql` in percent or per 100, None where the plan has none.

    `source` says where the rates of wrong verdicts come from, if anywhere.
    """

    plan: SamplingPlan
    lot_size: int
    aql: float | None = None
    wrong: WrongVerdicts = NEVER_WRONG
    source: str = ""

    @property
    def drawn(self) -> SamplingPlan:
        """The plan with as many devices as the lot has to give."""
        return replace(self.plan, size=self.plan.devices_of(self.lot_size))


def characteristic_figure(title: str, question: LotQuestion) -> Figure:
    """Draw the process (solid) and the lot at hand (dashed), and both again where verdicts on devices may be wrong.

    Parameters
    ----------
    title : str
        What the plan is for.
    question : LotQuestion
        The plan and its lot.

    Returns
    -------
    Figure
        Its table has the outgoing quality and the devices inspected when rejected lots are screened.
    """
    plan = question.drawn
    end = characteristic.process_quality(plan, (_LAST,))[0]
    qualities = [end * count / _POINTS for count in range(_POINTS + 1)]
    points = characteristic.risk_points(plan)
    plot = Plot(
        scale_for([0.0, _PER_CENT * end], start=LEFT, end=RIGHT, from_zero=True),
        scale_for([0.0, 100.0], start=BOTTOM, end=TOP + 18, from_zero=True),
        x_label=_quality_words(plan),
        y_label="Accepted, %",
    )
    named = _draw_curves(plot, question, qualities)
    plot.legend(named)
    if question.aql is not None and question.aql <= _PER_CENT * end:
        plot.instants([Instant(x=question.aql, label=f"AQL {question.aql:g}", kind="limit")])
    for quality, accepted, label in (
        (points.producer_quality, 95, "producer's 5 %"),
        (points.consumer_quality, 10, "consumer's 10 %"),
    ):
        plot.mark(_PER_CENT * quality, accepted, label=label)
    words = _words(points) + _wrong_words(question.wrong, question.source)
    columns, table = _table(question)
    return Figure(title=title, svg=plot.drawing.svg(title, words), text_alternative=words, columns=columns, table=table)


def _draw_curves(plot: Plot, question: LotQuestion, qualities: Sequence[float]) -> list[tuple[str, Dash]]:
    plan = question.drawn
    _draw(plot, qualities, characteristic.process_acceptance(plan, qualities), Dash.SOLID)
    named = [("process", Dash.SOLID)]
    bad = sorted({min(question.lot_size, round(quality * question.lot_size)) for quality in qualities})
    of_lot = [count / question.lot_size for count in bad]
    if not plan.counts_nonconformities:
        _draw(plot, of_lot, characteristic.lot_acceptance(plan, question.lot_size, bad), Dash.DASHED)
        named.append((f"this lot of {question.lot_size}", Dash.DASHED))
    if question.wrong != NEVER_WRONG:
        _draw(plot, qualities, characteristic.process_acceptance(plan, qualities, question.wrong), Dash.DOTTED)
        named.append(("process, as seen", Dash.DOTTED))
    if question.wrong != NEVER_WRONG and not plan.counts_nonconformities:
        seen = characteristic.lot_acceptance(plan, question.lot_size, bad, question.wrong)
        _draw(plot, of_lot, seen, Dash.DASH_DOT)
        named.append(("lot, as seen", Dash.DASH_DOT))
    return named


def _draw(plot: Plot, qualities: Sequence[float], accepted: Sequence[float], dash: Dash) -> None:
    plot.curve([_PER_CENT * one for one in qualities], [_PER_CENT * one for one in accepted], dash=dash)


def _quality_words(plan: SamplingPlan) -> str:
    return "Nonconformities per 100 devices" if plan.counts_nonconformities else "Nonconforming, %"


def _words(points: characteristic.RiskPoints) -> str:
    producer, indifferent, consumer = (
        short_number(_PER_CENT * one)
        for one in (points.producer_quality, points.indifference_quality, points.consumer_quality)
    )
    return (
        f"Of a process with {producer} in 100, 95 % of the lots are accepted (producer's risk 5 %); "
        f"with {indifferent}, every other; with {consumer}, 10 % (consumer's risk)."
    )


def _wrong_words(wrong: WrongVerdicts, source: str) -> str:
    if wrong == NEVER_WRONG and not source:
        return ""
    rejects, accepts = (short_number(_PER_CENT * one) for one in (wrong.false_reject, wrong.false_accept))
    by = f", by {source}" if source else ""
    return f" As seen: {rejects} % of the good devices are rejected and {accepts} % of the bad ones accepted{by}."


def outgoing_figures(title: str, question: LotQuestion) -> tuple[Figure, Figure]:
    """Draw what leaves, and how many devices are inspected, where the rest of a rejected lot is inspected too.

    Parameters
    ----------
    title : str
        What the plan is for.
    question : LotQuestion
        The plan and its lot; drawn again, dotted, where verdicts on devices may be wrong.

    Returns
    -------
    tuple of Figure
        Average outgoing quality with its limit, and average total inspection; their numbers stand in the table of the
        operating characteristic.
    """
    plan, size = question.drawn, question.lot_size
    end = characteristic.process_quality(plan, (_LAST,))[0]
    qualities = [end * count / _POINTS for count in range(_POINTS + 1)]
    leaving = [
        [_PER_CENT * one for one in characteristic.average_outgoing_quality(plan, size, qualities, wrong)]
        for wrong in _asked(question)
    ]
    effort = [characteristic.average_total_inspection(plan, size, qualities, wrong) for wrong in _asked(question)]
    worst = max(leaving[0])
    at = _PER_CENT * qualities[leaving[0].index(worst)]
    quality = _over_quality(
        f"{title}: outgoing quality",
        _quality_words(plan),
        "Outgoing, %",
        qualities,
        leaving,
        f"Where the rest of a rejected lot is inspected, at most {short_number(worst)} in 100 leave on average (AOQL),"
        f" at an incoming quality of {short_number(at)}.",
    )
    inspected = _over_quality(
        f"{title}: devices inspected",
        _quality_words(plan),
        "Inspected",
        qualities,
        effort,
        f"On average between {short_number(effort[0][0])} and {short_number(effort[0][-1])} of {size} devices are"
        " inspected (ATI).",
    )
    return quality, inspected


def _asked(question: LotQuestion) -> tuple[WrongVerdicts, ...]:
    return (NEVER_WRONG,) if question.wrong == NEVER_WRONG else (NEVER_WRONG, question.wrong)


def _over_quality(
    title: str, x_label: str, y_label: str, qualities: Sequence[float], curves: Sequence[Sequence[float]], words: str
) -> Figure:
    plot = Plot(
        scale_for([0.0, _PER_CENT * qualities[-1]], start=LEFT, end=RIGHT, from_zero=True),
        scale_for([one for ys in curves for one in ys], start=BOTTOM, end=TOP, from_zero=True),
        x_label=x_label,
        y_label=y_label,
    )
    styles = (("verdicts right", Dash.SOLID), ("as seen", Dash.DOTTED))[: len(curves)]
    for ys, (_, dash) in zip(curves, styles, strict=True):
        plot.curve([_PER_CENT * one for one in qualities], ys, dash=dash)
    if len(curves) > 1:
        plot.legend(styles)
    return Figure(title=title, svg=plot.drawing.svg(title, words), text_alternative=words, columns=(), table=())


def _table(question: LotQuestion) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    plan, wrong = question.drawn, question.wrong
    qualities = characteristic.process_quality(plan, characteristic.CURVE_PROBABILITIES)
    columns = (_quality_words(plan), "Accepted, %", "Outgoing (AOQ), %", "Inspected (ATI)")
    rows = zip(
        qualities,
        characteristic.process_acceptance(plan, qualities, wrong),
        characteristic.average_outgoing_quality(plan, question.lot_size, qualities, wrong),
        characteristic.average_total_inspection(plan, question.lot_size, qualities, wrong),
        strict=True,
    )
    return columns, tuple(
        (short_number(_PER_CENT * p), short_number(_PER_CENT * a), short_number(_PER_CENT * q), short_number(t))
        for p, a, q, t in rows
    )
