"""Issued documents: found by number or inspection, and their copies on the disk."""

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from inspect_app.errors import NotFound
from inspect_app.model import About, AboutInspection, Device, Document, Inspection, Lot, Outcome
from inspect_app.storage import arrivals, signatures
from inspect_app.storage import documents as kept
from inspect_app.storage.arrivals import Arrived
from inspect_app.workflow.evidence import write_whole
from inspect_app.workflow.workplace import Workplace, reading

DOCUMENTS_ON_A_PAGE: Final = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class IssuedDocument:
    """An issued document with the device and the lot that it speaks of; a report is about no one device."""

    document: Document
    device: Device | None
    lot: Lot | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DocumentPage:
    """One page of the list of issued documents."""

    documents: tuple[IssuedDocument, ...]
    total: int
    page: int
    pages: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AwaitedDocument:
    """A signed inspection, accepted or rejected, that has no document yet."""

    inspection_id: int
    device: Device
    lot: Lot
    outcome: Outcome


@dataclass(frozen=True, slots=True, kw_only=True)
class AwaitedPage:
    """One page of the list of documents that are awaited."""

    awaited: tuple[AwaitedDocument, ...]
    total: int
    page: int
    pages: int


def awaiting_documents(workplace: Workplace, lot_id: int | None = None) -> tuple[AwaitedDocument, ...]:
    """Return what was signed and waits for its document, of one lot or of all, in order of arrival."""
    with reading(workplace) as session:
        return _awaited(arrivals.signed_without_document(session, lot_id))


def awaited_page(workplace: Workplace, page: int = 1) -> AwaitedPage:
    """Return one page of what waits for its document, in order of arrival; a page beyond the last is the last."""
    with reading(workplace) as session:
        total = arrivals.count_without_document(session)
        page, pages = _page_of(page, total)
        start = (page - 1) * DOCUMENTS_ON_A_PAGE
        found = _awaited(arrivals.some_without_document(session, start=start, count=DOCUMENTS_ON_A_PAGE))
        return AwaitedPage(awaited=found, total=total, page=page, pages=pages)


def _page_of(page: int, total: int) -> tuple[int, int]:
    """Return the page that there is, and how many there are."""
    pages = max(1, -(-total // DOCUMENTS_ON_A_PAGE))
    return min(max(1, page), pages), pages


def _awaited(found: Iterable[Arrived]) -> tuple[AwaitedDocument, ...]:
    return tuple(
        AwaitedDocument(inspection_id=one.inspection_id, device=one.device, lot=one.lot, outcome=one.outcome)
        for one in found
        if one.inspection_id is not None and one.outcome is not None
    )


def awaits_document(workplace: Workplace, inspection: Inspection) -> bool:
    """Say whether an inspection was signed and waits for its document."""
    if inspection.signature is None or inspection.signature.outcome is Outcome.HELD:
        return False
    with reading(workplace) as session:
        signature_id = signatures.counting_signature_id(session, inspection.id)
        if signature_id is None:
            return False
        about = AboutInspection(inspection_id=inspection.id, signature_id=signature_id)
        return not kept.documents_about(session, about)


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
    """Return the newest document that was issued on an inspection, or None."""
    with reading(workplace) as session:
        found = kept.documents_of_inspections(session, (inspection_id,))
    return found[inspection_id][0] if inspection_id in found else None


def documents_about(workplace: Workplace, about: About) -> tuple[Document, ...]:
    """Return the documents about the same, newest first."""
    with reading(workplace) as session:
        return kept.documents_about(session, about)


def document_path(workplace: Workplace, document: Document) -> Path:
    """Return the document under its number; the copy is made again from the kept bytes where it is gone or changed."""
    copy = workplace.settings.documents_folder / f"{document.number}.pdf"
    if not copy.is_file() or hashlib.sha256(copy.read_bytes()).hexdigest() != document.sha256:
        write_whole(copy, workplace.evidence.path(document.sha256).read_bytes())
    return copy


def issued_documents(workplace: Workplace) -> tuple[IssuedDocument, ...]:
    """Return all issued documents, newest first."""
    with reading(workplace) as session:
        return _issued(kept.some_documents(session, ""))


def document_page(workplace: Workplace, text: str, page: int = 1) -> DocumentPage:
    """Return one page of the documents with `text` in number, serial or lot; a page beyond the last is the last."""
    with reading(workplace) as session:
        total = kept.count_documents(session, text)
        page, pages = _page_of(page, total)
        start = (page - 1) * DOCUMENTS_ON_A_PAGE
        found = _issued(kept.some_documents(session, text, start=start, count=DOCUMENTS_ON_A_PAGE))
        return DocumentPage(documents=found, total=total, page=page, pages=pages)


def _issued(rows: Iterable[tuple[Document, Device | None, Lot | None]]) -> tuple[IssuedDocument, ...]:
    return tuple(IssuedDocument(document=document, device=device, lot=lot) for document, device, lot in rows)
