"""The menu: a few places of work, each with a few pages; every page of the program lies behind one of them."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from inspect_app.web import here


def _always() -> bool:
    return True


def _may_receive() -> bool:
    return here.is_allowed("inspect")


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One page of the menu; `covers` names the endpoints, or whole blueprints, of the pages that lie behind it."""

    words: str
    endpoint: str
    covers: tuple[str, ...] = ()
    is_shown: Callable[[], bool] = _always


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """One place of work; its name leads to the first of its pages that is shown."""

    words: str
    entries: tuple[Entry, ...]


# A new page gets its line here: an entry of its own, or in `covers` of the entry that leads to it.
PLACES: Final = (
    Place(
        words="Dock",
        entries=(
            Entry(words="Today", endpoint="dock.start"),
            Entry(
                words="Receive",
                endpoint="dock.receive",
                covers=("dock.take_down", "dock.confirm"),
                is_shown=_may_receive,
            ),
            Entry(words="Repeats", endpoint="dock.due"),
            Entry(words="Returns", endpoint="nonconformities.returns", covers=("nonconformities.send_back",)),
            Entry(words="Imports", endpoint="imports.index", covers=("imports",)),
        ),
    ),
    Place(
        words="Lots",
        entries=(
            Entry(
                words="Lots",
                endpoint="lots.index",
                covers=(
                    "lots",
                    "sampling",
                    "batches",
                    "inspections",
                    "bench",
                    "readings",
                    "captures",
                    "pairings",
                    "pictures",
                    "pointed",
                    "evidence",
                ),
            ),
            Entry(words="Nonconformities", endpoint="nonconformities.index", covers=("nonconformities",)),
            Entry(words="Suppliers", endpoint="suppliers.index", covers=("suppliers",)),
        ),
    ),
    Place(
        words="Devices",
        entries=(
            Entry(words="By serial", endpoint="devices.index", covers=("devices",)),
            Entry(words="Drift", endpoint="drift.index", covers=("drift",)),
            Entry(words="Side by side", endpoint="compare.page", covers=("compare",)),
        ),
    ),
    Place(
        words="Papers",
        entries=(
            Entry(words="Documents", endpoint="documents.index", covers=("documents",)),
            Entry(words="Fleet report", endpoint="reports.page", covers=("reports",)),
            Entry(words="Audit packs", endpoint="packs.index", covers=("packs",)),
            Entry(words="Verify", endpoint="documents.verify"),
        ),
    ),
    Place(
        words="Bench",
        entries=(
            Entry(
                words="Instruments",
                endpoint="admin.instruments",
                covers=("admin.add_instrument", "admin.instrument", "admin.add_calibration", "recalls"),
            ),
            Entry(words="References", endpoint="references.index", covers=("references",)),
            Entry(words="Readers", endpoint="studies.index", covers=("studies",)),
            Entry(words="Cautions", endpoint="readiness.page", covers=("readiness",)),
        ),
    ),
    Place(
        words="Office",
        entries=(
            Entry(words="Contracts", endpoint="admin.contracts", covers=("admin.contract", "admin.adopt_contract")),
            Entry(
                words="Accounts",
                endpoint="admin.accounts",
                covers=("admin.add_account", "admin.account", "admin.set_password", "admin.set_active"),
                is_shown=here.may_read_accounts,
            ),
        ),
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """One link of the menu; `current` is ``page`` on that very page, ``true`` on one behind it, else empty."""

    words: str
    endpoint: str
    current: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Menu:
    """The places of work, and the pages of the one that the page at hand belongs to."""

    places: tuple[Link, ...]
    name: str
    pages: tuple[Link, ...]


def menu(endpoint: str | None) -> Menu:
    """Return the menu as it stands on the page of an endpoint, for the person of the request."""
    entry = entry_of(endpoint or "")
    at_hand = next((place for place in PLACES if entry in place.entries), None)
    pages = _shown(at_hand) if at_hand else ()
    return Menu(
        places=tuple(_link(place.words, _shown(place)[0], endpoint, is_behind=place is at_hand) for place in PLACES),
        name=at_hand.words if at_hand else "",
        pages=tuple(_link(one.words, one, endpoint, is_behind=one is entry) for one in pages) if len(pages) > 1 else (),
    )


def entry_of(endpoint: str) -> Entry | None:
    """Return the entry behind which a page lies; one that names the endpoint comes before one that names all alike."""
    entries = [entry for place in PLACES for entry in place.entries]
    named = (one for one in entries if endpoint == one.endpoint or endpoint in one.covers)
    alike = (one for one in entries if endpoint.partition(".")[0] in one.covers)
    return next(named, next(alike, None))


def _shown(place: Place) -> tuple[Entry, ...]:
    return tuple(entry for entry in place.entries if entry.is_shown())


def _link(words: str, entry: Entry, endpoint: str | None, *, is_behind: bool) -> Link:
    current = "page" if entry.endpoint == endpoint else "true"
    return Link(words=words, endpoint=entry.endpoint, current=current if is_behind else "")
