"""The fleet report for an audit: what came within a scope, what became of it, by what documents and instruments."""

from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from inspect_app.documents import Report, ReportTable, Section, wording
from inspect_app.errors import NotFound, UnusableInput
from inspect_app.model import (
    AboutFleet,
    Device,
    Document,
    DocumentKind,
    Instrument,
    Lot,
    Nonconformity,
    Outcome,
)
from inspect_app.storage import Session, arrivals, documents, instruments, nonconformities, scope, verifying
from inspect_app.storage.documents import Issued
from inspect_app.storage.scope import Delivered, InstrumentUse, LotResult
from inspect_app.workflow.arriving.contracts import notes_on
from inspect_app.workflow.lots.progress import LotSummary, summary_of
from inspect_app.workflow.outcomes.nonconformities import state_of
from inspect_app.workflow.outcomes.suppliers import Rate, rate_words
from inspect_app.workflow.papers.gathering import Numbered, imprinted
from inspect_app.workflow.workplace import Workplace, reading


def fleet_subject(workplace: Workplace, about: AboutFleet) -> str:
    """Return what a fleet report is about, in words.

    Raises
    ------
    UnusableInput
        It ends before it begins.
    NotFound
        Nothing came within it.
    """
    if about.received_from and about.received_until and about.received_until < about.received_from:
        told = f"{about.received_until} is before {about.received_from}"
        raise UnusableInput("received until", told, "Give a later day, or leave it empty.")
    with reading(workplace) as session:
        if not scope.lots_in(session, about):
            raise NotFound("fleet report", f"no lot was received of {_words(about)}", "Widen what is asked for.")
    return _words(about)


def _words(about: AboutFleet) -> str:
    told = [about.device_class or "all device classes"]
    told += [f"from {about.supplier}"] if about.supplier else []
    told += [f"under contract {about.contract_number}"] if about.contract_number else []
    days = (about.received_from, about.received_until)
    spoken = [f"{word} {day}" for word, day in zip(("from", "until"), days, strict=True) if day is not None]
    told += [f"received {' '.join(spoken)}"] if spoken else []
    return ", ".join(told)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """All that came within a scope, as of one moment."""

    lots: tuple[LotSummary, ...]
    results: Mapping[int, LotResult]
    first_verdicts: Rate
    documents: tuple[Issued, ...]
    nonconformities: tuple[Nonconformity, ...]
    instruments: tuple[tuple[Instrument, InstrumentUse], ...]
    events: int
    head: str


def deliveries_known(workplace: Workplace) -> tuple[Delivered, ...]:
    """Return what a fleet report can be narrowed down to."""
    with reading(workplace) as session:
        return scope.deliveries_known(session)


def fleet_report(workplace: Workplace, about: AboutFleet, numbered: Numbered) -> Report:
    """Return all that a fleet report shows."""
    with reading(workplace) as session:
        found = _found(session, about)
        remarks = notes_on(session, (one.lot.shipment.contract_number for one in found.lots))
    first = found.first_verdicts
    return Report(
        **imprinted(workplace, numbered),
        kind=DocumentKind.FLEET_REPORT,
        subject=_words(about),
        word=f"{first.found} of {first.of} rejected",
        outcome=Outcome.HELD,
        lines=(
            f"Devices rejected at their first inspection: {rate_words(first)}.",
            f"Lots rejected on first submission: {rate_words(_lot_rate(found))}.",
        ),
        facts=tuple(_facts(found)),
        sections=tuple(_sections(found)),
        remarks=remarks,
    )


def _found(session: Session, about: AboutFleet) -> _Found:
    keys = scope.lots_in(session, about)
    counted = {one.lot.id: summary_of(one) for one in arrivals.lot_counts(session, keys)}
    decided, rejected = scope.first_verdicts(session, keys)
    known = {one.id: one for one in instruments.instruments(session)}
    return _Found(
        lots=tuple(counted[key] for key in keys if key in counted),
        results={one.lot_id: one for one in scope.lot_results(session, keys)},
        first_verdicts=Rate(found=rejected, of=decided),
        documents=documents.documents_of_lots(session, keys),
        nonconformities=nonconformities.nonconformities(session, lot_ids=keys)[::-1],
        instruments=tuple((known[one.instrument_id], one) for one in scope.instruments_used(session, keys)),
        events=verifying.counts(session)["events"],
        head=verifying.head(session),
    )


def _lot_rate(found: _Found) -> Rate:
    first = [one for one in found.results.values() if one.is_first]
    return Rate(found=sum(one.outcome is Outcome.REJECTED for one in first), of=len(first))


def _facts(found: _Found) -> Iterator[tuple[str, str]]:
    received = [one.lot.shipment.received_at for one in found.lots]
    yield "Received", f"{wording.day(min(received))} to {wording.day(max(received))}"
    yield "Shipments", str(len({one.lot.shipment.id for one in found.lots}))
    yield "Lots", str(len(found.lots))
    yield "Devices received", str(sum(one.total for one in found.lots))
    yield "Accepted", str(sum(one.accepted for one in found.lots))
    yield "Rejected", str(sum(one.rejected for one in found.lots))
    yield "Held", str(sum(one.held for one in found.lots))
    yield "Open or not looked at", str(sum(one.open + one.untouched for one in found.lots))
    yield "Documents", str(len(found.documents))
    yield "Nonconformities", str(len(found.nonconformities))


