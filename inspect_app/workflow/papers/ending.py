"""The end of a document: superseded by a new one, or revoked; both stay readable under their old number."""

from collections.abc import Callable

from inspect_app.errors import UnusableInput
from inspect_app.model import Document, EndManner, Person
from inspect_app.storage import documents as kept
from inspect_app.storage import standing
from inspect_app.workflow.papers.issued import document
from inspect_app.workflow.papers.issuing import issue, prove_stands
from inspect_app.workflow.papers.matters import act_of_approval, matter
from inspect_app.workflow.typed_text import clean_remark
from inspect_app.workflow.workplace import Workplace, acting

Ending = Callable[[Workplace, Person, str, str], Document]
"""What ends a document, given its number and the reason; returns the document to look at next."""


def supersede_document(workplace: Workplace, person: Person, number: str, reason: str) -> Document:
    """Issue a document anew from the record, in place of one that is printed wrongly; both name the other.

    Raises
    ------
    UnusableInput
        No reason is given.
    NotAllowed
        The document stands no longer, or the person may not approve it.
    """
    reason = _given(reason, "Say what is wrong with the document.")
    old = document(workplace, number)
    prove_stands(old)
    return issue(workplace, person, matter(workplace, old.about), old, reason)


def revoke_document(workplace: Workplace, person: Person, number: str, reason: str) -> Document:
    """Declare that a document stands no longer; its inspection may then be taken up again.

    Raises
    ------
    UnusableInput
        No reason is given.
    NotAllowed
        The document stands no longer, or the person may not approve.
    """
    reason = _given(reason, "Say why the document is revoked.")
    old = document(workplace, number)
    ended = matter(workplace, old.about)
    with acting(workplace, person, act_of_approval(workplace), "document revoked") as act:
        prove_stands(kept.document(act.session, old.number) or old)
        standing.add_end(act, old.number, EndManner.REVOKED, reason=reason, ended_by=person)
        act.tell(f"document {old.number}", about=ended.name, reason=reason)
    return document(workplace, old.number)


def _given(reason: str, remedy: str) -> str:
    reason = clean_remark("reason", reason)
    if not reason:
        raise UnusableInput("reason", "it is empty", remedy)
    return reason
