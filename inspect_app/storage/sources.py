"""Contracts and forms in the record: each revision as its source text, under its digest."""

from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from inspect_app.storage.audit import Act
from inspect_app.storage.tables import ContractRow, FormRow, LotRow, ShipmentRow


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A definition as it was kept; `name` is a contract's number or a form's device class."""

    id: int
    name: str
    revision: str
    digest: str
    text: str


def _contract(row: ContractRow) -> Source:
    return Source(id=row.id, name=row.number, revision=row.revision, digest=row.digest, text=row.source)


def _form(row: FormRow) -> Source:
    return Source(id=row.id, name=row.device_class, revision=row.revision, digest=row.digest, text=row.source)


def newest_contracts(session: Session) -> tuple[Source, ...]:
    """Return the revision of each contract that was adopted last."""
    newest = select(func.max(ContractRow.id)).group_by(ContractRow.number)
    statement = select(ContractRow).where(ContractRow.id.in_(newest)).order_by(ContractRow.number)
    return tuple(_contract(row) for row in session.scalars(statement))


def contract(session: Session, number: str, revision: str | None = None) -> Source | None:
    """Return one revision of a contract, the newest unless another is named."""
    statement = select(ContractRow).where(ContractRow.number == number).order_by(ContractRow.id.desc()).limit(1)
    if revision is not None:
        statement = statement.where(ContractRow.revision == revision)
    row = session.scalar(statement)
    return None if row is None else _contract(row)


def contract_by_digest(session: Session, digest: str) -> Source | None:
    """Return the contract with exactly this source."""
    row = session.scalar(select(ContractRow).where(ContractRow.digest == digest))
    return None if row is None else _contract(row)


def contract_of_lot(session: Session, lot_id: int) -> Source:
    """Return the newest revision of the contract that a lot came under."""
    statement = (
        select(ContractRow)
        .join(ShipmentRow, ShipmentRow.contract_number == ContractRow.number)
        .join(LotRow, LotRow.shipment_id == ShipmentRow.id)
        .where(LotRow.id == lot_id)
        .order_by(ContractRow.id.desc())
        .limit(1)
    )
    return _contract(session.scalars(statement).one())


def add_contract(act: Act, *, number: str, revision: str, digest: str, text: str) -> Source:
    """Keep a revision of a contract."""
    return _contract(act.add(ContractRow(number=number, revision=revision, digest=digest, source=text)))


def form(session: Session, device_class: str, revision: str) -> Source | None:
    """Return one revision of a form."""
    row = session.scalar(select(FormRow).where(FormRow.device_class == device_class, FormRow.revision == revision))
    return None if row is None else _form(row)


def form_by_digest(session: Session, digest: str) -> Source | None:
    """Return the form with exactly this source."""
    row = session.scalar(select(FormRow).where(FormRow.digest == digest))
    return None if row is None else _form(row)


def add_form(act: Act, *, device_class: str, revision: str, digest: str, text: str) -> Source:
    """Keep a revision of a form."""
    return _form(act.add(FormRow(device_class=device_class, revision=revision, digest=digest, source=text)))
