"""Issuing: certificates and rejection notices, approved, numbered without gaps, sealed, kept and never made again."""

import io
import threading
from typing import Final

from inspect_app import documents
from inspect_app.documents import wording
from inspect_app.errors import InspectError, NotAllowed
from inspect_app.model import Document, DocumentKind, EndManner, Inspection, Outcome, Person
from inspect_app.storage import Session, signatures, standing
from inspect_app.storage import documents as kept
from inspect_app.workflow.accounts import prove_password
from inspect_app.workflow.inspecting import inspection
from inspect_app.workflow.issued import document_path
from inspect_app.workflow.papers import Numbered, paper
from inspect_app.workflow.sealing import seal
from inspect_app.workflow.workplace import Workplace, acting, may, prove_may, reading

_KINDS: Final = {Outcome.ACCEPTED: DocumentKind.CERTIFICATE, Outcome.REJECTED: DocumentKind.REJECTION}
_ONE_AT_A_TIME: Final = (
    threading.Lock()
)  # one process renders one by one, so that its threads do not take numbers from each other
_ATTEMPTS: Final = 20  # how often others may take the next number while a document is rendered


def act_of_approval(workplace: Workplace) -> str:
    """Return what somebody must be permitted to do to issue documents: approvers, unless the settings say otherwise."""
    return "inspect" if workplace.settings.is_self_approved else "approve"


def may_issue(workplace: Workplace, person: Person, found: Inspection) -> bool:
    """Say whether somebody may issue the document of a signed inspection; who signed it may not, unless settings do."""
    if not may(person, act_of_approval(workplace)) or found.signature is None:
        return False
    return workplace.settings.is_self_approved or found.signature.signed_by.id != person.id


def approve(workplace: Workplace, person: Person, inspection_id: int, password: str) -> Document:
    """Issue the document of a signed inspection for somebody who proves by their password that they approve it.

    Raises
    ------
    NotAllowed
        As `issue_document`, or the password is wrong.
    """
    prove_password(workplace, person, password)
    return issue_document(workplace, person, inspection_id)


def issue_document(workplace: Workplace, person: Person, inspection_id: int) -> Document:
    """Issue the certificate of an accepted device, or the rejection notice of a rejected one; once.

    Raises
    ------
    NotAllowed
        The inspection is not signed, or the device is held, or the person may not approve it, or its document was
        revoked.
    """
    return issue_after(workplace, person, inspection(workplace, inspection_id))


def issue_after(
    workplace: Workplace, person: Person, found: Inspection, old: Document | None = None, reason: str = ""
) -> Document:
    """Issue the document of an inspection, in place of an old one if there is one.

    It is rendered before the record is locked. Where another document took its number meanwhile, it is rendered again
    with the next one, so that numbers run without gaps.
    """
    prove_approval(workplace, person, found)
    for _ in range(_ATTEMPTS):
        with _ONE_AT_A_TIME:
            numbered, newest = next_number(workplace, person, found, old, reason)
            issued = _issued_already(newest, old)
            if issued is None:
                content = documents.render_sealed(paper(workplace, found, numbered), seal(workplace))
                issued = keep_rendered(workplace, found, numbered, content, old, reason)
        if issued is not None:
            document_path(workplace, issued)
            return issued
    raise InspectError(found.device.serial, "its document was overtaken by others", "Nothing was lost. Try again.")


def _prove_has_document(found: Inspection) -> None:
    serial = found.device.serial
    if found.signature is None:
        raise NotAllowed(serial, "its inspection is not signed", "Answer every step, then sign.")
    if found.signature.outcome not in _KINDS:
        raise NotAllowed(serial, "it was signed as held", "Take it up again; a held device has no document.")