def _sections(found: _Found) -> Iterator[Section]:
    yield Section(
        heading="Lots",
        remark="devices by their newest inspection in the lot",
        table=ReportTable(
            name="lots",
            columns=(
                "Lot", "Device class", "Contract", "Supplier", "Received", "Devices", "Accepted", "Rejected", "Others",
                "Verdict on the lot",
            ),
            shares=(6, 9, 4, 7, 5, 4, 4, 4, 4, 7),
            rows=[_lot_row(one, found.results.get(one.lot.id)) for one in found.lots],
        ),
    )  # fmt: skip
    yield Section(
        heading="Documents",
        remark="numbers of a kind run without gaps in each year; those that are missing here are about other lots",
        lines=tuple(_ranges(found.documents)),
        table=ReportTable(
            name="documents",
            columns=("Number", "Kind", "About", "Issued", "By", "Standing"),
            shares=(5, 5, 8, 5, 6, 8),
            rows=[_document_row(*one) for one in found.documents],
        ),
    )
    yield Section(
        heading="Nonconformities",
        lines=_kinds(found.nonconformities),
        table=ReportTable(
            name="nonconformities",
            columns=("Number", "Serial", "Lot", "Demand", "Class", "Found", "State"),
            shares=(5, 5, 5, 9, 3, 11, 5),
            rows=[_nonconformity_row(one) for one in found.nonconformities],
        ),
    )
    yield Section(
        heading="Instruments and their calibrations",
        table=ReportTable(
            name="instruments",
            columns=("Instrument", "Serial", "Used", "First and last", "Certificate", "Laboratory", "Calibrated, due"),
            shares=(9, 4, 3, 6, 5, 8, 6),
            rows=[row for instrument, use in found.instruments for row in _instrument_rows(instrument, use)],
        ),
    )
    yield Section(
        heading="Basis",
        lines=(
            (
                "Rates are with the exact 95 % interval of a binomial share (Clopper and Pearson 1934). A lot that came"
                " again does not count for the rate of lots, nor a repeated inspection for that of devices."
            ),
            (
                f"The record held {found.events} events; the last one's SHA-256 is {found.head}. “inspect-app verify”"
                " recomputes the chain of events up to and beyond it."
            ),
        ),
    )


def _lot_row(one: LotSummary, result: LotResult | None) -> tuple[str, ...]:
    shipment = one.lot.shipment
    others = one.total - one.accepted - one.rejected
    return (
        one.lot.number,
        one.lot.device_class,
        shipment.contract_number,
        shipment.supplier,
        wording.day(shipment.received_at),
        *(str(count) for count in (one.total, one.accepted, one.rejected, others)),
        "–" if result is None else f"{result.outcome.value}, {result.follow_up}",
    )


def _ranges(issued: Collection[Issued]) -> Iterator[str]:
    """Yield the numbers of each kind and year, in runs: ``certificates of 2026: 0001 to 0012, 0014``."""
    numbers = sorted({(str(one.kind), *one.number.rsplit("-", 1)) for one, _, _ in issued})
    for (kind, series), group in groupby(numbers, key=lambda number: number[:2]):
        runs: list[list[int]] = []
        for _, _, digits in group:
            sequence = int(digits)
            if runs and runs[-1][1] == sequence - 1:
                runs[-1][1] = sequence
            else:
                runs.append([sequence, sequence])
        told = ", ".join(f"{a:04d}" if a == b else f"{a:04d} to {b:04d}" for a, b in runs)
        yield f"{kind.capitalize()}, {series}: {told} ({sum(b - a + 1 for a, b in runs)})."


def _document_row(one: Document, device: Device | None, lot: Lot | None) -> tuple[str, ...]:
    standing = "stands"
    if one.end is not None:
        by = f" by {one.end.successor}" if one.end.successor else ""
        standing = f"{one.end.manner.value}{by} on {wording.day(one.end.ended_at)}: {one.end.reason}"
    about = device.serial if device is not None else "–" if lot is None else f"lot {lot.number}"
    return one.number, str(one.kind), about, wording.minute(one.issued_at), one.issued_by.name, standing


def _kinds(found: Sequence[Nonconformity]) -> tuple[str, ...]:
    counted = Counter(f"{one.title} ({one.severity.value})" for one in found).most_common()
    return (f"{'; '.join(f'{kind}: {count}' for kind, count in counted)}.",) if counted else ()


def _nonconformity_row(one: Nonconformity) -> tuple[str, ...]:
    demand = f"{one.clause} {one.title}"
    return one.number, one.device.serial, one.lot.number, demand, one.severity.value, one.finding, state_of(one)


def _instrument_rows(instrument: Instrument, use: InstrumentUse) -> Iterator[tuple[str, ...]]:
    """Yield one row for each calibration that could have counted while the instrument was used."""
    first, last = (wording.day(moment) for moment in (use.first_at, use.last_at))
    told = (instrument.name, instrument.serial, str(use.entries), first if first == last else f"{first} to {last}")
    counting = [
        one
        for one in instrument.calibrations
        if one.calibrated_on <= use.last_at.date() and one.due_on >= use.first_at.date()
    ]
    for one in counting:
        yield *told, one.certificate, one.laboratory, f"{wording.day(one.calibrated_on)}, {wording.day(one.due_on)}"
    if not counting:
        latest = instrument.latest_calibration()
        yield (
            *told,
            "none" if latest is None else latest.certificate,
            "–" if latest is None else latest.laboratory,
            "–" if latest is None else f"due {wording.day(latest.due_on)}, not counting when used",
        )
