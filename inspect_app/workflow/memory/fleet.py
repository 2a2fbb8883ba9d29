"""The fleet: devices searched by what was signed about them, counted with exact intervals, spread over a quantity."""

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import islice
from typing import Final

from inspect_app.errors import NotFound, UnusableInput
from inspect_app.model import Instrument, Limit, Outcome, Person
from inspect_app.model.characteristic import Characteristic
from inspect_app.storage import Session, fleet, instruments, measured_over_time, open_results, people
from inspect_app.storage.fleet import MOST_COUNTED, FleetChoices, FleetCursor, FleetDevice, FleetPage, FleetSearch
from inspect_app.storage.open_results import OpenInspection
from inspect_app.workflow.arriving.contracts import limits_on, newest_contracts
from inspect_app.workflow.outcomes.suppliers import Rate
from inspect_app.workflow.typed_text import LONGEST_SERIAL, normalise_serial
from inspect_app.workflow.workplace import Workplace, reading

DEVICES_OF_PAGE: Final = 50
MOST_OF_PAGE: Final = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetFound:
    """One page of those found, and the verdicts counted, whichever is asked for.

    Counted are all that fit else, or the first `MOST_COUNTED` of them in the order of the list. `unsigned` are those
    under inspection, told with the first page and not counted.
    """

    page: FleetPage
    outcomes: Mapping[Outcome, int]
    is_cut_off: bool
    unsigned: tuple[FleetDevice, ...] = ()
    has_more_unsigned: bool = False

    @property
    def counted(self) -> int:
        """How many verdicts were counted."""
        return sum(self.outcomes.values())

    def rate(self, outcome: Outcome) -> Rate:
        """Return how many of those counted have a verdict."""
        return Rate(found=self.outcomes.get(outcome, 0), of=self.counted)


@dataclass(frozen=True, slots=True, kw_only=True)
class Distribution:
    """The newest results of a characteristic with their standard uncertainties, and what contracts demand of it now."""

    characteristic: Characteristic
    values: tuple[tuple[float, float], ...]
    limits: tuple[Limit, ...]
    is_cut_off: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Searchable:
    """All that a search can choose from."""

    choices: FleetChoices
    inspectors: tuple[Person, ...]
    instruments: tuple[Instrument, ...]
    characteristics: tuple[Characteristic, ...]


def search_fleet(
    workplace: Workplace,
    search: FleetSearch,
    *,
    after: FleetCursor | None = None,
    count: int = DEVICES_OF_PAGE,
    counts_all: bool = False,
) -> FleetFound:
    """Return one page of the devices that fit, and how many have which verdict.

    Raises
    ------
    UnusableInput
        A range is empty, or is asked of no quantity.
    """
    _prove_range(search)
    if len(search.serial) > LONGEST_SERIAL:
        return FleetFound(page=FleetPage(devices=(), following=None), outcomes={}, is_cut_off=False)
    search = _cleaned(search)
    most = None if counts_all else MOST_COUNTED
    with reading(workplace) as session:
        page = fleet.fleet_page(session, search, after=after, count=min(count, MOST_OF_PAGE))
        # A part of a serial walks the index of all serials: it is not walked twice to count what stands on one page.
        is_on_page = bool(search.serial) and after is None and page.following is None
        outcomes = (
            Counter(one.outcome for one in page.devices if one.outcome is not None)
            if is_on_page
            else fleet.count_outcomes(session, replace(search, outcome=None), most=most)
        )
        unsigned = () if after is not None else tuple(islice(_unsigned(session, search), DEVICES_OF_PAGE + 1))
    return FleetFound(
        page=page,
        outcomes=outcomes,
        is_cut_off=sum(outcomes.values()) == most,
        unsigned=unsigned[:DEVICES_OF_PAGE],
        has_more_unsigned=len(unsigned) > DEVICES_OF_PAGE,
    )


