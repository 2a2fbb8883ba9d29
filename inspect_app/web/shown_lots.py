"""What pages show of lots: their progress in words, and the shipments that they came in."""

from collections.abc import Sequence
from dataclasses import dataclass

from inspect_app.model import Lot, Shipment
from inspect_app.workflow import LotSummary


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownLot:
    """A lot with its progress in words; `done` of `total` devices are concluded."""

    lot: Lot
    total: int
    done: int
    is_done: bool
    progress: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownShipment:
    """A shipment with the lots that were made of it."""

    shipment: Shipment
    lots: tuple[ShownLot, ...]


def lots(summaries: Sequence[LotSummary]) -> tuple[ShownLot, ...]:
    """Return lots as shown, in their order."""
    return tuple(lot(summary) for summary in summaries)


def lot(summary: LotSummary) -> ShownLot:
    """Return one lot as shown."""
    done = summary.wanted - summary.open - summary.untouched
    of_lot = f" sampled of {summary.total}" if summary.wanted < summary.total else ""
    counts = {
        "accepted": summary.accepted,
        "rejected": summary.rejected,
        "held": summary.held,
        "under way": summary.open,
        "not begun": summary.untouched,
    }
    told = ", ".join(f"{count} {words}" for words, count in counts.items() if count)
    return ShownLot(
        lot=summary.lot,
        total=summary.wanted,
        done=done,
        is_done=done == summary.wanted,
        progress=f"{done} of {summary.wanted}{of_lot} concluded: {told}",
    )


def by_shipment(of_lots: Sequence[ShownLot]) -> tuple[ShownShipment, ...]:
    """Group lots by their shipments, newest first."""
    groups: dict[int, list[ShownLot]] = {}
    for one in of_lots:
        groups.setdefault(one.lot.shipment.id, []).append(one)
    shipments = [ShownShipment(shipment=group[0].lot.shipment, lots=tuple(group)) for group in groups.values()]
    return tuple(sorted(shipments, key=lambda one: one.shipment.received_at, reverse=True))
