"""Captures sent for an inspection, whole or in parts: proved to be captures by their beginning, kept, and waiting."""

from dataclasses import dataclass
from typing import BinaryIO, Final

from inspect_app import capture
from inspect_app.errors import NotAllowed, UnusableInput
from inspect_app.model import Evidence, Pairing, Person, SentCapture
from inspect_app.storage import Session, documents, pairings, sent_captures
from inspect_app.storage.evidence import KeptFile
from inspect_app.storage.parts import PartialFile, PartStore
from inspect_app.workflow.bench.pairing import proved_active
from inspect_app.workflow.bench.recording import prove_unsigned
from inspect_app.workflow.evidence import file_name
from inspect_app.workflow.workplace import Workplace, acting, prove_may, reading

_MOST_OF_A_PAIRING: Final = 300  # captures; a device needs some forty


@dataclass(frozen=True, slots=True, kw_only=True)
class Sender:
    """Who sends captures for which inspection; by a pairing it is a phone, for which the person answers."""

    person: Person
    inspection_id: int
    pairing: Pairing | None = None

    @property
    def name(self) -> str:
        """What unfinished files are known by: those of a phone are not its person's at the bench."""
        who = f"person {self.person.id}" if self.pairing is None else f"pairing {self.pairing.id}"
        return f"{who}, inspection {self.inspection_id}"


def send_capture(workplace: Workplace, sender: Sender, name: str, stream: BinaryIO) -> Evidence:
    """Keep a capture that came whole, and let it wait for its step.

    Parameters
    ----------
    stream : file
        That can be read from its beginning again.

    Raises
    ------
    UnusableInput
        It is empty, too large, or nothing that any check takes; then it is not kept.
    NotAllowed
        The person may not inspect, the inspection is signed, or the pairing has ended.
    """
    name = file_name(name)
    with reading(workplace) as session:
        _prove_may_send(workplace, session, sender)
    capture.kind_of_head(stream.read(capture.SNIFFED_BYTES), name)
    stream.seek(0)
    return _let_wait(workplace, sender, name, workplace.evidence.keep(name, stream))


def begin_upload(workplace: Workplace, sender: Sender, name: str, size_bytes: int) -> PartialFile:
    """Make room for a capture that comes in parts.

    Raises
    ------
    UnusableInput
        It is empty or too large.
    NotAllowed
        As for `send_capture`.
    """
    name = file_name(name)
    with reading(workplace) as session:
        _prove_may_send(workplace, session, sender)
    if size_bytes < 1:
        raise UnusableInput(name, "it is empty", "Copy it from the recorder again.")
    if size_bytes > workplace.evidence.largest_bytes:
        largest = f"{workplace.evidence.largest_bytes / 1e6:.0f} MB"
        raise UnusableInput(name, f"it is larger than {largest}", "Cut it to what is needed.")
    return parts_of(workplace).begin(sender.name, name, size_bytes)


def upload_so_far(workplace: Workplace, sender: Sender, key: str) -> PartialFile:
    """Return how much of a capture is here; one that is whole and was not kept, for the power failed, is kept now.

    Raises
    ------
    NotFound
        Nothing of it is here, or it is somebody else's.
    """
    found = parts_of(workplace).find(key, sender.name)
    return _finished(workplace, sender, found) if found.is_whole and found.kept_sha256 is None else found


def add_to_upload(
    workplace: Workplace, sender: Sender, key: str, offset: int, stream: BinaryIO, sha256: str | None = None
) -> PartialFile:
    """Add bytes where a capture ends; with the last of them it is proved against the digest and kept.

    Raises
    ------
    EditConflict
        It does not end at the offset.
    UnusableInput
        It is nothing that any check takes, which its beginning tells, or not what was sent; then it is dropped.
    NotAllowed, NotFound
        As for `begin_upload` and `upload_so_far`.
    """
    store = parts_of(workplace)
    with reading(workplace) as session:
        _prove_may_send(workplace, session, sender)
    known = store.find(key, sender.name)
    if known.kept_sha256 is not None:
        return known
    if sha256 is not None:
        known = store.expect(known, sha256)
    grown = store.append(known, offset, stream)
    if offset < capture.SNIFFED_BYTES <= grown.received_bytes or grown.is_whole:
        _prove_beginning(store, grown)
    return _finished(workplace, sender, grown) if grown.is_whole else grown


def unfinished_uploads(workplace: Workplace, sender: Sender) -> tuple[PartialFile, ...]:
    """Return what a sender began to send and has not finished."""
    return parts_of(workplace).unfinished(sender.name)


def drop_upload(workplace: Workplace, sender: Sender, key: str) -> None:
    """Forget what came of a capture."""
    store = parts_of(workplace)
    store.drop(store.find(key, sender.name).key)


def waiting_captures(workplace: Workplace, inspection_id: int) -> tuple[SentCapture, ...]:
    """Return the captures of an inspection that are in no step and were not left out, oldest first."""
    with reading(workplace) as session:
        return sent_captures.waiting_captures(session, inspection_id)


def count_waiting(workplace: Workplace, inspection_id: int) -> int:
    """Return how many they are."""
    with reading(workplace) as session:
        return sent_captures.count_waiting(session, inspection_id)


def parts_of(workplace: Workplace) -> PartStore:
    """Return the store of unfinished files: on the disk of the evidence, and not part of the record."""
    return PartStore(folder=workplace.evidence.incoming / "parts")


def _prove_beginning(store: PartStore, grown: PartialFile) -> None:
    try:
        capture.kind_of(store.path(grown.key), grown.name)
    except UnusableInput:
        store.drop(grown.key)
        raise


def _finished(workplace: Workplace, sender: Sender, whole: PartialFile) -> PartialFile:
    store = parts_of(workplace)
    try:
        with store.path(whole.key).open("rb") as stream:
            kept = workplace.evidence.keep(whole.name, stream, expected_sha256=whole.expected_sha256)
    except UnusableInput:
        store.drop(whole.key)
        raise
    _let_wait(workplace, sender, whole.name, kept)
    return store.settle(whole, kept.sha256)


def _let_wait(workplace: Workplace, sender: Sender, name: str, kept: KeptFile) -> Evidence:
    with acting(workplace, sender.person, "inspect", "capture sent") as act:
        serial = _prove_may_send(workplace, act.session, sender)
        file = documents.add_evidence(act, kept, name=name, kept_by=sender.person)
        by_phone = {} if sender.pairing is None else {"pairing": str(sender.pairing.id)}
        act.tell(
            f"inspection {sender.inspection_id}",
            serial=serial,
            file=name,
            sha256=kept.sha256,
            size_bytes=str(kept.size_bytes),
            **by_phone,
        )
        named = Evidence(sha256=file.sha256, name=name, media_type=file.media_type, size_bytes=file.size_bytes)
        sent_captures.add_sent_capture(
            act,
            sender.inspection_id,
            named,
            sent_by=sender.person,
            pairing_id=None if sender.pairing is None else sender.pairing.id,
        )
    return named


def _prove_may_send(workplace: Workplace, session: Session, sender: Sender) -> str:
    """See that captures may be added now, and return the serial of the device."""
    prove_may(session, sender.person, "inspect")
    serial = prove_unsigned(session, sender.inspection_id)
    if sender.pairing is None:
        return serial
    now = proved_active(workplace, pairings.pairing(session, sender.pairing.id))
    if len(sent_captures.captures_of_pairing(session, now.id)) >= _MOST_OF_A_PAIRING:
        raise NotAllowed("this phone", f"it sent {_MOST_OF_A_PAIRING} captures", "Scan a new code to go on.")
    return serial
