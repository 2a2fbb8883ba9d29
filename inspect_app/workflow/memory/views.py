"""Saved views: whoever signs in names the address of a list and finds it again; anybody may be sent the address."""

from typing import Final

from inspect_app.errors import NotAllowed, NotFound, UnusableInput
from inspect_app.model import Person
from inspect_app.model.saved_view import SavedView
from inspect_app.storage import Session
from inspect_app.storage import views as kept
from inspect_app.workflow.typed_text import clean_line
from inspect_app.workflow.workplace import Workplace, acting, reading

LONGEST_ADDRESS: Final = 2000
MOST_VIEWS: Final = 100


def saved_views(workplace: Workplace, person: Person) -> tuple[SavedView, ...]:
    """Return what somebody keeps, in order of name."""
    with reading(workplace) as session:
        return kept.views(session, person.id)


def save_view(workplace: Workplace, person: Person, name: str, address: str) -> None:
    """Keep an address of our pages under a name; a name that is there leads to the new address from now on.

    Raises
    ------
    UnusableInput
        The name is empty, the address is none of ours or too long.
    NotAllowed
        Somebody keeps as many as one may.
    """
    name = clean_line("name", name)
    if not address.startswith("/") or address.startswith("//") or len(address) > LONGEST_ADDRESS:
        raise UnusableInput("address", "it is none of a page here", "Save the view on the page that shows it.")
    with acting(workplace, person, "read", "view saved") as act:
        known = {one.name: one.address for one in kept.views(act.session, person.id)}
        if known.get(name) == address:
            return
        if name not in known and len(known) >= MOST_VIEWS:
            raise NotAllowed("views", f"you keep {MOST_VIEWS} already", "Delete one first.")
        kept.add_view(act, person, name, address)
        act.tell(f"view {name}")


def rename_view(workplace: Workplace, person: Person, name: str, new_name: str) -> None:
    """Give a view another name.

    Raises
    ------
    UnusableInput
        The new name is empty, or another view has it.
    NotFound
        Nobody saved it.
    """
    new_name = clean_line("name", new_name)
    with acting(workplace, person, "read", "view renamed") as act:
        found = _existing(act.session, person, name)
        if new_name == name:
            return
        if any(one.name == new_name for one in kept.views(act.session, person.id)):
            raise UnusableInput("name", f"another view is called {new_name}", "Take another name, or delete that one.")
        kept.add_view(act, person, name, None)
        kept.add_view(act, person, new_name, found.address)
        act.tell(f"view {new_name}", before=name)


def delete_view(workplace: Workplace, person: Person, name: str) -> None:
    """Keep a view no longer.

    Raises
    ------
    NotFound
        Nobody saved it.
    """
    with acting(workplace, person, "read", "view deleted") as act:
        _existing(act.session, person, name)
        kept.add_view(act, person, name, None)
        act.tell(f"view {name}")


def _existing(session: Session, person: Person, name: str) -> SavedView:
    for one in kept.views(session, person.id):
        if one.name == name:
            return one
    raise NotFound(f"view {name[:60]}", "you keep none of this name", "Look at your views.")
