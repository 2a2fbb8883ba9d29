"""A paper made ready for its template: every line of it as printed text, in the order of printing."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from inspect_app.documents import verdict, wording
from inspect_app.documents.figures import Figure, Part, combined_figures, result_bar
from inspect_app.documents.paper import Paper
from inspect_app.model import Entry, EntryState, Finding, Instrument, Judgement, Limit, Measured, SpotAllowance
from inspect_app.quantity import format_limit, format_quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultLine:
    """One demand of the contract and what was found."""

    clause: str
    title: str
    under: str
    severity: str
    limit: str
    result: str
    coverage: str
    acceptance: str
    mark: str
    finding: str
    shape: str
    reason: str
    bar: Figure | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SpotTable:
    """An allowance of the contract with the counts found in each zone and size class."""

    clause: str
    title: str
    zones: tuple[str, ...]
    rows: tuple[tuple[str, tuple[str, ...]], ...]
    mark: str
    finding: str
    shape: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StepLine:
    """One step of the form as it was carried out."""

    title: str
    under: str
    read: str
    instruments: str
    by: str
    remark: str


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentLine:
    """What was measured with, and on what its trust rests."""

    letter: str
    kind: str
    name: str
    serial: str
    calibration: str
    due: str


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceLine:
    """One kept file."""

    name: str
    step: str
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A picture of the evidence, by the name under which the renderer fetches it."""

    url: str
    caption: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """All lines of one document."""

    paper: Paper
    headline: str
    deciding: tuple[str, ...]
    identity: tuple[tuple[str, str], ...]
    rule_names: tuple[str, ...]
    results: tuple[ResultLine, ...]
    spots: tuple[SpotTable, ...]
    figures: tuple[Figure, ...]
    steps: tuple[StepLine, ...]
    instruments: tuple[InstrumentLine, ...]
    evidence: tuple[EvidenceLine, ...]
    pictures: tuple[Picture, ...]
    methods: tuple[tuple[str, str], ...]
    rules: tuple[str, ...]
    cautions: tuple[str, ...]
    deviations: tuple[str, ...]


_SHAPES: Mapping[Finding, str] = {
    Finding.CONFORMING: "conforming",
    Finding.NONCONFORMING: "nonconforming",
    Finding.INCONCLUSIVE: "inconclusive",
    Finding.NOT_MEASURED: "not-measured",
}


def lay_out(paper: Paper) -> Sheet:
    """Return every line that the paper prints."""
    entries = _in_order(paper)
    letters = _letters(entries)
    return Sheet(
        paper=paper,
        headline=verdict.headline(paper),
        deciding=verdict.deciding_lines(paper),
        identity=_identity(paper),
        rule_names=_rule_names(paper.judgements),
        results=tuple(_result_line(j, j.limit) for j in paper.judgements if isinstance(j.limit, Limit)),
        spots=tuple(_spot_table(j, j.limit, paper) for j in paper.judgements if isinstance(j.limit, SpotAllowance)),
        figures=combined_figures(_parts(paper, entries), paper.judgements),
        steps=tuple(_step_line(paper, entry, letters) for entry in entries),
        instruments=_instrument_lines(entries, letters),
        evidence=_evidence_lines(paper, entries),
        pictures=_pictures(paper, entries),
        methods=_methods(entries),
        rules=_rules(paper.judgements),
        cautions=tuple(dict.fromkeys(caution for step in paper.form.steps for caution in step.cautions)),
        deviations=_deviations(paper, entries),
    )


def _in_order(paper: Paper) -> tuple[Entry, ...]:
    order = {step.id: place for place, step in enumerate(paper.form.steps)}
    entries = paper.inspection.entries.values()
    return tuple(sorted(entries, key=lambda entry: (order.get(entry.step_id, len(order)), entry.step_id)))


def _title(paper: Paper, step_id: str | None) -> str:
    known = {step.id: step.title for step in paper.form.steps}
    return known.get(step_id or "", step_id or "")


def _parts(paper: Paper, entries: Sequence[Entry]) -> tuple[Part, ...]:
    conditions = {step.id: step.condition for step in paper.form.steps}
    return tuple(
        Part(measured=entry.measured, condition=conditions.get(entry.step_id, {}))
        for entry in entries
        if entry.measured is not None
    )


