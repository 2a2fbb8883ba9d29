"""Phones as cameras of the bench: whoever holds the token may add captures to one inspection, for a while."""

import hashlib
import secrets
from dataclasses import dataclass
from datetime import timedelta
from typing import Final

from inspect_app.errors import NotAllowed, NotFound
from inspect_app.model import Pairing, Person, SentCapture
from inspect_app.storage import pairings, sent_captures
from inspect_app.workflow.bench.recording import prove_unsigned, step_of_inspection
from inspect_app.workflow.workplace import Workplace, acting, reading

PAIRED_FOR: Final = timedelta(minutes=30)  # a device's captures take less; common practice, no source
_TOKEN_BYTES: Final = 24  # 192 bits: nobody guesses it, so that one round of SHA-256 is enough at rest


@dataclass(frozen=True, slots=True, kw_only=True)
class NewPairing:
    """A pairing with its token, which is known here and on the phone and nowhere else."""

    pairing: Pairing
    token: str


def pair_phone(workplace: Workplace, person: Person, inspection_id: int, step_id: str | None = None) -> NewPairing:
    """Let a phone add captures to an inspection for half an hour.

    Raises
    ------
    NotAllowed
        The inspection is signed, or the person may not inspect.
    NotFound
        There is no such inspection or step.
    """
    token = secrets.token_urlsafe(_TOKEN_BYTES)
    with acting(workplace, person, "inspect", "phone paired") as act:
        serial = prove_unsigned(act.session, inspection_id)
        if step_id is not None:
            step_of_inspection(workplace, act.session, inspection_id, step_id)
        made = pairings.add_pairing(
            act,
            inspection_id,
            step_id,
            token_sha256=_digest(token),
            made_by=person,
            expires_at=act.at + PAIRED_FOR,
        )
        act.tell(f"inspection {inspection_id}", serial=serial, pairing=str(made.id))
    return NewPairing(pairing=made, token=token)


def end_pairing(workplace: Workplace, person: Person, pairing_id: int) -> None:
    """Let a phone add nothing more; one that has ended already stays so.

    Raises
    ------
    NotFound
        There is no such pairing.
    NotAllowed
        The person may not inspect.
    """
    with acting(workplace, person, "inspect", "phone no longer paired") as act:
        found = pairings.pairing(act.session, pairing_id)
        if found is None:
            raise NotFound(f"pairing {pairing_id}", "there is no such pairing", "Look at the captures of the device.")
        if found.is_active(act.at):
            pairings.end_pairing(act, pairing_id, person)
            act.tell(f"inspection {found.inspection_id}", pairing=str(pairing_id))


def pairing_of_token(workplace: Workplace, token: str) -> Pairing:
    """Return what a token permits.

    Raises
    ------
    NotAllowed
        Nothing, or nothing any more; in the same words.
    """
    with reading(workplace) as session:
        return proved_active(workplace, pairings.pairing_of_token(session, _digest(token)))


def active_pairing(workplace: Workplace, pairing_id: int) -> Pairing:
    """Return a pairing that still permits something.

    Raises
    ------
    NotAllowed
        It does not.
    """
    with reading(workplace) as session:
        return proved_active(workplace, pairings.pairing(session, pairing_id))


def active_pairings(workplace: Workplace, inspection_id: int) -> tuple[Pairing, ...]:
    """Return the pairings by which captures can be added to an inspection at this moment."""
    now = workplace.clock()
    with reading(workplace) as session:
        made = pairings.pairings_of_inspection(session, inspection_id)
    return tuple(one for one in made if one.is_active(now))


def captures_of_pairing(workplace: Workplace, pairing_id: int) -> tuple[SentCapture, ...]:
    """Return what a phone sent, oldest first."""
    with reading(workplace) as session:
        return sent_captures.captures_of_pairing(session, pairing_id)


def proved_active(workplace: Workplace, found: Pairing | None) -> Pairing:
    """Return a pairing that permits something at this moment.

    Raises
    ------
    NotAllowed
        There is none, or its time is over.
    """
    if found is None or not found.is_active(workplace.clock()):
        raise NotAllowed("this phone", "its time is over", "Let the inspector show a new code, and scan it.")
    return found


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
