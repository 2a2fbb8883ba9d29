"""A result with its uncertainty against its limit, on one small line."""

from inspect_app.documents.figures._drawing import Dash, Drawing
from inspect_app.documents.figures._figure import Figure
from inspect_app.documents.figures._scale import Scale, scale_for
from inspect_app.model import Judgement, Limit
from inspect_app.quantity import expanded_uncertainty, format_quantity

WIDTH, HEIGHT = 120.0, 20.0
_MIDDLE = HEIGHT / 2


def result_bar(judgement: Judgement) -> Figure | None:
    """Draw value ± U, the limit as a tall line, the acceptance limit as a dotted one; None without a result."""
    quantity, limit = judgement.quantity, judgement.limit
    if quantity is None or not isinstance(limit, Limit):
        return None
    expanded = expanded_uncertainty(quantity)
    low, high = quantity.value - expanded, quantity.value + expanded
    bounds = [bound for bound in (limit.at_least, limit.at_most) if bound is not None]
    scale = scale_for([low, high, *bounds], start=6.0, end=WIDTH - 6.0, room=0.12)
    drawing = Drawing(WIDTH, HEIGHT)
    _draw_allowed(drawing, scale, limit)
    for bound in (judgement.acceptance_at_least, judgement.acceptance_at_most):
        if bound is not None and bound not in bounds:
            drawing.line(scale.at(bound), 3, scale.at(bound), HEIGHT - 3, "limit", dash=Dash.DOTTED)
    _draw_result(drawing, scale.at(low), scale.at(quantity.value), scale.at(high))
    words = f"{format_quantity(quantity)}: {judgement.finding}"
    return Figure(title=limit.title, svg=drawing.svg(limit.title, words), text_alternative=words)


def _draw_allowed(drawing: Drawing, scale: Scale, limit: Limit) -> None:
    low = 0.0 if limit.at_least is None else scale.at(limit.at_least)
    high = WIDTH if limit.at_most is None else scale.at(limit.at_most)
    drawing.rectangle(low, _MIDDLE - 4, max(0.0, high - low), 8, "allowed", opacity=0.12)
    for bound in (limit.at_least, limit.at_most):
        if bound is not None:
            drawing.line(scale.at(bound), 1, scale.at(bound), HEIGHT - 1, "limit", width=1.8)


def _draw_result(drawing: Drawing, low: float, value: float, high: float) -> None:
    drawing.line(low, _MIDDLE, high, _MIDDLE, "curve", width=1.6)
    if high - low > 4:
        for end in (low, high):
            drawing.line(end, _MIDDLE - 3, end, _MIDDLE + 3, "curve", width=1.4)
    drawing.circle(value, _MIDDLE, 3.0, "mark", filled=True)
