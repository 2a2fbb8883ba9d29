"""The files that a document carries inside: the measurements as JSON, the walk to each judgement as text."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC
from typing import Any, Final

from inspect_app.documents import wording
from inspect_app.documents.paper import Paper
from inspect_app.documents.why import Why, why, why_text
from inspect_app.model import Entry, Judgement
from inspect_app.model.transcript import to_json_values

SCHEMA: Final = "urn:inspect-app:measurements:1"
FILE_NAME: Final = "measurements.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class AttachedFile:
    """A file inside a document."""

    name: str
    description: str
    text: str


def attached_files(paper: Paper) -> tuple[AttachedFile, ...]:
    """Return the files that a document carries."""
    return (
        AttachedFile(
            name=FILE_NAME,
            description="All results, curves and spots of the steps, as measured",
            text=measurements_json(paper),
        ),
        AttachedFile(
            name="why.txt",
            description="For every judgement the walk from capture to verdict, with its uncertainty budget",
            text="\n\n\n".join(why_text(walk) for walk in walks(paper.judgements, paper)),
        ),
    )


def walks(judgements: Sequence[Judgement], paper: Paper) -> tuple[Why, ...]:
    """Return the walk of each judgement of a paper."""
    return tuple(why(judgement, paper.form, paper.contract, paper.inspection) for judgement in judgements)


def measurements_json(paper: Paper) -> str:
    """Return what was measured, with what the document says of item, contract, form and verdict."""
    inspection, contract = paper.inspection, paper.contract
    device = inspection.device
    values = {
        "schema": SCHEMA,
        "document": paper.number,
        "issued_at": wording.instant(paper.issued_at),
        "program_version": paper.program_version,
        "device": {"maker": device.maker, "serial": device.serial, "class": device.device_class},
        "contract": {
            "number": contract.number,
            "revision": inspection.contract_revision,
            "sha256": inspection.contract_digest,
        },
        "form": {"revision": inspection.form_revision, "sha256": inspection.form_digest},
        "verdict": str(paper.verdict.outcome),
        "steps": [_step_values(entry) for _, entry in sorted(inspection.entries.items())],
    }
    return json.dumps(values, indent=1, allow_nan=False)


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