def _result_line(judgement: Judgement, limit: Limit) -> ResultLine:
    quantity = judgement.quantity
    guarded = judgement.guard_band != 0
    return ResultLine(
        clause=limit.clause,
        title=limit.title,
        under=wording.condition_text(limit.condition or judgement.condition),
        severity=str(limit.severity),
        limit=wording.demand_text(limit),
        result="not measured" if quantity is None else format_quantity(quantity),
        coverage="" if quantity is None else wording.coverage_text(quantity),
        acceptance=wording.acceptance_text(judgement, limit) if guarded else "= limit",
        mark=wording.FINDING_MARKS[judgement.finding],
        finding=str(judgement.finding),
        shape=_SHAPES[judgement.finding],
        reason=judgement.reason,
        bar=result_bar(judgement),
    )


def _spot_table(judgement: Judgement, limit: SpotAllowance, paper: Paper) -> SpotTable:
    zones = max((len(spot_class.allowed) for spot_class in limit.classes), default=0)
    entry = paper.inspection.entries.get(judgement.step_id or "")
    measured = entry.measured if entry is not None else None
    return SpotTable(
        clause=limit.clause,
        title=limit.title,
        zones=tuple(f"zone {zone}" for zone in range(1, zones + 1)),
        rows=tuple(_spot_row(limit, index, measured) for index in range(len(limit.classes))),
        mark=wording.FINDING_MARKS[judgement.finding],
        finding=str(judgement.finding),
        shape=_SHAPES[judgement.finding],
        reason=judgement.reason,
    )


def _spot_row(limit: SpotAllowance, index: int, measured: Measured | None) -> tuple[str, tuple[str, ...]]:
    spot_class = limit.classes[index]
    over = format_limit(spot_class.larger_than_mm, "1")
    size = f"> {over} mm"
    if spot_class.at_most_mm is not None:
        size = f"{over} to {format_limit(spot_class.at_most_mm, 'mm')}"
    cells = []
    for zone, allowed in enumerate(spot_class.allowed, start=1):
        found = "–" if measured is None else format_limit(_count(limit, index, zone, measured), "1")
        cells.append(f"{found} of {allowed}")
    return size, tuple(cells)


def _count(limit: SpotAllowance, index: int, zone: int, measured: Measured) -> int:
    low, high = limit.classes[index].larger_than_mm, limit.classes[index].at_most_mm
    return sum(
        1
        for spot in measured.features
        if spot.kind == "spot"
        and spot.polarity == limit.polarity
        and spot.zone == zone
        and spot.contrast >= limit.contrast_at_least
        and spot.diameter_mm is not None
        and spot.diameter_mm > low
        and (high is None or spot.diameter_mm <= high)
    )


def _letters(entries: Sequence[Entry]) -> Mapping[int, str]:
    found = dict.fromkeys(instrument.id for entry in entries for instrument in entry.instruments)
    return {instrument_id: _letter(place) for place, instrument_id in enumerate(found)}


