"""Papers: all that a document shows, gathered from the record."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from inspect_app import __version__
from inspect_app.documents import Paper
from inspect_app.model import Document, DocumentKind, Inspection, Person
from inspect_app.workflow.evidence import evidence_preview
from inspect_app.workflow.exhibits import exhibits
from inspect_app.workflow.inspecting import Assessment, contract_of, form_of, inspection, judge_inspection
from inspect_app.workflow.workplace import Workplace

_LETTERS: Final = {DocumentKind.CERTIFICATE: "C", DocumentKind.REJECTION: "R"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbered:
    """A document about to be made: its number, the signature that it rests on, the moment, and who issues it."""

    kind: DocumentKind
    sequence: int
    signature_id: int
    at: datetime
    by: Person
    notices: tuple[str, ...] = ()

    @property
    def number(self) -> str:
        """Letter of the kind, year, and the place in the year."""
        return f"{_LETTERS[self.kind]}-{self.at.year}-{self.sequence:04d}"


def paper(workplace: Workplace, found: Inspection, numbered: Numbered) -> Paper:
    """Return all that the document on a signed inspection shows."""
    assessment = judge_inspection(workplace, found)
    return Paper(
        number=numbered.number,
        issuer=workplace.settings.issuer,
        inspection=found,
        form=form_of(workplace, found),
        contract=contract_of(workplace, found),
        judgements=assessment.judgements,
        verdict=assessment.verdict,
        issued_at=numbered.at,
        issued_by=numbered.by,
        program_version=__version__,
        thumbnails=_thumbnails(workplace, found, assessment),
        exhibits=exhibits(workplace, found, assessment.verdict.deciding),
        notices=numbered.notices,
        address=workplace.settings.address,
        page_size=workplace.settings.paper,
    )


def paper_of(workplace: Workplace, document: Document) -> Paper:
    """Return what an issued document would show if it were made from the record of today."""
    numbered = Numbered(
        kind=document.kind,
        sequence=int(document.number.rpartition("-")[2]),
        signature_id=0,
        at=document.issued_at,
        by=document.issued_by,
    )
    return paper(workplace, inspection(workplace, document.inspection_id), numbered)


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
