"""The dock at a glance: what came in, what waits, what is held, what falls due; and lots page by page."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from inspect_app.model import Instrument
from inspect_app.storage import Session, arrivals, glance
from inspect_app.storage import instruments as kept_instruments
from inspect_app.storage.glance import LotSearch, Standing
from inspect_app.storage.waiting_returns import WaitingReturn, waiting_returns
from inspect_app.workflow.lots.progress import LotSummary, summary_of
from inspect_app.workflow.outcomes.nonconformities import GOES_BACK
from inspect_app.workflow.outcomes.repeating import DUE_WITHIN, RepeatPage, repeats_due
from inspect_app.workflow.workplace import Workplace, reading

LOTS_ON_A_PAGE: Final = 25
_SHOWN: Final = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Glance:
    """What the dock shows; lists are the first few of each, `held_count` counts all that are held."""

    came_in: tuple[LotSummary, ...]
    waiting: tuple[LotSummary, ...]
    under_way: tuple[Standing, ...]
    held: tuple[Standing, ...]
    held_count: int
    due: tuple[Instrument, ...]
    repeats: RepeatPage
    returns: tuple[WaitingReturn, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LotPage:
    """One page of the list of lots."""

    lots: tuple[LotSummary, ...]
    total: int
    page: int
    pages: int


def look_around(workplace: Workplace) -> Glance:
    """Return what the dock sees at a glance."""
    today = workplace.clock().date()
    soon = today + DUE_WITHIN
    with reading(workplace) as session:
        work = glance.open_work(session)
        came_in = glance.lot_keys(session, LotSearch(), start=0, count=_SHOWN)
        waiting = glance.lot_keys(session, LotSearch(among=work.lots), start=0, count=_SHOWN)
        lots = {one.lot.id: one for one in _summaries(session, list({*came_in, *waiting}))}
        devices = glance.at_inspection(session, work.inspections[:_SHOWN], held=_SHOWN)
        return Glance(
            came_in=tuple(lots[key] for key in came_in),
            waiting=tuple(lots[key] for key in waiting),
            under_way=devices.opened,
            held=devices.held,
            held_count=glance.count_held(session),
            due=tuple(one for one in kept_instruments.instruments(session) if one.calibration_on(soon) is None),
            repeats=repeats_due(session, today, on_a_page=_SHOWN),
            returns=waiting_returns(session, GOES_BACK),
        )


def lot_page(workplace: Workplace, search: LotSearch, page: int = 1, *, is_open: bool = False) -> LotPage:
    """Return one page of the lots that are found; a page beyond the last is the last."""
    with reading(workplace) as session:
        if is_open:
            search = replace(search, among=glance.open_work(session).lots)
        total = glance.count_lots(session, search)
        pages = max(1, -(-total // LOTS_ON_A_PAGE))
        page = min(max(1, page), pages)
        keys = glance.lot_keys(session, search, start=(page - 1) * LOTS_ON_A_PAGE, count=LOTS_ON_A_PAGE)
        return LotPage(lots=_summaries(session, keys), total=total, page=page, pages=pages)


def _summaries(session: Session, keys: Sequence[int]) -> tuple[LotSummary, ...]:
    found = {counts.lot.id: summary_of(counts) for counts in arrivals.lot_counts(session, keys)}
    return tuple(found[key] for key in keys if key in found)
