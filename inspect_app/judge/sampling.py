"""The plan for a lot: single sampling by attributes, plans that accept on zero, plans for a limiting quality.

References
----------
MIL-STD-105E, 4.9 and Tables I and II; ISO 2859-1:1999, 10 and Tables 1 and 2; MIL-STD-1916, Tables I and II.
"""

import math
from collections.abc import Sequence
from typing import Final

from inspect_app.errors import UnusableInput
from inspect_app.judge.sampling_tables import follow_arrows, tables
from inspect_app.model import Edition, LotPlan, PlanKind, SamplingPlan, Stringency

_SMALLEST_LOT: Final = 2  # the tables begin here; a lot of one device is looked at as a whole
_LARGEST_LOT: Final = 10_000_000
_LARGEST_PERCENT: Final = 10.0  # MIL-STD-105E 4.4: above it an AQL is in nonconformities per 100, not in percent
_ON_ZERO_STRICTER: Final = "T"
_ON_ZERO_LOOSER: Final = "R"
_TOLERANCE: Final = 1e-9  # an AQL is one of a list: 0.1 typed and 0.10 printed are the same one


def plan_for(demand: LotPlan, lot_size: int, stringency: Stringency = Stringency.NORMAL) -> SamplingPlan:
    """Return the plan that a contract's demand means for a lot.

    Parameters
    ----------
    demand : LotPlan
        Of one class of nonconformity.
    lot_size : int
        Devices in the lot.
    stringency : Stringency
        Of the supplier's lots at this time; without effect on plans that do not switch.

    Raises
    ------
    UnusableInput
        The tables know no such plan.
    """
    if demand.kind is PlanKind.ON_ZERO:
        return plan_on_zero(lot_size, demand.level, stringency)
    if demand.kind is PlanKind.LIMITING_QUALITY:
        return plan_for_limiting_quality(lot_size, demand.limiting_percent, demand.consumer_risk)
    if demand.aql is not None and demand.edition is not None:
        return single_plan(lot_size, demand.level, demand.aql, stringency, demand.edition)
    _proved_lot_size(lot_size)
    return SamplingPlan(
        code_letter="",
        final_letter="",
        size=lot_size,
        acceptance_number=demand.acceptance_number,
        rejection_number=demand.acceptance_number + 1,
    )


def single_plan(
    lot_size: int,
    level: str,
    aql: float,
    stringency: Stringency = Stringency.NORMAL,
    edition: Edition = Edition.ISO_2859_1,
) -> SamplingPlan:
    """Return the single sampling plan of a lot.

    Parameters
    ----------
    lot_size : int
        Devices in the lot.
    level : str
        Inspection level: S-1 to S-4, I, II, III.
    aql : float
        Acceptance quality limit, one of the 26 of the tables; up to 10 in percent nonconforming, above it in
        nonconformities per 100 devices.
    stringency : Stringency
        Of the supplier's lots at this time.
    edition : Edition
        MIL-STD-105E or ISO 2859-1.

    Returns
    -------
    SamplingPlan
        Arrows of the tables followed, with the sample size of the row that they lead to.

    Raises
    ------
    UnusableInput
        The lot is no lot, or the tables know no such level or AQL.

    Examples
    --------
    >>> plan = single_plan(1000, "II", 1.0)
    >>> plan.code_letter, plan.size, plan.acceptance_number
    ('J', 80, 2)
    """
    size_in_tables = _proved_lot_size(lot_size)
    known = tables()
    level = _one_of("level", level, known.levels)
    aql = _known_aql(aql, known.aqls)
    letter = known.code_letter(size_in_tables, level)
    row = follow_arrows(known.master(stringency, edition), letter, aql)
    acceptance, _, rejection = row.cells[aql].partition("/")
    return SamplingPlan(
        code_letter=letter,
        final_letter=row.letter,
        size=row.size,
        acceptance_number=int(acceptance),
        rejection_number=int(rejection) if rejection else int(acceptance) + 1,
        counts_nonconformities=aql > _LARGEST_PERCENT,
    )


