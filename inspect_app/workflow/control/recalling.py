"""What an instrument touched that is found out of calibration: every result since, and who is to be inspected again."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time

from inspect_app.errors import NotFound, UnusableInput
from inspect_app.model import Instrument, Outcome
from inspect_app.model.characteristic import Characteristic, ListedResult
from inspect_app.storage import fleet, instruments, measured_over_time, open_results
from inspect_app.storage.fleet import FleetCursor, FleetDevice, FleetSearch
from inspect_app.workflow.workplace import Workplace, reading

_AT_ONCE = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class Touched:
    """One inspection that an instrument was used in, with the results measured with it; no verdict: not signed yet."""

    found: FleetDevice
    results: tuple[tuple[Characteristic, ListedResult], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Recall:
    """Some of the inspections that an instrument touched since a day, the last use first, and how many there are.

    `unsigned` are all that are under way, told with the first part; `outcomes` counts the signed ones.
    """

    instrument: Instrument
    since: date
    touched: tuple[Touched, ...]
    following: FleetCursor | None
    outcomes: Mapping[Outcome, int]
    is_cut_off: bool
    unsigned: tuple[Touched, ...] = ()


def recall(
    workplace: Workplace,
    instrument_id: int,
    since: date | None = None,
    *,
    outcome: Outcome | None = None,
    after: FleetCursor | None = None,
    count: int = _AT_ONCE,
) -> Recall:
    """Return the inspections that an instrument touched since a day, with every result measured with it.

    Without a day, those since its last calibration; without a calibration, all. Inspections that a later one took the
    place of are among them: after a repair, results are carried over from them. Those under way are told apart, unless
    one verdict is asked for: they would otherwise be signed on doubtful results.

    Raises
    ------
    NotFound
        There is no such instrument.
    UnusableInput
        The day lies in the future.
    """
    with reading(workplace) as session:
        instrument = instruments.instrument(session, instrument_id)
        if instrument is None:
            raise NotFound(f"instrument {instrument_id}", "there is no such instrument", "Choose one from the list.")
        since = since or last_calibrated(instrument)
        if since > workplace.clock().date():
            raise UnusableInput("since", f"{since.isoformat()} lies in the future", "Take the last good calibration.")
        search = FleetSearch(
            instrument_id=instrument_id,
            used_since=datetime.combine(since, time(), UTC),
            outcome=outcome,
            holds_superseded=True,
        )
        page = fleet.fleet_page(session, search, after=after, count=count)
        outcomes = fleet.count_outcomes(session, search)
        keys = [one.inspection_id for one in page.devices if one.inspection_id is not None]
        results = measured_over_time.results_by_instrument(session, instrument_id, keys)
        unsigned = () if after is not None else tuple(open_results.open_inspections(session, search))
        named = {one.id: one for one in measured_over_time.characteristics(session)}
    by_inspection: dict[int, list[tuple[Characteristic, ListedResult]]] = {key: [] for key in keys}
    for one in results:
        by_inspection[one.inspection_id].append((named[one.characteristic_id], one))
    return Recall(
        instrument=instrument,
        since=since,
        touched=tuple(
            Touched(found=one, results=tuple(by_inspection.get(one.inspection_id or 0, ()))) for one in page.devices
        ),
        following=page.following,
        outcomes=outcomes,
        is_cut_off=sum(outcomes.values()) == fleet.MOST_COUNTED,
        unsigned=tuple(Touched(found=one.found, results=one.results) for one in unsigned),
    )


def recall_all(
    workplace: Workplace, instrument_id: int, since: date | None = None, *, outcome: Outcome | None = None
) -> Iterator[Touched]:
    """Yield all inspections that `recall` returns page by page, those under way first; a batch in memory."""
    after = None
    while True:
        part = recall(workplace, instrument_id, since, outcome=outcome, after=after)
        yield from (*part.unsigned, *part.touched)
        after = part.following
        if after is None:
            return


def last_calibrated(instrument: Instrument) -> date:
    """Return the day of the last calibration of an instrument; the beginning of time where it has none."""
    newest = instrument.latest_calibration()
    return date(1970, 1, 1) if newest is None else newest.calibrated_on
