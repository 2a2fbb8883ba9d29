"""The search of the fleet as texts, as they stand in the address of its page or behind a command."""

from collections.abc import Mapping
from datetime import UTC, date, datetime, time, timedelta
from typing import Final

from inspect_app.errors import UnusableInput
from inspect_app.model import Outcome
from inspect_app.storage.fleet import FleetSearch

FLEET_ASKED: Final = (
    "serial", "class", "supplier", "contract", "lot", "verdict", "since", "until", "inspector", "instrument",
    "quantity", "from", "to", "order", "count",
)  # fmt: skip
"""Names of what is asked, in the order in which a link carries them; ``order`` and ``count`` only lay the page out."""
Asked = Mapping[str, str]


def fleet_search_of(asked: Asked) -> FleetSearch:
    """Return the search that texts stand for.

    Raises
    ------
    UnusableInput
        A number, a day or a verdict cannot be read.
    """
    words = asked.get("verdict", "")
    if words and words not in set(Outcome):
        raise UnusableInput("verdict", f"{words[:40]} is none", f"Choose one of {', '.join(Outcome)}.")
    until = _day(asked, "until")
    return FleetSearch(
        serial=asked.get("serial", ""),
        device_class=asked.get("class", ""),
        supplier=asked.get("supplier", ""),
        contract_number=asked.get("contract", ""),
        lot_number=asked.get("lot", ""),
        outcome=Outcome(words) if words else None,
        signed_since=_midnight(_day(asked, "since")),
        signed_until=_midnight(None if until in (None, date.max) else until + timedelta(days=1)),
        inspector_id=_key(asked, "inspector"),
        instrument_id=_key(asked, "instrument"),
        characteristic_id=_key(asked, "quantity"),
        value_at_least=_number(asked, "from"),
        value_at_most=_number(asked, "to"),
        is_backwards=asked.get("order") == "back",
    )


def _day(asked: Asked, name: str) -> date | None:
    if name not in asked:
        return None
    try:
        return date.fromisoformat(asked[name])
    except ValueError as error:
        raise UnusableInput(name, f"{asked[name][:40]} is no day", "Write it like 2026-06-01.") from error


def _midnight(day: date | None) -> datetime | None:
    return None if day is None else datetime.combine(day, time(), UTC)


def _key(asked: Asked, name: str) -> int | None:
    if name not in asked:
        return None
    if not asked[name].isdecimal() or len(asked[name]) > 9:
        raise UnusableInput(name, f"{asked[name][:40]} is none of the list", "Choose one from the list.")
    return int(asked[name])


def _number(asked: Asked, name: str) -> float | None:
    if name not in asked:
        return None
    try:
        value = float(asked[name].replace(",", "."))
    except ValueError:
        value = float("nan")
    if not abs(value) < 1e300:
        raise UnusableInput(name, f"{asked[name][:40]} is no number", "Write it like 0.35.")
    return value
