"""What a document carries inside: the record as JSON, its curves as CSV, the walk to each judgement as text.

``schemas/measurements-1.json`` describes the JSON; a change that old readers could not take gets the next number.
"""

import csv
import io
from collections.abc import Iterator, Sequence
from datetime import UTC
from typing import Any, Final

from inspect_app.documents import wording
from inspect_app.documents.attachment import AttachedFile, json_lines
from inspect_app.documents.paper import Paper
from inspect_app.documents.why import Why, why, why_text
from inspect_app.model import Condition, Entry, Judgement
from inspect_app.model.transcript import to_json_values

SCHEMA: Final = "urn:inspect-app:measurements:1"
FILE_NAME: Final = "measurements.json"
_CURVES_NAME: Final = "traces.csv"
_WALKS_NAME: Final = "why.txt"


def attached_files(paper: Paper) -> Iterator[AttachedFile]:
    """Yield the files that a document carries, the record first, in the order that the name tree of a PDF wants."""
    yield AttachedFile(
        name=FILE_NAME,
        description="All results, curves, spots and judgements, as measured and signed",
        text=measurements_json(paper),
    )
    curves = traces_csv(paper)
    if curves is not None:
        yield AttachedFile(name=_CURVES_NAME, description="The curves behind the figures, as columns", text=curves)
    yield AttachedFile(
        name=_WALKS_NAME,
        description="For every judgement the walk from capture to verdict, with its uncertainty budget",
        text="\n\n\n".join(why_text(walk) for walk in walks(paper.judgements, paper)),
    )


def walks(judgements: Sequence[Judgement], paper: Paper) -> tuple[Why, ...]:
    """Return the walk of each judgement of a paper."""
    return tuple(why(judgement, paper.form, paper.contract, paper.inspection) for judgement in judgements)


def traces_csv(paper: Paper) -> str | None:
    """Return every curve, a point a line; None where nothing has a curve."""
    points = [
        (entry.step_id, trace.name, condition, x, trace.x_unit, y, trace.y_unit)
        for _, entry in sorted(paper.inspection.entries.items())
        if entry.measured is not None
        for trace in entry.measured.traces
        for condition in (_condition_text(trace.condition),)
        for x, y in zip(trace.x, trace.y, strict=True)
    ]
    if not points:
        return None
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(("step", "trace", "condition", "x", "x_unit", "y", "y_unit"))
    writer.writerows(points)
    return text.getvalue()


def _condition_text(condition: Condition) -> str:
    return "; ".join(f"{name}={value}" for name, value in condition.items())


def measurements_json(paper: Paper) -> str:
    """Return what was measured, with what the document says of item, contract, form and verdict."""
    inspection, contract = paper.inspection, paper.contract
    device = inspection.device
    values = {
        "schema": SCHEMA,
        "document": paper.number,
        "issuer": paper.issuer,
        "issued_at": wording.instant(paper.issued_at),
        "program_version": paper.program_version,
        "device": {"maker": device.maker, "serial": device.serial, "class": device.device_class},
        "contract": {
            "number": contract.number,
            "revision": inspection.contract_revision,
            "sha256": inspection.contract_digest,
        },
        "form": {"revision": inspection.form_revision, "sha256": inspection.form_digest},
        "signed_by": "" if inspection.signature is None else inspection.signature.signed_by.name,
        "approved_by": paper.issued_by.name,
        "verdict": str(paper.verdict.outcome),
        "judgements": [_judgement_values(judgement) for judgement in paper.judgements],
        "steps": [_step_values(entry) for _, entry in sorted(inspection.entries.items())],
    }
    return json_lines(values)


def _judgement_values(judgement: Judgement) -> dict[str, Any]:
    limit = judgement.limit
    return {
        "clause": limit.clause,
        "title": limit.title,
        "severity": str(limit.severity),
        "decision_rule": str(limit.decision_rule),
        "finding": str(judgement.finding),
        "reason": judgement.reason,
        "step": judgement.step_id,
    }


def _step_values(entry: Entry) -> dict[str, Any]:
    correction = entry.counting_correction
    return {
        "step": entry.step_id,
        "revision": entry.revision,
        "state": str(entry.state),
        "recorded_at": entry.recorded_at.astimezone(UTC).isoformat(),
        "problem": entry.problem,
        "measured": None if entry.measured is None else to_json_values(entry.measured),
        "corrected": None
        if correction is None or entry.computed is None
        else {
            "by": correction.made_by.name,
            "at": correction.made_at.astimezone(UTC).isoformat(),
            "reason": correction.reason,
            "set": {name: list(texts) for name, texts in correction.options.items()},
            "computed": to_json_values(entry.computed),
        },
    }
