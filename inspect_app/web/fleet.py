"""The search of the fleet as it stands in the address, and what was found as shown."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from inspect_app.documents import wording
from inspect_app.documents.figures import histogram_figure
from inspect_app.errors import InspectError, UnusableInput
from inspect_app.model import Outcome
from inspect_app.model.characteristic import Characteristic
from inspect_app.quantity import conversion_factor, format_number, format_quantity
from inspect_app.web import shown
from inspect_app.web.typed import without_control_characters
from inspect_app.workflow import FLEET_ASKED, Distribution, FleetCursor, FleetDevice, FleetFound, FleetSearch

_BETWEEN: Final = "~"
LARGEST_KEY: Final = 2**63 - 1  # that a database keeps


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownRate:
    """A verdict with how many have it and the exact interval of its rate."""

    outcome: Outcome
    found: int
    rate: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownDevice:
    """A device found, with its result printed where a quantity is asked for."""

    found: FleetDevice
    value: str


def asked_of(given: Mapping[str, str]) -> dict[str, str]:
    """Return what of an address asks something, cleaned of what scanners add."""
    cleaned = {name: without_control_characters(given.get(name, "")).strip() for name in FLEET_ASKED}
    return {name: text for name, text in cleaned.items() if text}


def cursor_text(cursor: FleetCursor | None) -> str | None:
    """Return the place to read on from as it stands in an address."""
    if cursor is None:
        return None
    key, tie = cursor
    written = key.isoformat() if isinstance(key, datetime) else repr(key) if isinstance(key, float) else key
    return f"{written}{_BETWEEN}{tie}"


def cursor_of(text: str, search: FleetSearch) -> FleetCursor | None:
    """Return the place that `cursor_text` wrote.

    Raises
    ------
    UnusableInput
        It is not of this search.
    """
    if not text:
        return None
    written, _, tie = text.rpartition(_BETWEEN)
    try:
        key = _bounded(int(tie))
        if search.serial:
            return written, key
        if search.characteristic_id is not None:
            return float(written), key
        return datetime.fromisoformat(written).astimezone(UTC), key
    except (ValueError, OverflowError) as error:
        raise UnusableInput("after", "it is no place in this list", "Begin at its first page.") from error


def _bounded(key: int) -> int:
    if abs(key) > LARGEST_KEY:
        raise OverflowError("no key is as large")
    return key


def shown_devices(found: Sequence[FleetDevice]) -> list[ShownDevice]:
    """Return devices with their results printed."""
    return [
        ShownDevice(found=one, value="" if one.quantity is None else format_quantity(one.quantity)) for one in found
    ]


def shown_rates(found: FleetFound) -> list[ShownRate]:
    """Return how many have which verdict."""
    return [
        ShownRate(outcome=outcome, found=found.outcomes.get(outcome, 0), rate=rate_text(found, outcome))
        for outcome in Outcome
    ]


def rate_text(found: FleetFound, outcome: Outcome) -> str:
    """Return a rate with its exact interval, such as ``4.0 % (95 %: 3.1 % to 5.2 %)``."""
    rate = found.rate(outcome)
    share, interval = rate.share, rate.interval
    if share is None or interval is None:
        return "no rate: none is counted"
    low, high = (wording.per_cent(bound) for bound in interval)
    return f"{wording.per_cent(share)} (95 %: {low} to {high})"


def named(characteristic: Characteristic) -> str:
    """Return a quantity with its condition."""
    return wording.titled(wording.name_in_words(characteristic.quantity_name), characteristic.condition)


def characteristic_words(characteristic: Characteristic) -> str:
    """Return a quantity with its condition and unit."""
    said = named(characteristic)
    return said if characteristic.unit == "1" else f"{said}, {characteristic.unit}"


def shown_distribution(found: Distribution) -> shown.ShownFigure | None:
    """Return the histogram with the limits of the contracts; None where nothing was measured."""
    if not found.values:
        return None
    unit = found.characteristic.unit
    bounds: dict[float, None] = {}
    for limit in found.limits:
        try:
            factor = conversion_factor(limit.unit, unit)
        except InspectError:
            continue
        bounds |= dict.fromkeys(bound * factor for bound in (limit.at_least, limit.at_most) if bound is not None)
    title = f"{characteristic_words(found.characteristic)}: {found.characteristic.device_class}"
    return shown.figure_as_shown(histogram_figure(title, [value for value, _ in found.values], unit, tuple(bounds)))


def spread_words(found: Distribution) -> str:
    """Return what the bench adds to the spread: the typical standard uncertainty of one result."""
    doubts = sorted(u for _, u in found.values)
    if not doubts:
        return ""
    unit = "" if found.characteristic.unit == "1" else f" {found.characteristic.unit}"
    return f"The standard uncertainty of one result is {format_number(doubts[len(doubts) // 2], 4)}{unit} (median)."