def plan_on_zero(lot_size: int, level: str, stringency: Stringency = Stringency.NORMAL) -> SamplingPlan:
    """Return the plan of MIL-STD-1916 that accepts a lot only when its sample holds no nonconforming device.

    Parameters
    ----------
    lot_size : int
        Devices in the lot.
    level : str
        Verification level, VII (strictest) to I.
    stringency : Stringency
        Tightened takes the sample size one column to the left, reduced one to the right, of the same letter.

    Raises
    ------
    UnusableInput
        The lot is no lot, or there is no such level.
    """
    size_in_tables = _proved_lot_size(lot_size)
    known = tables()
    level = _one_of("level", level, known.levels_on_zero)
    letter = known.letter_on_zero(size_in_tables, level)
    columns = (_ON_ZERO_STRICTER, *known.levels_on_zero, _ON_ZERO_LOOSER)
    moved = {Stringency.TIGHTENED: -1, Stringency.NORMAL: 0, Stringency.REDUCED: 1}[stringency]
    size = known.sizes_on_zero[letter][columns[columns.index(level) + moved]]
    return SamplingPlan(code_letter=letter, final_letter=letter, size=size, acceptance_number=0, rejection_number=1)


def plan_for_limiting_quality(lot_size: int, limiting_percent: float, consumer_risk: float) -> SamplingPlan:
    """Return the smallest sample without a nonconforming device that proves an isolated lot better than a quality.

    Parameters
    ----------
    lot_size : int
        Devices in the lot.
    limiting_percent : float
        Limiting quality in percent nonconforming, above 0 and up to 100.
    consumer_risk : float
        Largest probability to accept a lot of that quality, between 0 and 1.

    Raises
    ------
    UnusableInput
        A number lies outside its range.

    Notes
    -----
    A lot of N devices is as bad as the limiting quality p when D = ceil(N p) of them are nonconforming. The sample is
    the smallest n with C(N - D, n) / C(N, n) at most the risk: the hypergeometric probability to find none.
    """
    _proved_lot_size(lot_size)
    if not 0 < limiting_percent <= 100:
        raise UnusableInput("limiting quality", f"{limiting_percent:g} % is none", "Give more than 0, up to 100 %.")
    if not 0 < consumer_risk < 1:
        raise UnusableInput("consumer risk", f"{consumer_risk:g} is none", "Give a fraction, such as 0.1.")
    nonconforming = math.ceil(lot_size * limiting_percent / 100 - _TOLERANCE)
    none_found, size = 1.0, 0
    while none_found > consumer_risk:
        none_found *= (lot_size - nonconforming - size) / (lot_size - size)
        size += 1
    return SamplingPlan(code_letter="", final_letter="", size=size, acceptance_number=0, rejection_number=1)


def normal_acceptance_one_step_stricter(plan: SamplingPlan, aql: float) -> int | None:
    """Return the acceptance number that the same sample would have under the next lower AQL, on normal inspection.

    Parameters
    ----------
    plan : SamplingPlan
        Of the normal tables, with an acceptance number of 2 or more: its row has a plan under the next lower AQL too.
    aql : float
        Its acceptance quality limit.

    Returns
    -------
    int or None
        None where the row has no such plan.

    References
    ----------
    ISO 2859-1:1999, 9.3.3.2 (from memory).
    """
    known = tables()
    index = known.aqls.index(_known_aql(aql, known.aqls))
    row = next(row for row in known.single[Stringency.NORMAL.value] if row.letter == plan.final_letter)
    cell = row.cells[known.aqls[index - 1]] if index else ""
    return int(cell) if cell.isdigit() else None


def _proved_lot_size(lot_size: int) -> int:
    if not 1 <= lot_size <= _LARGEST_LOT:
        raise UnusableInput("lot size", f"{lot_size} is no size of a lot", f"Give a number from 1 to {_LARGEST_LOT}.")
    return max(lot_size, _SMALLEST_LOT)


def _one_of(name: str, word: str, words: Sequence[str]) -> str:
    if word not in words:
        raise UnusableInput(name, f"there is no level '{word}'", f"Use one of {', '.join(words)}.")
    return word


def _known_aql(aql: float, known: Sequence[float]) -> float:
    for one in known:
        if math.isclose(one, aql, rel_tol=_TOLERANCE):
            return one
    listed = ", ".join(f"{one:g}" for one in known)
    raise UnusableInput("AQL", f"{aql:g} is not in the tables", f"Use one of {listed}.")
