"""The lists that can be imported, each declared once as an `Importable`; and why the others cannot.

What is typed in can be imported: by whoever may type it in, into the lists that they export. A new list is declared in
a module here and named in `IMPORTS`; its page and `inspect-app import` then know it.
"""

from collections.abc import Mapping
from typing import Any, Final

from inspect_app.errors import UnusableInput
from inspect_app.workflow.memory.imports._importable import Importable, Numbered, Taking
from inspect_app.workflow.memory.imports.kept import CALIBRATED, MEASURED_WITH, PEOPLE, READ, WATCHED
from inspect_app.workflow.memory.imports.received import ARRIVED, LINKED, SENT_BACK
from inspect_app.workflow.memory.lists import list_named

__all__ = ["IMPORTS", "NOT_IMPORTED", "Importable", "Numbered", "Taking", "importable"]

IMPORTS: Final[Mapping[str, Importable[Any]]] = {
    one.listing.name: one for one in (PEOPLE, MEASURED_WITH, CALIBRATED, WATCHED, READ, ARRIVED, SENT_BACK, LINKED)
}
"""In the order in which they need each other."""

_SIGNED: Final = "Import what was typed and inspect, or take the whole record over by backup and restore."
NOT_IMPORTED: Final[Mapping[str, tuple[str, str]]] = {
    "suppliers": ("they are counted from contracts and verdicts", "Adopt the contract, and import the arrivals."),
    "contracts": ("the list tells of them, their text is the file", "Adopt the contract file under Contracts."),
    "shipments": ("they are summed up from the arrivals", "Import the arrivals."),
    "lots": ("they are summed up from the arrivals", "Import the arrivals."),
    "devices": ("they are told as they came last, with what was signed", "Import the arrivals."),
    "fleet": ("it tells what was signed", _SIGNED),
    "inspections": ("they stand on signatures, which nobody gives by a list", _SIGNED),
    "results": ("they are measured from captures and readings, and signed", _SIGNED),
    "characteristics": ("they are named by what was signed", _SIGNED),
    "signed-results": ("they are measured from captures and readings, and signed", _SIGNED),
    "documents": ("they are issued and sealed", _SIGNED),
    "nonconformities": ("they follow from signed verdicts", _SIGNED),
    "captures": ("the list names files and does not hold them", "Add them to an inspection."),
    "studies": ("the list does not hold their tables", "Keep the table of each under Readers."),
    "events": ("the chain of events is written by the acts themselves", "Take the record over by backup and restore."),
}
"""Lists that are derived: what they follow from, and the way out."""


def importable(name: str) -> Importable[Any]:
    """Return how a list is imported.

    Raises
    ------
    NotFound
        There is no such list.
    UnusableInput
        It is not imported.
    """
    found = IMPORTS.get(name)
    if found is None:
        list_named(name)
        reason, remedy = NOT_IMPORTED[name]
        raise UnusableInput(name, f"they are not imported: {reason}", remedy)
    return found
