"""Issuing: certificates and rejection notices, numbered without gaps, kept and never made again."""

import hashlib
import io
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from inspect_app import __version__, documents
from inspect_app.documents import Paper
from inspect_app.errors import InspectError, NotAllowed, NotFound
from inspect_app.model import Device, Document, DocumentKind, Inspection, Lot, Outcome, Person
from inspect_app.storage import documents as kept
from inspect_app.storage import signatures
from inspect_app.workflow.evidence import evidence_preview, write_whole
from inspect_app.workflow.inspecting import Assessment, contract_of, form_of, inspection, judge_inspection
from inspect_app.workflow.workplace import Workplace, acting, prove_may, reading

_LETTERS: Final = {DocumentKind.CERTIFICATE: "C", DocumentKind.REJECTION: "R"}
_KINDS: Final = {Outcome.ACCEPTED: DocumentKind.CERTIFICATE, Outcome.REJECTED: DocumentKind.REJECTION}
_ONE_AT_A_TIME: Final = (
    threading.Lock()
)  # one process renders one by one, so that its threads do not take numbers from each other
_ATTEMPTS: Final = 20  # how often others may take the next number while a document is rendered


@dataclass(frozen=True, slots=True, kw_only=True)
class IssuedDocument:
    """An issued document with the device and the lot that it speaks of."""

    document: Document
    device: Device
    lot: Lot


@dataclass(frozen=True, slots=True, kw_only=True)
class _Numbered:
    kind: DocumentKind
    sequence: int
    signature_id: int
    at: datetime

    @property
    def number(self) -> str:
        return f"{_LETTERS[self.kind]}-{self.at.year}-{self.sequence:04d}"


def issue_document(workplace: Workplace, person: Person, inspection_id: int) -> Document:
    """Issue the certificate of an accepted device, or the rejection notice of a rejected one; once.

    It is rendered before the record is locked. Where another document took its number meanwhile, it is rendered again
    with the next one, so that numbers run without gaps.

    Raises
    ------
    NotAllowed
        The inspection is not signed, or the device is held, or the person may not issue.
    """
    found = inspection(workplace, inspection_id)
    kind = _kind(found)
    assessment = judge_inspection(workplace, found)
    for _ in range(_ATTEMPTS):
        with _ONE_AT_A_TIME:
            issued = document_of(workplace, inspection_id)
            if issued is None:
                numbered = _next_number(workplace, person, found, kind)
                content = _render(_paper(workplace, person, found, assessment, numbered))
                issued = _keep(workplace, person, found, numbered, content)
        if issued is not None:
            document_path(workplace, issued)
            return issued
    raise InspectError(found.device.serial, "its document was overtaken by others", "Nothing was lost. Try again.")


def _kind(found: Inspection) -> DocumentKind:
    serial = found.device.serial
    if found.signature is None:
        raise NotAllowed(serial, "its inspection is not signed", "Answer every step, then sign.")
    if found.signature.outcome not in _KINDS:
        raise NotAllowed(serial, "it was signed as held", "Take it up again; a held device has no document.")
    return _KINDS[found.signature.outcome]


def _next_number(workplace: Workplace, person: Person, found: Inspection, kind: DocumentKind) -> _Numbered:
    at = workplace.clock()
    with reading(workplace) as session:
        prove_may(session, person, "inspect")
        signature_id = signatures.counting_signature_id(session, found.id)
        if signature_id is None:
            raise NotAllowed(found.device.serial, "its inspection was taken up again", "Sign it first.")
        sequence = kept.next_sequence(session, kind, at.year)
    return _Numbered(kind=kind, sequence=sequence, signature_id=signature_id, at=at)


def _paper(
    workplace: Workplace, person: Person, found: Inspection, assessment: Assessment, numbered: _Numbered
) -> Paper:
    return Paper(
        number=numbered.number,
        issuer=workplace.settings.issuer,
        inspection=found,
        form=form_of(workplace, found),
        contract=contract_of(workplace, found),
        judgements=assessment.judgements,
        verdict=assessment.verdict,
        issued_at=numbered.at,
        issued_by=person,
        program_version=__version__,
        thumbnails=_thumbnails(workplace, found, assessment),
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


def _render(paper: Paper) -> bytes:
    if paper.verdict.outcome is Outcome.ACCEPTED:
        return documents.render_certificate(paper)
    return documents.render_rejection(paper)


def _keep(
    workplace: Workplace, person: Person, found: Inspection, numbered: _Numbered, content: bytes
) -> Document | None:
    """Keep a rendered document; None where its number or its signature is no longer the one it was rendered for."""
    name = f"{numbered.number}.pdf"
    file = workplace.evidence.keep(name, io.BytesIO(content))
    with acting(workplace, person, "inspect", f"{numbered.kind.value} issued", at=numbered.at) as act:
        is_current = (
            kept.next_sequence(act.session, numbered.kind, numbered.at.year) == numbered.sequence
            and signatures.counting_signature_id(act.session, found.id) == numbered.signature_id
            and not kept.documents_of_inspections(act.session, (found.id,))
        )
        if not is_current:
            return None
        kept.add_evidence(act, file, name=name, kept_by=person)
        act.tell(f"document {numbered.number}", serial=found.device.serial, sha256=file.sha256)
        return kept.add_document(
            act,
            number=numbered.number,
            kind=numbered.kind,
            sequence=numbered.sequence,
            inspection_id=found.id,
            signature_id=numbered.signature_id,
            sha256=file.sha256,
            issued_by=person,
        )


def document(workplace: Workplace, number: str) -> Document:
    """Return the document with a number.

    Raises
    ------
    NotFound
        There is none.
    """
    with reading(workplace) as session:
        found = kept.document(session, number.strip().upper())
    if found is None:
        raise NotFound(f"document {number.strip()[:40]}", "no such document was issued", "Choose one from the list.")
    return found


def document_of(workplace: Workplace, inspection_id: int) -> Document | None:
    """Return the document that was issued on an inspection, or None."""
    with reading(workplace) as session:
        found = kept.documents_of_inspections(session, (inspection_id,))
    return found[inspection_id][0] if inspection_id in found else None


def document_path(workplace: Workplace, document: Document) -> Path:
    """Return the document under its number; the copy is made again from the kept bytes where it is gone or changed."""
    copy = workplace.settings.documents_folder / f"{document.number}.pdf"
    if not copy.is_file() or hashlib.sha256(copy.read_bytes()).hexdigest() != document.sha256:
        write_whole(copy, workplace.evidence.path(document.sha256).read_bytes())
    return copy


def issued_documents(workplace: Workplace) -> tuple[IssuedDocument, ...]:
    """Return all issued documents, newest first."""
    with reading(workplace) as session:
        rows = kept.all_documents(session)
    return tuple(IssuedDocument(document=document, device=device, lot=lot) for document, device, lot in rows)