def prove_approval(workplace: Workplace, person: Person, found: Inspection) -> None:
    """See that there is something to issue, and that somebody may, by their account as it stands now."""
    _prove_has_document(found)
    with reading(workplace) as session:
        prove_may(session, person, act_of_approval(workplace))
    if not may_issue(workplace, person, found):
        raise NotAllowed(
            found.device.serial,
            f"{person.name} signed its inspection",
            "An approver who is somebody else issues the document.",
        )


def prove_stands(found: Document) -> None:
    """See that a document was neither superseded nor revoked."""
    if found.end is not None:
        successor = f" by {found.end.successor}" if found.end.successor else ""
        raise NotAllowed(found.number, f"it was {found.end.manner.value}{successor}", "Look at it; nothing was done.")


def _issued_already(newest: Document | None, old: Document | None) -> Document | None:
    """Return the document that was issued before; None where it is to be made."""
    if newest is None or (old is not None and newest.number == old.number):
        return None
    if old is not None:
        raise NotAllowed(old.number, f"it was superseded by {newest.number}", "Look at it; nothing was done.")
    prove_stands(newest)
    return newest


def next_number(
    workplace: Workplace, person: Person, found: Inspection, old: Document | None = None, reason: str = ""
) -> tuple[Numbered, Document | None]:
    """Return the next number for the document of an inspection, and the newest document on its signature so far."""
    at = workplace.clock()
    with reading(workplace) as session:
        signature_id = signatures.counting_signature_id(session, found.id)
        if signature_id is None or found.signature is None:
            raise NotAllowed(found.device.serial, "its inspection was taken up again", "Sign it first.")
        kind = _KINDS[found.signature.outcome]
        numbered = Numbered(
            kind=kind,
            sequence=kept.next_sequence(session, kind, at.year),
            signature_id=signature_id,
            at=at,
            by=person,
            notices=_notices(session, found, old, reason),
        )
        return numbered, kept.newest_on_signature(session, signature_id)


def _notices(session: Session, found: Inspection, old: Document | None, reason: str) -> tuple[str, ...]:
    """Return what a document says of those before it."""
    if old is not None:
        return (f"Supersedes {old.number} of {wording.day(old.issued_at)}, which stands no longer: {reason}",)
    earlier = kept.documents_of_inspections(session, (found.id,)).get(found.id, [])
    return tuple(
        f"{one.number} of {wording.day(one.issued_at)} on the same inspection was revoked: {one.end.reason}"
        for one in earlier
        if one.end is not None and one.end.manner is EndManner.REVOKED
    )


def keep_rendered(
    workplace: Workplace,
    found: Inspection,
    numbered: Numbered,
    content: bytes,
    old: Document | None = None,
    reason: str = "",
) -> Document | None:
    """Keep a rendered document; None where its number or its signature is no longer the one it was rendered for."""
    name = f"{numbered.number}.pdf"
    file = workplace.evidence.keep(name, io.BytesIO(content))
    action = f"{numbered.kind.value} issued"
    with acting(workplace, numbered.by, act_of_approval(workplace), action, at=numbered.at) as act:
        newest = kept.newest_on_signature(act.session, numbered.signature_id)
        is_current = (
            kept.next_sequence(act.session, numbered.kind, numbered.at.year) == numbered.sequence
            and signatures.counting_signature_id(act.session, found.id) == numbered.signature_id
            and (None if newest is None else newest.number) == (None if old is None else old.number)
            and (newest is None or newest.end is None)
        )
        if not is_current:
            return None
        kept.add_evidence(act, file, name=name, kept_by=numbered.by)
        act.tell(f"document {numbered.number}", serial=found.device.serial, sha256=file.sha256)
        made = kept.add_document(
            act,
            number=numbered.number,
            kind=numbered.kind,
            sequence=numbered.sequence,
            inspection_id=found.id,
            signature_id=numbered.signature_id,
            sha256=file.sha256,
            issued_by=numbered.by,
        )
        if old is not None:
            standing.add_end(
                act, old.number, EndManner.SUPERSEDED, reason=reason, ended_by=numbered.by, successor=made.number
            )
        return made