def _unsigned(session: Session, search: FleetSearch) -> Iterator[FleetDevice]:
    """Yield the devices under inspection, the one opened last first; by quantity once for each of its results."""
    for one in open_results.open_inspections(session, search):
        if search.characteristic_id is None:
            yield one.found
        else:
            yield from open_results.with_quantities(one)


def part_of_fleet(workplace: Workplace, search: FleetSearch, *, after: FleetCursor | None, count: int) -> FleetPage:
    """Return some of the devices that fit, in the order of `search_fleet`, without counting any.

    Raises
    ------
    UnusableInput
        A range is empty, or is asked of no quantity.
    """
    _prove_range(search)
    with reading(workplace) as session:
        return fleet.fleet_page(session, _cleaned(search), after=after, count=min(count, MOST_OF_PAGE))


def open_in_fleet(
    workplace: Workplace, search: FleetSearch, *, before: int | None, count: int
) -> tuple[OpenInspection, ...]:
    """Return some of the inspections under way that fit, with their results; those opened before one, newest first.

    Raises
    ------
    UnusableInput
        A range is empty, or is asked of no quantity.
    """
    _prove_range(search)
    with reading(workplace) as session:
        return tuple(islice(open_results.open_inspections(session, _cleaned(search), before=before), count))


def found_in_fleet(session: Session, search: FleetSearch) -> Iterator[FleetDevice]:
    """Yield all devices that fit, a page of them in memory at a time; those under inspection last.

    Raises
    ------
    UnusableInput
        A range is empty, or is asked of no quantity.
    """
    _prove_range(search)
    if len(search.serial) > LONGEST_SERIAL:
        return
    search, after = _cleaned(search), None
    while True:
        page = fleet.fleet_page(session, search, after=after, count=MOST_OF_PAGE)
        yield from page.devices
        after = page.following
        if after is None:
            break
    yield from _unsigned(session, search)


def fleet_distribution(workplace: Workplace, search: FleetSearch, *, counts_all: bool = False) -> Distribution:
    """Return the results of the characteristic that a search asks for, over all that else fits it.

    Raises
    ------
    NotFound
        There is no such characteristic.
    """
    most = None if counts_all else MOST_COUNTED
    with reading(workplace) as session:
        found = None
        if search.characteristic_id is not None:
            found = measured_over_time.characteristic(session, search.characteristic_id)
        if found is None:
            raise NotFound(
                f"quantity {search.characteristic_id}", "nothing of that kind was measured", "Choose one from the list."
            )
        values = fleet.distribution(session, replace(_cleaned(search), serial=""), most=most)
        limits = tuple(limit for _, limit in limits_on(found, newest_contracts(session)))
    return Distribution(characteristic=found, values=values, limits=limits, is_cut_off=len(values) == most)


def searchable(workplace: Workplace, device_class: str = "") -> Searchable:
    """Return what a search can choose from; quantities of one class where it is named, else of all."""
    with reading(workplace) as session:
        return Searchable(
            choices=fleet.choices(session),
            inspectors=tuple(people.people(session).values()),
            instruments=instruments.instruments(session),
            characteristics=measured_over_time.characteristics(session, device_class or None),
        )


def _cleaned(search: FleetSearch) -> FleetSearch:
    if not search.serial.strip():
        return replace(search, serial="")
    return replace(search, serial=normalise_serial(search.serial))


def _prove_range(search: FleetSearch) -> None:
    low, high = search.value_at_least, search.value_at_most
    if search.characteristic_id is None and (low is not None or high is not None):
        raise UnusableInput("quantity", "a range is asked of none", "Choose the quantity that the range is of.")
    if low is not None and high is not None and low > high:
        raise UnusableInput("range", f"{low:g} is more than {high:g}", "Swap them.")
    since, until = search.signed_since, search.signed_until
    if since is not None and until is not None and since >= until:
        raise UnusableInput("dates", "the first day lies behind the last", "Swap them.")
