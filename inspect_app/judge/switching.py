"""Switching between normal, tightened and reduced inspection, lot by lot, for one supplier and class of nonconformity.

The state follows from the history alone: `replay` folds `after` over it. Only lots on first submission count, and only
under the stringency with which they were looked at: a lot drawn before a switch and decided after it changes nothing.

References
----------
MIL-STD-105E, 4.7 and 4.8 with Table VIII; ISO 2859-1:1999, 9.3 and 9.4; MIL-STD-1916, 4.2 (all from memory; the counts
of the first two agree with published summaries).
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import reduce
from typing import Final

from inspect_app.judge.sampling import normal_acceptance_one_step_stricter
from inspect_app.model import Edition, LotSeen, Ruling, RulingKind, Stringency, SwitchingState

_REJECTED_TO_TIGHTEN: Final = 2
_WINDOW_TO_TIGHTEN: Final = 5
_ACCEPTED_TO_NORMAL: Final = 5
_REJECTED_TO_DISCONTINUE: Final = 5
_SCORE_TO_REDUCE: Final = 30
_SCORE_ON_FEW: Final = 2  # ISO 2859-1:1999, 9.3.3.2 b: acceptance number 0 or 1
_SCORE_ON_STRICTER: Final = 3  # 9.3.3.2 a: acceptance number 2 or more, and the next stricter AQL would accept too
_LOTS_TO_REDUCE: Final = 10
_FEW: Final = 1
# MIL-STD-105E, Table VIII: rows begin at these numbers of devices; the limit is floor(m - 1.282 sqrt(m)), m = the row's
# begin times AQL / 100, 1.282 the 90 % point of the normal distribution (inferred from the printed table).
_ROWS_OF_LIMITS: Final = (
    20, 30, 50, 80, 130, 200, 320, 500, 800, 1250, 2000, 3150, 5000, 8000, 12500, 20000, 31500,
)  # fmt: skip
_NORMAL_90_PERCENT: Final = 1.282
_PRINTED_OTHERWISE: Final = {(130, 10.0): 7}  # the formula gives 8; the printed table is stricter

BEGIN: Final = SwitchingState()


def replay(history: Iterable[LotSeen | Ruling], edition: Edition) -> SwitchingState:
    """Return the state that a history leads to, oldest event first."""
    return reduce(lambda state, event: after(state, event, edition), history, BEGIN)


def after(state: SwitchingState, event: LotSeen | Ruling, edition: Edition) -> SwitchingState:
    """Return the state after one more lot or one more ruling.

    Parameters
    ----------
    state : SwitchingState
        Before it.
    event : LotSeen or Ruling
        A lot on first submission, or a decision of the responsible authority.
    edition : Edition
        Whose rules hold.

    Returns
    -------
    SwitchingState
        Its `reason` is that of the last change.
    """
    if isinstance(event, Ruling):
        return _after_ruling(state, event)
    if event.stringency is not state.stringency or state.is_discontinued:
        return state
    seen = replace(
        state,
        since=(*state.since, event),
        accepted_in_a_row=state.accepted_in_a_row + 1 if event.is_accepted else 0,
    )
    if state.stringency is Stringency.NORMAL:
        return _after_normal(seen, event, edition)
    if state.stringency is Stringency.TIGHTENED:
        return _after_tightened(seen, event, edition)
    return _after_reduced(seen, event)


def _after_ruling(state: SwitchingState, ruling: Ruling) -> SwitchingState:
    words = f"{ruling.by} ruled: {ruling.kind.value}. {ruling.reason}"
    if ruling.kind is RulingKind.RESUME:
        return _to(Stringency.TIGHTENED, words) if state.is_discontinued else state
    if ruling.kind is RulingKind.BACK_TO_NORMAL:
        is_reduced = state.stringency is Stringency.REDUCED
        return _to(Stringency.NORMAL, words) if is_reduced else replace(state, has_consent=False)
    if state.may_be_reduced:
        return _to(Stringency.REDUCED, words)
    return replace(state, has_consent=state.stringency is Stringency.NORMAL)


def _to(stringency: Stringency, reason: str) -> SwitchingState:
    return SwitchingState(stringency=stringency, reason=reason)


def _after_normal(state: SwitchingState, lot: LotSeen, edition: Edition) -> SwitchingState:
    recent = state.since[-_WINDOW_TO_TIGHTEN:]
    rejected = [one.lot for one in recent if not one.is_accepted]
    if len(rejected) >= _REJECTED_TO_TIGHTEN:
        told = f"{' and '.join(rejected)} of {len(recent)} consecutive lots were not accepted"
        return _to(Stringency.TIGHTENED, f"Tightened after lot {lot.lot}: {told}.")
    state = replace(state, score=_score(state.score, lot) if edition is Edition.ISO_2859_1 else 0)
    why = _reason_to_reduce(state, edition)
    if not why:
        return replace(state, may_be_reduced=False)
    if state.has_consent:
        return _to(Stringency.REDUCED, f"Reduced after lot {lot.lot}: {why}, and the authority consented.")
    return replace(state, may_be_reduced=True)


def _score(score: int, lot: LotSeen) -> int:
    if lot.plan.acceptance_number <= _FEW:
        return score + _SCORE_ON_FEW if lot.is_accepted else 0
    stricter = None if lot.aql is None else normal_acceptance_one_step_stricter(lot.plan, lot.aql)
    return score + _SCORE_ON_STRICTER if stricter is not None and lot.count <= stricter else 0


def _reason_to_reduce(state: SwitchingState, edition: Edition) -> str:
    """Return why the figures allow reduced inspection; empty where they do not."""
    if edition is Edition.ISO_2859_1:
        return f"the switching score is {state.score}" if state.score >= _SCORE_TO_REDUCE else ""
    if state.accepted_in_a_row < _LOTS_TO_REDUCE:
        return ""
    run = state.since[-state.accepted_in_a_row :]
    if edition is Edition.MIL_STD_105E and not _is_within_limit_number(run):
        return ""
    return f"{state.accepted_in_a_row} lots in a row were accepted"


def _is_within_limit_number(run: Sequence[LotSeen]) -> bool:
    """Say whether the last ten lots, or as many more as Table VIII needs, hold few enough nonconforming devices."""
    for lots in range(_LOTS_TO_REDUCE, len(run) + 1):
        last = run[-lots:]
        aql = last[-1].aql
        limit = None if aql is None else limit_number(sum(lot.devices for lot in last), aql)
        if limit is not None:
            return sum(lot.count for lot in last) <= limit
    return False


def limit_number(devices: int, aql: float) -> int | None:
    """Return MIL-STD-105E's limit number for reduced inspection.

    Parameters
    ----------
    devices : int
        In the samples of the last ten lots or more.
    aql : float
        Acceptance quality limit.

    Returns
    -------
    int or None
        Largest number of nonconforming devices among them; None where more lots have to be added up first.

    Examples
    --------
    >>> limit_number(800, 1.0), limit_number(130, 10.0), limit_number(100, 1.0)
    (4, 7, None)
    """
    begun = max((row for row in _ROWS_OF_LIMITS if row <= devices), default=None)
    if begun is None:
        return None
    if (begun, aql) in _PRINTED_OTHERWISE:
        return _PRINTED_OTHERWISE[begun, aql]
    expected = begun * aql / 100
    limit = math.floor(expected - _NORMAL_90_PERCENT * math.sqrt(expected))
    return limit if limit >= 0 else None


def _after_tightened(state: SwitchingState, lot: LotSeen, edition: Edition) -> SwitchingState:
    if state.accepted_in_a_row >= _ACCEPTED_TO_NORMAL:
        return _to(
            Stringency.NORMAL, f"Normal after lot {lot.lot}: 5 lots in a row were accepted on tightened inspection."
        )
    state = replace(state, rejected_on_tightened=state.rejected_on_tightened + (not lot.is_accepted))
    if edition is Edition.MIL_STD_1916 or state.rejected_on_tightened < _REJECTED_TO_DISCONTINUE:
        return state
    return replace(
        state,
        is_discontinued=True,
        reason=f"Discontinued after lot {lot.lot}: 5 lots were not accepted on tightened inspection.",
    )


def _after_reduced(state: SwitchingState, lot: LotSeen) -> SwitchingState:
    if not lot.is_accepted:
        return _to(Stringency.NORMAL, f"Normal after lot {lot.lot}: it was not accepted on reduced inspection.")
    if lot.count > lot.plan.acceptance_number:
        return _to(
            Stringency.NORMAL,
            f"Normal after lot {lot.lot}: accepted with {lot.count}, more than the acceptance number "
            f"{lot.plan.acceptance_number} and fewer than the rejection number {lot.plan.rejection_number}.",
        )
    return state
