"""The results of signed inspections in columns: listed when signing, or later for old ones; proved by `verify`."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Final

from sqlalchemy import insert, select
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from inspect_app.errors import InspectError
from inspect_app.storage.answered import CharacteristicKey, keys_of_characteristics
from inspect_app.storage.deriving import Listing, listings
from inspect_app.storage.tables import (
    KEYS_OF_SIGNATURE,
    CharacteristicRow,
    DeviceVerdictRow,
    InstrumentUseRow,
    ResultRow,
    SignatureRow,
)

_AT_ONCE: Final = 200
_LISTS: Final = (DeviceVerdictRow, ResultRow, InstrumentUseRow)
_NAMED_PROBLEMS: Final = 20


def list_results(session: Session, signature_ids: Sequence[int]) -> None:
    """Append what signatures say to the tables that the fleet is searched by."""
    append(session, listings(session, signature_ids))


def append(session: Session, listed: Iterable[Listing]) -> None:
    """Append listings whose sealed rows are written."""
    known = keys_of_characteristics(session)
    rows: Rows = {kind: [] for kind in _LISTS}
    for listing in listed:
        for key in (key for key in listing.characteristics if key not in known):
            row = CharacteristicRow(**key._asdict())
            session.add(row)
            session.flush()
            known[key] = row.id
        for kind, values in _rows(listing, known).items():
            rows[kind] += values
    for kind, values in rows.items():
        if values:
            session.execute(insert(kind.__table__), values)


def fill(session: Session) -> None:
    """List every signature that is not listed yet: those of a record from before these tables."""
    unlisted = select(SignatureRow.id).where(SignatureRow.id.not_in(select(DeviceVerdictRow.signature_id)))
    for some in _in_batches(session.scalars(unlisted.order_by(SignatureRow.id)).all()):
        list_results(session, some)


def problems(session: Session) -> Iterator[str]:
    """Derive every list again from the sealed rows and yield where they differ, in words; memory stays bounded."""
    known = keys_of_characteristics(session)
    named = 0
    signatures = session.scalars(select(SignatureRow.id).order_by(SignatureRow.id)).all()
    for some in _in_batches(signatures):
        try:
            wanted = {one.signature_id: _rows(one, known) for one in listings(session, some)}
            found = _kept(session, some)
        except (InspectError, SQLAlchemyError, LookupError, TypeError, ValueError, AttributeError) as error:
            reason = str(error).splitlines()[0]
            yield f"the results of signatures {some[0]} to {some[-1]} cannot be derived again ({reason})"
            continue
        for signature_id in some:
            if wanted.get(signature_id) != found[signature_id] and named < _NAMED_PROBLEMS:
                named += 1
                yield f"the listed results of signature {signature_id} are not those that it signed"
    yield from _strays(session, signatures, known)


def _strays(session: Session, signatures: Sequence[int], known: Mapping[CharacteristicKey, int]) -> Iterator[str]:
    """Yield rows that no signature or result accounts for."""
    for kind in _LISTS:
        listed = set(session.scalars(select(kind.signature_id).distinct()))
        for stray in sorted(listed - set(signatures))[:_NAMED_PROBLEMS]:
            yield f"results are listed for signature {stray}, which does not exist"
    used = set(session.scalars(select(ResultRow.characteristic_id).distinct()))
    for key, number in known.items():
        if number not in used:
            yield f"characteristic {number} ({key.quantity_name} of {key.device_class}) was never measured"


def _in_batches(values: Sequence[int]) -> Iterator[Sequence[int]]:
    return (values[start : start + _AT_ONCE] for start in range(0, len(values), _AT_ONCE))


Rows = dict[type[Any], list[dict[str, Any]]]


def _rows(listing: Listing, known: Mapping[CharacteristicKey, int]) -> Rows:
    """Return the rows of a listing by table; a characteristic that is not known has no number."""
    first = listing.signature_id * KEYS_OF_SIGNATURE
    return {
        DeviceVerdictRow: [listing.verdict],
        ResultRow: [
            {"id": first + place, **values, "characteristic_id": known.get(key, 0)}
            for place, (key, values) in enumerate(listing.results, start=1)
        ],
        InstrumentUseRow: [{"id": first + place, **values} for place, values in enumerate(listing.uses, start=1)],
    }


def _kept(session: Session, signature_ids: Sequence[int]) -> dict[int, Rows]:
    """Return what is listed for signatures, in the shape and order of `_rows`."""
    found: dict[int, Rows] = {key: {kind: [] for kind in _LISTS} for key in signature_ids}
    for kind in _LISTS:
        table = kind.__table__
        statement = select(table).where(table.c.signature_id.in_(signature_ids)).order_by(*table.primary_key)
        for row in session.execute(statement).mappings():
            found[row["signature_id"]][kind].append(dict(row))
    return found
