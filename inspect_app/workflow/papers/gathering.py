"""Papers: what a document on an inspection shows, gathered from the record; and what documents of all kinds show."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TypedDict

from inspect_app import __version__
from inspect_app.documents import Paper
from inspect_app.model import DocumentKind, Inspection, Person
from inspect_app.workflow.bench.inspecting import Assessment, contract_of, form_of, judge_inspection
from inspect_app.workflow.evidence import evidence_preview
from inspect_app.workflow.papers.exhibits import exhibits
from inspect_app.workflow.workplace import Workplace


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbered:
    """A document about to be made: its place in the year (None for a draft), the moment, and who issues it."""

    kind: DocumentKind
    sequence: int | None
    at: datetime
    by: Person
    notices: tuple[str, ...] = ()

    @property
    def number(self) -> str:
        """Letter of the kind, year, and the place in the year; nothing for a draft."""
        return "" if self.sequence is None else f"{self.kind.letter}-{self.at.year}-{self.sequence:04d}"


class Imprinted(TypedDict):
    """What documents of all kinds say of themselves."""

    number: str
    issuer: str
    issued_at: datetime
    issued_by: Person
    program_version: str
    notices: tuple[str, ...]
    address: str
    page_size: str


def imprinted(workplace: Workplace, numbered: Numbered) -> Imprinted:
    """Return what a document says of itself."""
    return Imprinted(
        number=numbered.number,
        issuer=workplace.settings.issuer,
        issued_at=numbered.at,
        issued_by=numbered.by,
        program_version=__version__,
        notices=numbered.notices,
        address=workplace.settings.address,
        page_size=workplace.settings.paper,
    )


def paper(workplace: Workplace, found: Inspection, numbered: Numbered) -> Paper:
    """Return all that the document on a signed inspection shows."""
    assessment = judge_inspection(workplace, found)
    return Paper(
        **imprinted(workplace, numbered),
        inspection=found,
        form=form_of(workplace, found),
        contract=contract_of(workplace, found),
        judgements=assessment.judgements,
        verdict=assessment.verdict,
        thumbnails=_thumbnails(workplace, found, assessment),
        exhibits=exhibits(workplace, found, assessment.verdict.deciding),
    )


def _thumbnails(workplace: Workplace, found: Inspection, assessment: Assessment) -> Mapping[str, bytes]:
    """Return previews of the evidence of deciding steps: what a rejection notice shows."""
    deciding = {judgement.step_id for judgement in assessment.verdict.deciding}
    digests = {
        file.sha256
        for step_id, entry in found.entries.items()
        if step_id in deciding
        for file in entry.evidence
        if file.media_type.startswith(("image/", "video/"))
    }
    previews = {digest: evidence_preview(workplace, digest) for digest in sorted(digests)}
    return {digest: preview for digest, preview in previews.items() if preview is not None}