def _letter(place: int) -> str:
    return chr(ord("A") + place) if place < 26 else _letter(place // 26 - 1) + _letter(place % 26)


def _step_line(paper: Paper, entry: Entry, letters: Mapping[int, str]) -> StepLine:
    step = next((step for step in paper.form.steps if step.id == entry.step_id), None)
    remarks = [entry.problem or "", entry.reason or ""]
    if entry.state is EntryState.CANNOT_TELL:
        remarks.insert(0, "cannot tell")
    return StepLine(
        title=_title(paper, entry.step_id),
        under="" if step is None else wording.condition_text(step.condition),
        read=wording.readings_text(step.windows if step else (), entry.conditions),
        instruments=", ".join(letters[instrument.id] for instrument in entry.instruments),
        by=f"{entry.recorded_by.name}, {wording.minute(entry.recorded_at)}",
        remark="; ".join(remark for remark in remarks if remark),
    )


def _instrument_lines(entries: Sequence[Entry], letters: Mapping[int, str]) -> tuple[InstrumentLine, ...]:
    used: dict[int, tuple[Instrument, Entry]] = {}
    for entry in entries:
        for instrument in entry.instruments:
            used.setdefault(instrument.id, (instrument, entry))
    return tuple(_instrument_line(instrument, entry, letters) for instrument, entry in used.values())


def _instrument_line(instrument: Instrument, entry: Entry, letters: Mapping[int, str]) -> InstrumentLine:
    day = entry.recorded_at.date()
    calibration = instrument.calibration_on(day) or instrument.latest_calibration()
    due = "–"
    if calibration is not None:
        due = wording.day(calibration.due_on)
        if calibration.due_on < day:
            due += " (past due when used)"
    return InstrumentLine(
        letter=letters[instrument.id],
        kind=instrument.kind,
        name=instrument.name,
        serial=instrument.serial,
        calibration="none recorded" if calibration is None else f"{calibration.certificate}, {calibration.laboratory}",
        due=due,
    )


def _evidence_lines(paper: Paper, entries: Sequence[Entry]) -> tuple[EvidenceLine, ...]:
    lines: dict[str, EvidenceLine] = {}
    for entry in entries:
        for file in entry.evidence:
            line = EvidenceLine(name=file.name, step=_title(paper, entry.step_id), sha256=file.sha256)
            lines.setdefault(file.sha256, line)
    return tuple(lines.values())


def _pictures(paper: Paper, entries: Sequence[Entry]) -> tuple[Picture, ...]:
    deciding = {judgement.step_id for judgement in paper.verdict.deciding}
    pictures: dict[str, Picture] = {}
    for entry in entries:
        for file in entry.evidence:
            if entry.step_id in deciding and file.sha256 in paper.thumbnails:
                caption = f"{_title(paper, entry.step_id)}: {file.name}"
                pictures.setdefault(file.sha256, Picture(url=f"app:picture/{file.sha256}", caption=caption))
    return tuple(pictures.values())


def _methods(entries: Sequence[Entry]) -> tuple[tuple[str, str], ...]:
    found = {(entry.measured.check, entry.measured.method): None for entry in entries if entry.measured is not None}
    return tuple((wording.name_in_words(check), method) for check, method in found)


def _identity(paper: Paper) -> tuple[tuple[str, str], ...]:
    inspection, contract = paper.inspection, paper.contract
    shipment = inspection.lot.shipment
    return (
        ("Serial", inspection.device.serial),
        ("Device class", inspection.device.device_class),
        ("Maker", inspection.device.maker),
        ("Contract", f"{contract.number}, revision {contract.revision}: {contract.title}"),
        ("Buyer", contract.buyer),
        ("Supplier", contract.supplier),
        ("Shipment", shipment.reference),
        ("Lot", inspection.lot.number),
        ("Received", wording.day(shipment.received_at)),
        ("Inspected", _span(paper)),
        ("Issued", wording.day(paper.issued_at)),
        ("Form", f"{paper.form.title}, revision {inspection.form_revision}"),
        ("Digest of the form", inspection.form_digest[:16]),
        ("Digest of the contract", inspection.contract_digest[:16]),
        ("State on arrival", inspection.arrival_note or "nothing noted"),
    )


def _span(paper: Paper) -> str:
    moments = [entry.recorded_at for entry in paper.inspection.entries.values()] or [paper.inspection.opened_at]
    first, last = wording.day(min(moments)), wording.day(max(moments))
    return first if first == last else f"{first} to {last}"


def _rule_names(judgements: Sequence[Judgement]) -> tuple[str, ...]:
    rules = dict.fromkeys(judgement.limit.decision_rule for judgement in judgements)
    return tuple(wording.RULE_NAMES[rule] for rule in rules)


def _rules(judgements: Sequence[Judgement]) -> tuple[str, ...]:
    rules = dict.fromkeys(judgement.limit.decision_rule for judgement in judgements)
    return tuple(wording.DECISION_RULES[rule] for rule in rules)


def _deviations(paper: Paper, entries: Sequence[Entry]) -> tuple[str, ...]:
    told = list(paper.deviations)
    done = {entry.step_id for entry in entries}
    told += [f"{step.title}: this step has no entry." for step in paper.form.steps if step.id not in done]
    told += [f"{_title(paper, e.step_id)}: {e.problem or e.reason}" for e in entries if e.problem or e.reason]
    for entry in entries:
        if entry.measured is not None:
            told += [f"{_title(paper, entry.step_id)}: {warning}" for warning in entry.measured.warnings]
    return tuple(dict.fromkeys(told))
