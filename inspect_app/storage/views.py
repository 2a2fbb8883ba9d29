"""Saved views in the record."""

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from inspect_app.model import Person
from inspect_app.model.saved_view import SavedView
from inspect_app.storage.audit import Act
from inspect_app.storage.tables import SavedViewRow


def views(session: Session, person_id: int) -> tuple[SavedView, ...]:
    """Return what somebody keeps, in order of name."""
    statement = select(SavedViewRow).where(SavedViewRow.person_id == person_id).order_by(SavedViewRow.ordinal)
    newest = {row.name: row for row in session.scalars(statement)}
    return tuple(
        SavedView(name=name, address=row.address, saved_at=row.saved_at)
        for name, row in sorted(newest.items(), key=lambda pair: pair[0].casefold())
        if row.address is not None
    )


def add_view(act: Act, person: Person, name: str, address: str | None) -> None:
    """Append that a name leads to an address from now on, or that it is kept no longer."""
    count = act.session.scalar(select(func.count()).where(SavedViewRow.person_id == person.id)) or 0
    act.add(SavedViewRow(person_id=person.id, ordinal=count + 1, name=name, address=address, saved_at=act.at))
