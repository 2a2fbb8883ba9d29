"""The report of a lot: its plans, what was found, what the plans let through, and its devices."""

from collections.abc import Iterator, Mapping, Sequence

from inspect_app.documents import Report, ReportTable, Section, lot_wording, wording
from inspect_app.documents.figures import Figure
from inspect_app.model import AboutLot, DocumentKind, Outcome
from inspect_app.workflow.arriving.contracts import notes_on
from inspect_app.workflow.lots.looking import LookErrors, look_errors
from inspect_app.workflow.lots.progress import DeviceState, LotDevice, LotSummary, lot, lot_devices
from inspect_app.workflow.lots.sampling import ClassStanding, LotSampling, SampledDevice, lot_sampling
from inspect_app.workflow.papers.gathering import Numbered, imprinted
from inspect_app.workflow.workplace import Workplace, reading


def lot_subject(workplace: Workplace, about: AboutLot) -> str:
    """Return what the report of a lot is about, in words.

    Raises
    ------
    NotFound
        There is no such lot.
    """
    return f"lot {lot(workplace, about.lot_id).lot.number}"


def lot_report(workplace: Workplace, about: AboutLot, numbered: Numbered) -> Report:
    """Return all that the report of a lot shows."""
    summary = lot(workplace, about.lot_id)
    sampling = lot_sampling(workplace, about.lot_id)
    devices = lot_devices(workplace, about.lot_id)
    with reading(workplace) as session:
        remarks = notes_on(session, [summary.lot.shipment.contract_number])
    outcome = _outcome(summary, sampling)
    return Report(
        **imprinted(workplace, numbered),
        kind=DocumentKind.LOT_REPORT,
        subject=lot_subject(workplace, about),
        word="Open" if outcome is Outcome.HELD else outcome.value.capitalize(),
        outcome=outcome,
        lines=tuple(_told(summary, sampling)),
        facts=_facts(summary, sampling),
        sections=(*_sampled_sections(sampling, look_errors(workplace, about.lot_id)), _devices(devices, sampling)),
        remarks=remarks,
    )


def _outcome(summary: LotSummary, sampling: LotSampling | None) -> Outcome:
    """Return the verdict on a lot; where every device stands for itself, whether all of them were accepted."""
    if sampling is not None:
        return Outcome.HELD if sampling.verdict is None else sampling.verdict.outcome
    if summary.accepted + summary.rejected < summary.total:
        return Outcome.HELD
    return Outcome.REJECTED if summary.rejected else Outcome.ACCEPTED


def _told(summary: LotSummary, sampling: LotSampling | None) -> Iterator[str]:
    if sampling is None:
        yield "Every device of this lot is inspected and stands for itself."
    elif sampling.verdict is None:
        yield "The verdict on the lot is not given yet."
    else:
        verdict = sampling.verdict
        yield (
            f"Decided by {verdict.decided_by.name}, {wording.minute(verdict.decided_at)};"
            f" what follows: {verdict.follow_up.value}.{f' {verdict.reason}' if verdict.reason else ''}"
        )
    waiting = summary.total - summary.accepted - summary.rejected
    yield (
        f"Of {summary.total} devices {summary.accepted} are accepted, {summary.rejected} rejected,"
        f" {waiting} not decided or not looked at."
    )


def _facts(summary: LotSummary, sampling: LotSampling | None) -> list[tuple[str, str]]:
    of = summary.lot
    facts = [
        ("Device class", of.device_class),
        ("Supplier", of.shipment.supplier),
        ("Contract", of.shipment.contract_number),
        ("Delivery note", of.shipment.reference),
        ("Received", f"{wording.minute(of.shipment.received_at)}, {of.shipment.received_by.name}"),
        ("Devices", str(summary.total)),
    ]
    if sampling is not None and sampling.resubmission is not None:
        facts.append(("Comes again", f"lot {sampling.resubmission.earlier.number}: {sampling.resubmission.reason}"))
    if sampling is not None and sampling.resubmitted_as is not None:
        facts.append(("Came again as", f"lot {sampling.resubmitted_as.lot.number}"))
    return facts


