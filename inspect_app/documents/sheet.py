"""A paper made ready for its template: every line of it as printed text, in the order of printing.

What a report has to hold is that of ISO/IEC 17025:2017, 7.8.2 and 7.8.6 (from memory): title, place, unique number
with pages counted and an end, customer, method, item with its state, dates of receipt, performance and issue, a
statement that the results relate to the item only, results with units, deviations, the person who authorises, and
the decision rule with what it was applied to.
"""

from dataclasses import dataclass

from inspect_app.documents import wording
from inspect_app.documents.attached import walks
from inspect_app.documents.bench import Bench, EvidenceLine, InstrumentLine, Picture, StepLine
from inspect_app.documents.code import Code, code_of
from inspect_app.documents.figures import Figure, Part, combined_figures
from inspect_app.documents.paper import Paper
from inspect_app.documents.results import (
    MissedLine,
    ResultLine,
    SpotTable,
    missed_line,
    nearest_to_limit,
    result_line,
    spot_table,
)
from inspect_app.documents.rule_words import RULE_NAMES, explained
from inspect_app.documents.why import Why
from inspect_app.judge import outcome_of
from inspect_app.model import Finding, Limit, Outcome, SpotAllowance


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """All lines of one document."""

    headline: str
    nearest: str
    missed: tuple[MissedLine, ...]
    walks: tuple[Why, ...]
    identity: tuple[tuple[str, str], ...]
    results: tuple[ResultLine, ...]
    spots: tuple[SpotTable, ...]
    figures: tuple[Figure, ...]
    steps: tuple[StepLine, ...]
    instruments: tuple[InstrumentLine, ...]
    evidence: tuple[EvidenceLine, ...]
    pictures: tuple[Picture, ...]
    methods: tuple[tuple[str, str], ...]
    rule_names: tuple[str, ...]
    rules: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    deviations: tuple[str, ...]
    code: Code

    @property
    def drawings(self) -> tuple[Figure, ...]:
        """All figures in the order of printing: the renderer fetches each by its place among them.

        They are not set into the page itself, where each of their elements would be styled as if it were text.
        """
        bars = (line.bar for line in self.results if line.bar is not None)
        return (*bars, *self.figures, self.code.drawing)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportSheet:
    """What a report needs beside its texts."""

    figures: tuple[Figure, ...]
    code: Code

    @property
    def drawings(self) -> tuple[Figure, ...]:
        """All figures; the renderer fetches each by its place among them."""
        return (*self.figures, self.code.drawing)


def lay_out(paper: Paper, record_sha256: str) -> Sheet:
    """Return every line that the paper prints; the digest is that of the record which it carries inside."""
    bench = Bench(paper)
    judgements, entries = paper.judgements, paper.inspection.entries
    rules = tuple(dict.fromkeys(judgement.limit.decision_rule for judgement in judgements))
    return Sheet(
        headline=_headline(paper),
        nearest=nearest_to_limit(judgements),
        missed=tuple(missed_line(judgement) for judgement in paper.verdict.deciding),
        walks=walks(paper.verdict.deciding, paper),
        identity=_identity(paper, bench),
        results=tuple(result_line(j, j.limit) for j in judgements if isinstance(j.limit, Limit)),
        spots=tuple(spot_table(j, j.limit, entries) for j in judgements if isinstance(j.limit, SpotAllowance)),
        figures=combined_figures(_parts(paper, bench), judgements),
        steps=bench.step_lines(),
        instruments=bench.instrument_lines(),
        evidence=bench.evidence_lines(),
        pictures=bench.pictures(),
        methods=bench.methods(),
        rule_names=tuple(RULE_NAMES[rule] for rule in rules),
        rules=tuple((RULE_NAMES[rule], explained(rule)) for rule in rules),
        cautions=_cautions(paper),
        deviations=bench.deviations(),
        code=code_of(paper, record_sha256),
    )


def _parts(paper: Paper, bench: Bench) -> tuple[Part, ...]:
    conditions = {step.id: step.condition for step in paper.form.steps}
    return tuple(
        Part(measured=entry.measured, condition=conditions.get(entry.step_id, {}))
        for entry in bench.entries
        if entry.measured is not None
    )


def _cautions(paper: Paper) -> tuple[str, ...]:
    """Return the first sentence of each warning of the form: what can hurt; the form tells the rest."""
    warnings = dict.fromkeys(caution for step in paper.form.steps for caution in step.cautions)
    return tuple(f"{warning.partition('. ')[0].rstrip('.')}." for warning in warnings)


def _headline(paper: Paper) -> str:
    total = len(paper.judgements)
    failed = sum(outcome_of(judgement) is Outcome.REJECTED for judgement in paper.judgements)
    contract = f"contract {paper.contract.number}, revision {paper.contract.revision}"
    if total == 0:
        return f"No demand of {contract} applies to this device class."
    if failed == 0 and any(judgement.finding is not Finding.CONFORMING for judgement in paper.judgements):
        return paper.verdict.reason
    if failed == 0:
        return f"All {total} demands of {contract} are met." if total > 1 else f"The one demand of {contract} is met."
    return f"{failed} of {total} demands of {contract} {'is' if failed == 1 else 'are'} not met."


def _identity(paper: Paper, bench: Bench) -> tuple[tuple[str, str], ...]:
    inspection, contract = paper.inspection, paper.contract
    shipment = inspection.lot.shipment
    return (
        ("Device class", inspection.device.device_class),
        ("Maker", inspection.device.maker),
        ("Lot, shipment", f"{inspection.lot.number}, {shipment.reference}"),
        ("Received", wording.day(shipment.received_at)),
        ("Contract", f"{contract.number}, revision {contract.revision}"),
        ("Buyer", contract.buyer),
        ("Supplier", contract.supplier),
        ("Inspected", bench.days()),
        ("Subject of the contract", contract.title),
        ("State on arrival", inspection.arrival_note or "nothing noted"),
        ("Form", f"{paper.form.title}, revision {inspection.form_revision}"),
        ("Issued", wording.day(paper.issued_at)),
    )
