"""The record of each supplier: lots, rates with exact intervals, switching, open returns by age; as tables too."""

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import openpyxl

from inspect_app.judge.characteristic import rate_interval
from inspect_app.judge.pareto import ParetoRow, pareto
from inspect_app.model import Nonconformity
from inspect_app.storage import nonconformities as found
from inspect_app.storage import suppliers as kept
from inspect_app.storage.suppliers import SupplierCounts
from inspect_app.workflow.nonconformities import GOES_BACK
from inspect_app.workflow.switching import SwitchingRecord, switching_records
from inspect_app.workflow.workplace import Workplace, reading

AGES_DAYS: Final = (30, 60, 90)
"""Where the classes of age of open returns end; the last is open."""
_FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r")
_COLUMNS: Final = (
    "supplier", "device class", "lots", "lots decided", "lots rejected", "lot rate", "lot rate from", "lot rate to",
    "devices", "devices decided", "devices rejected", "device rate", "device rate from", "device rate to",
    "switching", "open returns", "oldest open return, days",
)  # fmt: skip

Cell = str | int | float


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
    switching = switching_records(workplace)
    today = workplace.clock()
    with reading(workplace) as session:
        counts = kept.supplier_counts(session)
        open_returns = [
            OpenReturn(nonconformity=one, days=(today - one.disposed.at).days)
            for one in found.nonconformities(session)
            if not one.is_closed and one.disposed is not None and one.disposed.disposition in GOES_BACK
        ]
    return tuple(_record(one, switching, open_returns) for one in counts)


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
    names = {
        "kind": lambda one: one.kind,
        "supplier": lambda one: one.device.maker,
        "class": lambda one: one.severity.value,
    }
    with reading(workplace) as session:
        return pareto(names[by](one) for one in found.nonconformities(session))


def supplier_csv(workplace: Workplace) -> bytes:
    """Return the record of all suppliers as CSV, UTF-8 with a byte order mark so that spreadsheets read it as such."""
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer)
    writer.writerow(_COLUMNS)
    writer.writerows([_harmless(cell) for cell in row] for row in _rows(workplace))
    return buffer.getvalue().encode("utf-8-sig")


def supplier_xlsx(workplace: Workplace) -> bytes:
    """Return the same as a workbook."""
    book = openpyxl.Workbook()
    sheet = book.active
    if sheet is None:
        raise RuntimeError("a new workbook has a sheet")
    sheet.title = "Suppliers"
    sheet.append(list(_COLUMNS))
    for row in _rows(workplace):
        sheet.append([_harmless(cell) for cell in row])
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def _rows(workplace: Workplace) -> list[list[Cell]]:
    return [
        [
            one.supplier,
            one.device_class,
            one.lots,
            *_rate_cells(one.lots_rejected),
            one.devices,
            *_rate_cells(one.devices_rejected),
            "; ".join(_switching_words(record) for record in one.switching),
            len(one.open_returns),
            max((each.days for each in one.open_returns), default=""),
        ]
        for one in supplier_records(workplace)
    ]


def _rate_cells(rate: Rate) -> list[Cell]:
    share, interval = rate.share, rate.interval
    if share is None or interval is None:
        return [rate.of, rate.found, "", "", ""]
    return [rate.of, rate.found, *(round(value, 6) for value in (share, *interval))]


def _switching_words(record: SwitchingRecord) -> str:
    state = "discontinued" if record.state.is_discontinued else record.state.stringency.value
    return f"{record.severity.value}: {state}"


def _harmless(cell: Cell) -> Cell:
    """Return a cell that no spreadsheet takes for a formula: what a stranger typed may begin like one."""
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(_FORMULA_STARTS) else cell
