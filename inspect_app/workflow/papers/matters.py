"""Matters: what a document is issued on. An inspection and a report differ here, and nowhere behind it."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, Protocol

from inspect_app.documents import Paper, Report
from inspect_app.errors import NotAllowed
from inspect_app.model import (
    About,
    AboutFleet,
    AboutInspection,
    AboutLot,
    AboutReport,
    AboutReturn,
    Document,
    DocumentKind,
    Inspection,
    Outcome,
    Person,
)
from inspect_app.storage import Session, signatures
from inspect_app.storage import documents as kept
from inspect_app.workflow.bench.inspecting import inspection
from inspect_app.workflow.papers.fleet_reporting import fleet_report, fleet_subject
from inspect_app.workflow.papers.gathering import Numbered, paper
from inspect_app.workflow.papers.lot_reporting import lot_report, lot_subject
from inspect_app.workflow.papers.return_listing import return_list, return_subject
from inspect_app.workflow.workplace import Workplace, may, prove_may, reading

_KINDS: Final = {Outcome.ACCEPTED: DocumentKind.CERTIFICATE, Outcome.REJECTED: DocumentKind.REJECTION}


class Matter(Protocol):
    """What a document is issued on."""

    @property
    def about(self) -> About:
        """What the record remembers of it."""

    @property
    def kind(self) -> DocumentKind:
        """Of the document that it calls for."""

    @property
    def name(self) -> str:
        """What people call it, in messages and in the audit chain."""

    @property
    def same(self) -> str:
        """What documents about the same share, in a word."""

    def prove_may_issue(self, workplace: Workplace, person: Person) -> None:
        """Refuse who may not issue its document, by their account as it stands now."""

    def prove_current(self, session: Session) -> None:
        """See that nothing happened meanwhile that takes its ground away."""

    def newest(self, session: Session) -> Document | None:
        """Return the document that is not to be issued a second time."""

    def earlier(self, session: Session) -> tuple[Document, ...]:
        """Return all documents about the same, newest first."""

    def made(self, workplace: Workplace, numbered: Numbered) -> Paper | Report:
        """Return all that its document shows."""


def act_of_approval(workplace: Workplace) -> str:
    """Return what somebody must be permitted to do to issue documents: approvers, unless the settings say otherwise."""
    return "inspect" if workplace.settings.is_self_approved else "approve"


def may_issue(workplace: Workplace, person: Person, found: Inspection) -> bool:
    """Say whether somebody may issue the document of a signed inspection; who signed it may not, unless settings do."""
    if not may(person, act_of_approval(workplace)) or found.signature is None:
        return False
    return workplace.settings.is_self_approved or found.signature.signed_by.id != person.id


def may_end(workplace: Workplace, person: Person, document: Document) -> bool:
    """Say whether somebody may supersede or revoke a document."""
    if document.end is not None:
        return False
    if isinstance(document.about, AboutInspection):
        return may_issue(workplace, person, inspection(workplace, document.about.inspection_id))
    return may(person, act_of_approval(workplace))


@dataclass(frozen=True, slots=True, kw_only=True)
class SignedInspection:
    """An inspection whose signature calls for a certificate or a rejection notice."""

    inspection: Inspection
    about: AboutInspection
    kind: DocumentKind

    @property
    def name(self) -> str:
        """The serial."""
        return self.inspection.device.serial

    @property
    def same(self) -> str:
        """What documents about the same share, in a word."""
        return "inspection"

    def prove_may_issue(self, workplace: Workplace, person: Person) -> None:
        """Refuse who may not approve, and who signed the inspection unless the settings let them."""
        with reading(workplace) as session:
            prove_may(session, person, act_of_approval(workplace))
        if not may_issue(workplace, person, self.inspection):
            problem = f"{person.name} signed its inspection"
            raise NotAllowed(self.name, problem, "An approver who is somebody else issues the document.")

    def prove_current(self, session: Session) -> None:
        """See that the signature still counts."""
        if signatures.counting_signature_id(session, self.inspection.id) != self.about.signature_id:
            raise NotAllowed(self.name, "its inspection was taken up again", "Sign it first.")

    def newest(self, session: Session) -> Document | None:
        """Return the newest document on the signature; one that was revoked needs a new signature."""
        return next(iter(kept.documents_about(session, self.about)), None)

    def earlier(self, session: Session) -> tuple[Document, ...]:
        """Return the documents on all signatures of the inspection."""
        return tuple(kept.documents_of_inspections(session, (self.inspection.id,)).get(self.inspection.id, ()))

    def made(self, workplace: Workplace, numbered: Numbered) -> Paper:
        """Return all that the document shows."""
        return paper(workplace, self.inspection, numbered)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportMatter:
    """A lot, a return or a part of the fleet: reported as the record stands."""

    about: AboutReport
    kind: DocumentKind
    name: str
    same: str
    gather: Callable[[Workplace, Any, Numbered], Report]

    def prove_may_issue(self, workplace: Workplace, person: Person) -> None:
        """Refuse who may not approve."""
        with reading(workplace) as session:
            prove_may(session, person, act_of_approval(workplace))

    def prove_current(self, session: Session) -> None:
        """Let it pass: a report says when it was made, nothing takes its ground away."""

    def newest(self, session: Session) -> Document | None:
        """Return the report on the same that stands; after a revoked one comes a new one."""
        return next((one for one in self.earlier(session) if one.end is None), None)

    def earlier(self, session: Session) -> tuple[Document, ...]:
        """Return the reports on the same."""
        return kept.documents_about(session, self.about)

    def made(self, workplace: Workplace, numbered: Numbered) -> Report:
        """Return all that the report shows."""
        return self.gather(workplace, self.about, numbered)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kind:
    """One kind of report: what it is about in words, and what it says."""

    kind: DocumentKind
    same: str
    subject: Callable[[Workplace, Any], str]
    gather: Callable[[Workplace, Any, Numbered], Report]


_REPORTS: Final[Mapping[type[AboutReport], _Kind]] = {
    AboutLot: _Kind(kind=DocumentKind.LOT_REPORT, same="lot", subject=lot_subject, gather=lot_report),
    AboutReturn: _Kind(kind=DocumentKind.RETURN_LIST, same="return", subject=return_subject, gather=return_list),
    AboutFleet: _Kind(kind=DocumentKind.FLEET_REPORT, same="fleet", subject=fleet_subject, gather=fleet_report),
}


def matter(workplace: Workplace, about: About) -> Matter:
    """Return the matter that a document is about.

    Raises
    ------
    NotFound
        There is no such thing.
    """
    if isinstance(about, AboutInspection):
        return signed_inspection(workplace, about.inspection_id)
    which = _REPORTS[type(about)]
    name = which.subject(workplace, about)
    return ReportMatter(about=about, kind=which.kind, name=name, same=which.same, gather=which.gather)


def report_subject(workplace: Workplace, about: AboutReport) -> str:
    """Return what a report is about, in words; `NotFound` where there is nothing."""
    return _REPORTS[type(about)].subject(workplace, about)


def signed_inspection(workplace: Workplace, inspection_id: int) -> SignedInspection:
    """Return an inspection as the matter of its document.

    Raises
    ------
    NotAllowed
        It is not signed, or was signed as held.
    """
    found = inspection(workplace, inspection_id)
    serial = found.device.serial
    with reading(workplace) as session:
        signature_id = signatures.counting_signature_id(session, found.id)
    if found.signature is None or signature_id is None:
        raise NotAllowed(serial, "its inspection is not signed", "Answer every step, then sign.")
    kind = _KINDS.get(found.signature.outcome)
    if kind is None:
        raise NotAllowed(serial, "it was signed as held", "Take it up again; a held device has no document.")
    about = AboutInspection(inspection_id=found.id, signature_id=signature_id)
    return SignedInspection(inspection=found, about=about, kind=kind)