def _sampled_sections(sampling: LotSampling | None, looks: LookErrors | None) -> Iterator[Section]:
    if sampling is None:
        return
    yield Section(
        heading="Plans and counts",
        table=ReportTable(
            name="plans",
            columns=("Nonconformities", "Plan", "Inspection", "Decided", "Count", "Standing"),
            shares=(3, 9, 4, 3, 8, 3),
            rows=[_plan_row(one) for one in sampling.classes],
        ),
        lines=_drawn(sampling),
    )
    figures = [figure for one in sampling.classes for figure in _figures(one, sampling.lot_size, looks)]
    yield Section(
        heading="What the plans let through",
        remark="solid: lots of a process; dashed: lots of this size",
        figures=figures,
        lines=tuple(f"{figure.title}: {figure.text_alternative}" for figure in figures),
    )


def _figures(standing: ClassStanding, lot_size: int, looks: LookErrors | None) -> tuple[Figure, ...]:
    wrong = None if looks is None else looks.of(standing.plan.severity)
    if looks is None or wrong is None:
        return lot_wording.plan_figures(standing.plan, lot_size)
    return lot_wording.plan_figures(standing.plan, lot_size, wrong, looks.source)


def _drawn(sampling: LotSampling) -> tuple[str, ...]:
    draw = sampling.draw
    if draw is None:
        return ("No sample is drawn yet.",)
    drawn = f"Drawn {wording.minute(draw.drawn_at)} by {draw.drawn_by.name}: {lot_wording.draw_rule(draw)}."
    return (drawn, f"Seed {draw.seed}.")


def _plan_row(standing: ClassStanding) -> tuple[str, ...]:
    return (
        standing.plan.severity.value,
        lot_wording.plan_source(standing.plan),
        lot_wording.stringency_word(standing.plan),
        f"{standing.decided} of {standing.devices}",
        lot_wording.numbers_text(standing.plan.plan, standing.count),
        "open" if standing.outcome is Outcome.HELD else standing.outcome.value,
    )


def _devices(devices: Sequence[LotDevice], sampling: LotSampling | None) -> Section:
    """Return the list of devices: those of the sample first, so that they stand on paper however large the lot is."""
    sampled = {} if sampling is None else {one.device.device.id: one for one in sampling.devices}
    order = {device_id: place for place, device_id in enumerate(sampled)}
    ordered = sorted(devices, key=lambda one: order.get(one.device.id, len(order)))
    columns = {"Serial": 5, "Verdict": 4, "Document": 5, "Note on arrival": 10}
    if sampled:
        columns["Sample"] = 7
    return Section(
        heading="Devices",
        remark="in the order of the draw, then of arrival" if sampled else "in the order of arrival",
        table=ReportTable(
            name="devices",
            columns=tuple(columns),
            shares=tuple(columns.values()),
            rows=[(*_device_row(one), *_in_sample(sampled, one)) for one in ordered],
        ),
    )


def _device_row(one: LotDevice) -> tuple[str, ...]:
    if one.state is DeviceState.UNTOUCHED:
        verdict = "not looked at"
    else:
        verdict = "open" if one.outcome is None else one.outcome.value
    document = one.document
    ended = "" if document is None or document.end is None else f", {document.end.manner.value}"
    return (
        one.device.serial,
        verdict,
        "–" if document is None else f"{document.number}{ended}",
        one.arrival_note if one.is_on_list else f"not on the packing list. {one.arrival_note}".strip(),
    )


def _in_sample(sampled: Mapping[int, SampledDevice], one: LotDevice) -> tuple[str, ...]:
    """Return the cell that says whether a device is in the sample; none where the lot has no sample."""
    if not sampled:
        return ()
    found = sampled.get(one.device.id)
    return ("–" if found is None else f"in it{f': {found.change}' if found.change else ''}",)
