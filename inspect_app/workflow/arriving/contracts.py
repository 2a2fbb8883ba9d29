"""Contracts: adopted as their source text, revised but never edited."""

from collections.abc import Iterable
from functools import lru_cache

from inspect_app import definitions
from inspect_app.definitions import Contract, Form
from inspect_app.errors import NotFound, UnusableInput
from inspect_app.model import Limit, Person
from inspect_app.model.characteristic import Characteristic
from inspect_app.storage import Session, sources
from inspect_app.storage.sources import Source
from inspect_app.workflow.workplace import Workplace, acting, reading


def adopt_contract(workplace: Workplace, person: Person | None, source_text: str, name: str) -> Contract:
    """Adopt a contract, or a newer revision of one; the same text again changes nothing.

    Raises
    ------
    UnusableInput
        The text has a mistake, a class has no form, or another text was adopted as this revision.
    NotAllowed
        The person is no administrator.
    """
    read = definitions.read_contract_text(source_text, name)
    definitions.prove_covered(read, workplace.forms)
    with acting(workplace, person, "keep", "contract adopted") as act:
        if sources.contract_by_digest(act.session, read.digest) is not None:
            return read
        if sources.contract(act.session, read.number, read.revision) is not None:
            raise UnusableInput(
                name,
                f"another text was adopted as revision {read.revision} of {read.number}",
                "A contract is revised, never edited: give it the next revision.",
            )
        sources.add_contract(act, number=read.number, revision=read.revision, digest=read.digest, text=read.source)
        act.tell(f"contract {read.number}", revision=read.revision, digest=read.digest)
    return read


def contracts(workplace: Workplace) -> tuple[Contract, ...]:
    """Return the newest revision of each contract."""
    with reading(workplace) as session:
        return tuple(contract_from(source) for source in sources.newest_contracts(session))


def contract(workplace: Workplace, number: str, revision: str | None = None) -> Contract:
    """Return one revision of a contract, the newest unless another is named.

    Raises
    ------
    NotFound
        There is none.
    """
    with reading(workplace) as session:
        return contract_from(found_contract(sources.contract(session, number, revision), number))


def notes_on(session: Session, numbers: Iterable[str]) -> tuple[str, ...]:
    """Return what the newest revisions of contracts say that every document has to repeat."""
    sourced = (sources.contract(session, number) for number in sorted(set(numbers)))
    notes = (contract_from(source).note for source in sourced if source is not None)
    return tuple(dict.fromkeys(note for note in notes if note))


def newest_contracts(session: Session) -> tuple[Contract, ...]:
    """Return the newest revision of each contract."""
    return tuple(contract_from(source) for source in sources.newest_contracts(session))


def limits_on(characteristic: Characteristic, contracts: Iterable[Contract]) -> tuple[tuple[str, Limit], ...]:
    """Return the limits of contracts on a characteristic, each with its contract's number."""
    return tuple(
        (contract.number, limit)
        for contract in contracts
        for limit in contract.limits.get(characteristic.device_class, ())
        if characteristic.is_meant_by(limit)
    )


def found_contract(source: Source | None, number: str) -> Source:
    """Return the source, or say that there is none."""
    if source is None:
        raise NotFound(f"contract {number}", "it was not adopted", "Adopt it, or choose one from the list.")
    return source


def contract_from(source: Source) -> Contract:
    """Return a kept contract."""
    return _contract(source.text, f"contract {source.name}")


def form_from(source: Source) -> Form:
    """Return a kept form."""
    return _form(source.text, f"form for {source.name}")


# Definitions are frozen and their text decides them, so the few in use are read once.
@lru_cache(maxsize=64)
def _contract(text: str, name: str) -> Contract:
    return definitions.read_contract_text(text, name)


@lru_cache(maxsize=64)
def _form(text: str, name: str) -> Form:
    return definitions.read_form_text(text, name)
