"""The record of each supplier: lots, rates with exact intervals, switching, open returns by age."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from inspect_app.judge.characteristic import rate_interval
from inspect_app.judge.pareto import ParetoRow, pareto
from inspect_app.model import Nonconformity
from inspect_app.model.nonconformity import kind_of
from inspect_app.quantity import format_number
from inspect_app.storage import Session
from inspect_app.storage import nonconformities as found
from inspect_app.storage import suppliers as kept
from inspect_app.storage.suppliers import SupplierCounts
from inspect_app.workflow.lots.switching import SwitchingRecord, records_of_switching
from inspect_app.workflow.outcomes.nonconformities import GOES_BACK
from inspect_app.workflow.workplace import Workplace, reading

AGES_DAYS: Final = (30, 60, 90)
"""Where the classes of age of open returns end; the last is open."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rate:
    """How many of how many, with the exact 95 % interval of the rate; no rate where nothing was decided."""

    found: int
    of: int

    @property
    def share(self) -> float | None:
        """The rate as a fraction."""
        return self.found / self.of if self.of else None

    @property
    def interval(self) -> tuple[float, float] | None:
        """Its bounds after Clopper and Pearson, as fractions."""
        return rate_interval(self.found, self.of) if self.of else None


def rate_words(rate: Rate) -> str:
    """Return a rate with its exact interval, as printed."""
    if rate.share is None or rate.interval is None:
        return "none decided"
    share, low, high = (format_number(100 * value, 1) for value in (rate.share, *rate.interval))
    return f"{rate.found} of {rate.of}: {share} % ({low} to {high} %)"


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenReturn:
    """A nonconformity whose device goes back, and for how many days it has been waiting since it was disposed of."""

    nonconformity: Nonconformity
    days: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplierRecord:
    """One supplier and device class; rates are of rejected lots and of devices rejected at their first inspection."""

    supplier: str
    device_class: str
    lots: int
    lots_rejected: Rate
    devices: int
    devices_rejected: Rate
    switching: tuple[SwitchingRecord, ...]
    open_returns: tuple[OpenReturn, ...]

    @property
    def ages(self) -> tuple[int, ...]:
        """How many open returns are up to 30, 60, 90 days old, and older."""
        bounds = (-1, *AGES_DAYS)
        counted = [
            sum(low < one.days <= high for one in self.open_returns)
            for low, high in zip(bounds, AGES_DAYS, strict=False)
        ]
        return (*counted, sum(one.days > AGES_DAYS[-1] for one in self.open_returns))


def supplier_records(workplace: Workplace) -> tuple[SupplierRecord, ...]:
    """Return the record of every supplier and device class, by name."""
    with reading(workplace) as session:
        return records_of_suppliers(workplace, session)


def records_of_suppliers(workplace: Workplace, session: Session) -> tuple[SupplierRecord, ...]:
    """Return the record of every supplier and device class, within a transaction."""
    today = workplace.clock()
    open_returns = [
        OpenReturn(nonconformity=one, days=(today - one.disposed.at).days)
        for one in found.nonconformities(session, keys=found.open_keys(session))
        if one.disposed is not None and one.disposed.disposition in GOES_BACK
    ]
    switching = records_of_switching(session)
    return tuple(_record(one, switching, open_returns) for one in kept.supplier_counts(session))


def _record(
    counts: SupplierCounts, switching: Sequence[SwitchingRecord], open_returns: Sequence[OpenReturn]
) -> SupplierRecord:
    which = (counts.supplier, counts.device_class)
    return SupplierRecord(
        supplier=counts.supplier,
        device_class=counts.device_class,
        lots=counts.lots,
        lots_rejected=Rate(found=counts.lots_rejected, of=counts.lots_decided),
        devices=counts.devices,
        devices_rejected=Rate(found=counts.devices_rejected, of=counts.devices_decided),
        switching=tuple(one for one in switching if (one.supplier, one.device_class) == which),
        open_returns=tuple(
            one
            for one in open_returns
            if (one.nonconformity.device.maker, one.nonconformity.device.device_class) == which
        ),
    )


def nonconformity_pareto(workplace: Workplace, by: str) -> tuple[ParetoRow, ...]:
    """Count nonconformities by ``kind``, ``supplier`` or ``class`` of nonconformity, the most frequent first."""
    with reading(workplace) as session:
        if by == "kind":
            counts = {kind_of(*what): count for what, count in found.count_by_kind(session).items()}
        elif by == "supplier":
            counts = dict(found.count_by_maker(session))
        else:
            counts = {severity.value: count for severity, count in found.count_by_severity(session).items()}
    return pareto(Counter(counts).elements())


def switching_in_words(record: SwitchingRecord) -> str:
    """Return where one switching stands, in a few words."""
    state = "discontinued" if record.state.is_discontinued else record.state.stringency.value
    return f"{record.severity.value}: {state}"
