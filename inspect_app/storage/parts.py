"""Files that arrive in parts: how much of each is here, until all of it is.

Each is two files of one folder, named by a random key: what it is (JSON), and its bytes so far. How much is here is the
size of the latter and nothing else, so that no count can disagree with it, whenever the power fails.
"""

import contextlib
import fcntl
import json
import os
import re
import secrets
import shutil
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import BinaryIO, Final

from inspect_app.errors import EditConflict, InspectError, NotFound, UnusableInput

_CHUNK_BYTES: Final = 1 << 20
_ROOM_LEFT_BYTES: Final = 1 << 30  # of the disk; the record itself must go on
_KEY = re.compile(r"[0-9a-f]{32}")
PARTS_WAIT: Final = timedelta(days=3)
"""How long after its last byte an unfinished file waits; a closed laptop over a weekend is what it must outlast."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PartialFile:
    """A file that is on its way.

    Parameters
    ----------
    key : str
        Names it; not to be guessed.
    sender : str
        Who sends it, and to where; nobody else can add to it.
    name : str
        At the bench.
    size_bytes : int
        Of the whole file.
    expected_sha256 : str or None
        Of the whole file, as the sender says.
    kept_sha256 : str or None
        Under which it was kept once it was whole.
    received_bytes : int
        How much is here.
    touched_at : datetime or None
        When the last byte came.
    """

    key: str
    sender: str
    name: str
    size_bytes: int
    expected_sha256: str | None = None
    kept_sha256: str | None = None
    received_bytes: int = 0
    touched_at: datetime | None = None

    @property
    def is_whole(self) -> bool:
        """Whether every byte is here."""
        return self.kept_sha256 is not None or self.received_bytes == self.size_bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class PartStore:
    """A folder of unfinished files."""

    folder: Path

    def begin(self, sender: str, name: str, size_bytes: int) -> PartialFile:
        """Make room for a file, and clear away those that were left.

        Raises
        ------
        InspectError
            The disk has no room for it, or cannot be written.
        """
        begun = PartialFile(key=secrets.token_hex(16), sender=sender, name=name, size_bytes=size_bytes)
        with self._writable(name):
            self.folder.mkdir(parents=True, exist_ok=True)
            self.sweep(datetime.now(UTC))
            if shutil.disk_usage(self.folder).free < size_bytes + _ROOM_LEFT_BYTES:
                raise InspectError(name, "the disk of the server has no room for it", "Make room, then send it again.")
            self.path(begun.key).touch()
            self._describe(begun)
        return begun

    def find(self, key: str, sender: str) -> PartialFile:
        """Return what is known of a file.

        Raises
        ------
        NotFound
            There is none with this key, or it is another sender's.
        """
        found = self._read(key) if _KEY.fullmatch(key) else None
        if found is None or found.sender != sender:
            raise NotFound("this file", "nothing of it is here", "Send it from its beginning.")
        return found

    def unfinished(self, sender: str) -> tuple[PartialFile, ...]:
        """Return the files that a sender began and has not finished, by name."""
        found = (self._read(place.stem) for place in self.folder.glob("*.json"))
        mine = (one for one in found if one is not None and one.sender == sender and one.kept_sha256 is None)
        return tuple(sorted(mine, key=lambda one: (one.name, one.key)))

    def append(self, known: PartialFile, offset: int, stream: BinaryIO) -> PartialFile:
        """Add bytes to a file where it ends; what came before a connection broke stays.

        Raises
        ------
        EditConflict
            It does not end there, or another page is sending it at this moment.
        UnusableInput
            More comes than the file was said to have.
        """
        with self._writable(known.name), self._alone(known) as target:
            if target.tell() != offset:
                raise EditConflict(known.name, f"{target.tell()} bytes of it are here, not {offset}", "Go on there.")
            while chunk := stream.read(_CHUNK_BYTES):
                if target.tell() + len(chunk) > known.size_bytes:
                    raise UnusableInput(known.name, "more came than it was said to have", "Send it again.")
                target.write(chunk)
            target.flush()
            os.fsync(target.fileno())
        return self._with_bytes(known)

    def expect(self, known: PartialFile, sha256: str) -> PartialFile:
        """Note the digest that the whole file must have."""
        return self._describe(replace(known, expected_sha256=sha256))

    def settle(self, known: PartialFile, sha256: str) -> PartialFile:
        """Note that a file was kept; its sender may not have heard so yet."""
        settled = self._describe(replace(known, kept_sha256=sha256))
        self.path(known.key).unlink(missing_ok=True)
        return settled

    def drop(self, key: str) -> None:
        """Forget a file and what came of it."""
        for place in (self.path(key), self._description(key)):
            place.unlink(missing_ok=True)

    def sweep(self, now: datetime) -> None:
        """Forget the files whose last byte came too long ago."""
        for key in {place.stem for place in self.folder.glob("*.*")}:
            if now - self._touched_at(key) > PARTS_WAIT:
                self.drop(key)

    def path(self, key: str) -> Path:
        """Return where the bytes of a file are."""
        return self.folder / f"{key}.part"

    def _touched_at(self, key: str) -> datetime:
        places = (place for place in (self.path(key), self._description(key)) if place.exists())
        return datetime.fromtimestamp(max((place.stat().st_mtime for place in places), default=0.0), UTC)

    def _description(self, key: str) -> Path:
        return self.folder / f"{key}.json"

    def _describe(self, one: PartialFile) -> PartialFile:
        kept = {name: value for name, value in asdict(one).items() if name not in ("received_bytes", "touched_at")}
        draft = self.folder / f"{one.key}.{secrets.token_hex(4)}"
        draft.write_text(json.dumps(kept), encoding="utf-8")
        draft.rename(self._description(one.key))
        return one

    def _read(self, key: str) -> PartialFile | None:
        try:
            kept = json.loads(self._description(key).read_text(encoding="utf-8"))
            return self._with_bytes(PartialFile(**kept))
        except FileNotFoundError:
            return None

    def _with_bytes(self, one: PartialFile) -> PartialFile:
        if one.kept_sha256 is not None:
            return replace(one, received_bytes=one.size_bytes)
        received = self.path(one.key).stat().st_size
        return replace(one, received_bytes=received, touched_at=self._touched_at(one.key))

    @contextlib.contextmanager
    def _alone(self, known: PartialFile) -> Iterator[BinaryIO]:
        """Open the bytes for one sender at a time, at their end."""
        with self.path(known.key).open("r+b") as target:
            try:
                fcntl.flock(target, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError as error:
                raise EditConflict(known.name, "another page is sending it", "Wait for it, or close it.") from error
            target.seek(0, os.SEEK_END)
            yield target

    @contextlib.contextmanager
    def _writable(self, name: str) -> Iterator[None]:
        try:
            yield
        except FileNotFoundError as error:
            raise NotFound(name, "nothing of it is here any more", "Send it from its beginning.") from error
        except OSError as error:
            reason = error.strerror or str(error)
            raise InspectError(name, f"it could not be kept ({reason})", "See that the disk has room.") from error
