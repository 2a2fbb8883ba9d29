"""Issuing: documents of all kinds, approved, numbered without gaps, sealed, kept and never made again."""

import io
import threading
from typing import Final

from inspect_app import documents
from inspect_app.documents import wording
from inspect_app.errors import InspectError, NotAllowed
from inspect_app.model import AboutReport, Document, EndManner, Person
from inspect_app.storage import Session, standing
from inspect_app.storage import documents as kept
from inspect_app.workflow.papers.gathering import Numbered
from inspect_app.workflow.papers.issued import document_path
from inspect_app.workflow.papers.matters import Matter, act_of_approval, matter, signed_inspection
from inspect_app.workflow.papers.sealing import seal
from inspect_app.workflow.people.accounts import prove_password
from inspect_app.workflow.workplace import Workplace, acting, reading

_ONE_AT_A_TIME: Final = (
    threading.Lock()
)  # one process renders one by one, so that its threads do not take numbers from each other
_ATTEMPTS: Final = 20  # how often others may take the next number while a document is rendered


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
    return issue(workplace, person, signed_inspection(workplace, inspection_id))


def issue_report(workplace: Workplace, person: Person, about: AboutReport) -> Document:
    """Issue the report of a lot, of a return or of the fleet; where one on the same stands, it is returned.

    Raises
    ------
    NotAllowed
        The person may not approve.
    NotFound
        There is nothing that it could be about.
    """
    return issue(workplace, person, matter(workplace, about))


def draft_report(workplace: Workplace, person: Person, about: AboutReport) -> bytes:
    """Return what a report would say, as PDF: no number, no seal, and it says so."""
    wanted = matter(workplace, about)
    numbered = Numbered(kind=wanted.kind, sequence=None, at=workplace.clock(), by=person)
    report = wanted.made(workplace, numbered)
    if not isinstance(report, documents.Report):
        raise TypeError("a draft is made of a report")
    return documents.render_report(report)


def issue(
    workplace: Workplace, person: Person, matter: Matter, old: Document | None = None, reason: str = ""
) -> Document:
    """Issue the document on a matter, in place of an old one if there is one.

    It is rendered before the record is locked. Where another document took its number meanwhile, it is rendered again
    with the next one, so that numbers run without gaps.
    """
    matter.prove_may_issue(workplace, person)
    for _ in range(_ATTEMPTS):
        with _ONE_AT_A_TIME:
            numbered, newest = next_number(workplace, person, matter, old, reason)
            issued = _issued_already(newest, old)
            if issued is None:
                content = documents.render_sealed(matter.made(workplace, numbered), seal(workplace))
                issued = keep_rendered(workplace, matter, numbered, content, old, reason)
        if issued is not None:
            document_path(workplace, issued)
            return issued
    raise InspectError(matter.name, "its document was overtaken by others", "Nothing was lost. Try again.")


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
    workplace: Workplace, person: Person, matter: Matter, old: Document | None = None, reason: str = ""
) -> tuple[Numbered, Document | None]:
    """Return the next number for the document on a matter, and the newest document on it so far."""
    at = workplace.clock()
    with reading(workplace) as session:
        matter.prove_current(session)
        numbered = Numbered(
            kind=matter.kind,
            sequence=kept.next_sequence(session, matter.kind, at.year),
            at=at,
            by=person,
            notices=_notices(session, matter, old, reason),
        )
        return numbered, matter.newest(session)


def _notices(session: Session, matter: Matter, old: Document | None, reason: str) -> tuple[str, ...]:
    """Return what a document says of those before it."""
    if old is not None:
        return (f"Supersedes {old.number} of {wording.day(old.issued_at)}, which stands no longer: {reason}",)
    return tuple(
        f"{one.number} of {wording.day(one.issued_at)} on the same {matter.same} was revoked: {one.end.reason}"
        for one in matter.earlier(session)
        if one.end is not None and one.end.manner is EndManner.REVOKED
    )


def keep_rendered(
    workplace: Workplace,
    matter: Matter,
    numbered: Numbered,
    content: bytes,
    old: Document | None = None,
    reason: str = "",
) -> Document | None:
    """Keep a rendered document; None where its number is taken, or where another one was issued meanwhile."""
    name = f"{numbered.number}.pdf"
    file = workplace.evidence.keep(name, io.BytesIO(content))
    action = f"{matter.kind.value} issued"
    with acting(workplace, numbered.by, act_of_approval(workplace), action, at=numbered.at) as act:
        matter.prove_current(act.session)
        newest = matter.newest(act.session)
        sequence = kept.next_sequence(act.session, matter.kind, numbered.at.year)
        is_current = (None if newest is None else newest.number) == (None if old is None else old.number)
        if sequence != numbered.sequence or not is_current or (newest is not None and newest.end is not None):
            return None
        kept.add_evidence(act, file, name=name, kept_by=numbered.by)
        act.tell(f"document {numbered.number}", about=matter.name, sha256=file.sha256)
        made = kept.add_document(
            act,
            number=numbered.number,
            kind=matter.kind,
            sequence=sequence,
            about=matter.about,
            sha256=file.sha256,
            issued_by=numbered.by,
        )
        if old is not None:
            standing.add_end(
                act, old.number, EndManner.SUPERSEDED, reason=reason, ended_by=numbered.by, successor=made.number
            )
        return made
