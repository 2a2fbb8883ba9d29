"""The workplace and the person that the request at hand belongs to."""

from collections.abc import Callable
from functools import wraps
from typing import ParamSpec, TypeVar, cast

from flask import current_app, g

from inspect_app.errors import NotAllowed
from inspect_app.model import Document, Inspection, Person
from inspect_app.workflow import Workplace, may, may_end, may_issue, may_see_accounts

P = ParamSpec("P")
T = TypeVar("T")


def workplace() -> Workplace:
    """Return the workplace that the application was made for."""
    return cast(Workplace, current_app.extensions["workplace"])


def someone() -> Person | None:
    """Return who is signed in, or None."""
    return cast("Person | None", g.get("person"))


def person() -> Person:
    """Return who is signed in; pages that are open to all do not ask."""
    signed_in = someone()
    if signed_in is None:
        raise NotAllowed("this page", "nobody is signed in", "Sign in and open it again.")
    return signed_in


def is_allowed(act: str) -> bool:
    """Say whether the person may ``inspect``, ``approve`` or ``keep``; what they may not do is not shown to them."""
    signed_in = someone()
    return signed_in is not None and may(signed_in, act)


def may_read_accounts() -> bool:
    """Say whether the list of accounts is for the person: who keeps it, and who audits the record."""
    signed_in = someone()
    return signed_in is not None and may_see_accounts(signed_in)


def allowed_to(act: str) -> Callable[[Callable[P, T]], Callable[P, T]]:
    """Open a view only to those who may ``inspect``, ``approve`` or ``keep``."""

    def guard(view: Callable[P, T]) -> Callable[P, T]:
        @wraps(view)
        def guarded(*args: P.args, **kwargs: P.kwargs) -> T:
            if not is_allowed(act):
                raise NotAllowed(
                    "this page", f"your account ({person().role}) does not permit it", "Ask somebody who may."
                )
            return view(*args, **kwargs)

        return guarded

    return guard


def prove_may_end(document: Document) -> None:
    """Refuse the page to who may not supersede or revoke a document."""
    if document.end is None and not may_end(workplace(), person(), document):
        raise NotAllowed(
            "this page",
            f"your account ({person().role}) does not permit it, or you signed the inspection yourself",
            "Ask an approver who is somebody else.",
        )


def prove_may_issue(inspection: Inspection) -> None:
    """Refuse the page to who may not approve what became of an inspection."""
    if not may_issue(workplace(), person(), inspection):
        raise NotAllowed(
            "this page",
            f"your account ({person().role}) does not permit it, or you signed the inspection yourself",
            "Ask an approver who is somebody else.",
        )
