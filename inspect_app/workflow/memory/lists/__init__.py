"""Every list of the record with its columns: the one declaration behind downloads, the command and the interface.

A list is a `Listing`: a `Table` (its name, and each column's heading with what it shows of a row), the key by which it
is read on, and what yields its rows. A new list is declared here and named in `LISTS`; its page then shows its
downloads by ``marks.downloads``, and `inspect-app export` knows it.
"""

from collections.abc import Mapping
from typing import Any, Final

from inspect_app.errors import NotFound
from inspect_app.workflow.memory.listing import Listing
from inspect_app.workflow.memory.lists.found import DOCUMENTS, INSPECTIONS, NONCONFORMITIES, RESULTS, RETURNS
from inspect_app.workflow.memory.lists.kept import ACCOUNTS, CALIBRATIONS, CAPTURES, EVENTS, INSTRUMENTS, STUDIES
from inspect_app.workflow.memory.lists.measured import CHARACTERISTICS, SIGNED_RESULTS
from inspect_app.workflow.memory.lists.received import ARRIVALS, CONTRACTS, DEVICES, LINKS, LOTS, SHIPMENTS, SUPPLIERS
from inspect_app.workflow.memory.lists.searched import FLEET
from inspect_app.workflow.memory.lists.watched import REFERENCE_READINGS, REFERENCES

LISTS: Final[Mapping[str, Listing[Any]]] = {
    one.name: one
    for one in (
        SUPPLIERS,
        CONTRACTS,
        SHIPMENTS,
        LOTS,
        ARRIVALS,
        DEVICES,
        LINKS,
        FLEET,
        INSPECTIONS,
        RESULTS,
        CHARACTERISTICS,
        SIGNED_RESULTS,
        DOCUMENTS,
        NONCONFORMITIES,
        RETURNS,
        CAPTURES,
        INSTRUMENTS,
        CALIBRATIONS,
        REFERENCES,
        REFERENCE_READINGS,
        STUDIES,
        ACCOUNTS,
        EVENTS,
    )
}


def list_named(name: str) -> Listing[Any]:
    """Return the list of a name.

    Raises
    ------
    NotFound
        There is none.
    """
    if name not in LISTS:
        raise NotFound(f"list {name[:40]}", "there is no such list", f"Choose one of {', '.join(LISTS)}.")
    return LISTS[name]
