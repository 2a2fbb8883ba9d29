"""Dynamic range from steps of a wedge that readers counted by eye."""

import math
from collections.abc import Sequence

import numpy as np

from inspect_app.measure._budget import counting
from inspect_app.model import Condition, Result
from inspect_app.quantity import Contribution, quantity_from_budget


def counted_results(
    counts: Sequence[int], *, ratio_stop: float, step_u_stop: float, criterion: int
) -> tuple[Result, ...]:
    """Return the range from counts by eye, and the steps told apart.

    Notes
    -----
    The brightest step told apart lies up to one step below clipping and the darkest up to one step above the limit,
    both uniformly: n steps stand for n step ratios, with the triangular uncertainty of step / sqrt(6).
    """
    mean = float(np.mean(counts))
    lines = [
        Contribution(
            source="place of the limits within a step",
            distribution="triangular",
            standard_uncertainty=ratio_stop / math.sqrt(6),
        ),
        Contribution(source="steps of the wedge", distribution="normal", standard_uncertainty=step_u_stop),
    ]
    spread = (counting(counts, 1.0, "brightest and darkest step each seen"),)
    if len(counts) > 1:
        deviation = float(np.std(counts, ddof=1)) / math.sqrt(len(counts))
        lines.append(_readers(deviation * ratio_stop, len(counts)))
    condition: Condition = {"snr_criterion": criterion, "readers": len(counts)}
    return (
        Result(
            quantity_name="dynamic_range",
            quantity=quantity_from_budget(mean * ratio_stop, "stop", lines),
            condition=condition,
            budget=tuple(lines),
        ),
        Result(
            quantity_name="steps_discerned",
            quantity=quantity_from_budget(mean, "1", spread),
            condition={"readers": len(counts)},
            budget=spread,
        ),
    )


def _readers(deviation: float, count: int) -> Contribution:
    return Contribution(
        source=f"agreement of {count} readers",
        distribution="t",
        standard_uncertainty=deviation,
        degrees_of_freedom=count - 1,
    )
