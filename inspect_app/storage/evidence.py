"""Files kept unchanged under the SHA-256 of their bytes.

A file is hashed as it streams in under a temporary name, written through to the disk, and only then renamed to its
digest; a row names it later still. What the record names exists, and what exists is never changed.
"""

import contextlib
import hashlib
import os
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final

from inspect_app.errors import InspectError, NotFound, UnusableInput

_CHUNK_BYTES: Final = 1 << 20
LARGEST_BYTES: Final = 4 * 1024**3  # an hour of film; more is a mistake
_INCOMING: Final = "incoming"
_HEAD_BYTES: Final = 16
# Beginning of the file (offset, bytes): media type, from the formats' own specifications.
_BEGINNINGS: Final = (
    (0, b"\x89PNG\r\n\x1a\n", "image/png"),
    (0, b"\xff\xd8\xff", "image/jpeg"),
    (0, b"II*\x00", "image/tiff"),
    (0, b"MM\x00*", "image/tiff"),
    (0, b"II+\x00", "image/tiff"),
    (0, b"MM\x00+", "image/tiff"),
    (0, b"%PDF-", "application/pdf"),
    (0, b"\x1aE\xdf\xa3", "video/x-matroska"),
    (4, b"ftypqt", "video/quicktime"),
    (4, b"ftyp", "video/mp4"),
    (8, b"AVI ", "video/x-msvideo"),
    (8, b"WEBP", "image/webp"),
    (0, b"GIF8", "image/gif"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptFile:
    """A file as the store holds it."""

    sha256: str
    size_bytes: int
    media_type: str


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceStore:
    """A folder of files named by their digest."""

    folder: Path
    largest_bytes: int = LARGEST_BYTES

    @property
    def incoming(self) -> Path:
        """The folder of what is not kept yet."""
        return self.folder / _INCOMING

    def keep(self, name: str, stream: BinaryIO, *, expected_sha256: str | None = None) -> KeptFile:
        """Keep the bytes of a stream; the same bytes are kept once.

        Raises
        ------
        UnusableInput
            The stream is empty, larger than the store takes, or does not have the digest that it should have.
        InspectError
            The disk is full or cannot be written.
        """
        try:
            self.incoming.mkdir(parents=True, exist_ok=True)
            with _temporary(self.incoming) as (descriptor, temporary):
                kept = self._stream_in(name, stream, descriptor)
                if expected_sha256 not in (None, kept.sha256):
                    raise UnusableInput(name, "what arrived is not what was sent", "Send it again.")
                self._put_in_place(temporary, kept.sha256)
        except OSError as error:
            raise InspectError(
                name,
                f"it could not be kept ({error.strerror or error})",
                "See that the disk has room, then send it again.",
            ) from error
        return kept

    def _stream_in(self, name: str, stream: BinaryIO, descriptor: int) -> KeptFile:
        digest, size_bytes, head = hashlib.sha256(), 0, b""
        with os.fdopen(descriptor, "wb") as target:
            while chunk := stream.read(_CHUNK_BYTES):
                digest.update(chunk)
                size_bytes += len(chunk)
                if size_bytes > self.largest_bytes:
                    raise UnusableInput(
                        name, f"it is larger than {self.largest_bytes / 1e6:.0f} MB", "Cut it to what is needed."
                    )
                head = head if len(head) >= _HEAD_BYTES else head + chunk[:_HEAD_BYTES]
                target.write(chunk)
            target.flush()
            os.fsync(target.fileno())
        if size_bytes == 0:
            raise UnusableInput(name, "it is empty", "Copy it from the recorder again.")
        return KeptFile(sha256=digest.hexdigest(), size_bytes=size_bytes, media_type=media_type(name, head))

    def _put_in_place(self, temporary: Path, sha256: str) -> None:
        target = self._place(sha256)
        if target.exists():
            return
        target.parent.mkdir(exist_ok=True)
        temporary.chmod(0o444)
        temporary.rename(target)
        for folder in (target.parent, self.folder):
            _write_through(folder)

    def path(self, sha256: str) -> Path:
        """Return where a file is.

        Raises
        ------
        NotFound
            There is none with this digest.
        """
        place = self._place(sha256)
        if len(sha256) != 64 or not sha256.isalnum() or not place.is_file():
            raise NotFound(f"evidence {sha256[:12]}", "there is no such file", "Run inspect-app verify.")
        return place

    def _place(self, sha256: str) -> Path:
        return self.folder / sha256[:2] / sha256

    def problem(self, sha256: str, size_bytes: int) -> str | None:
        """Read a file again and say what is wrong with it, or None."""
        place = self._place(sha256)
        try:
            with place.open("rb") as file:
                if place.stat().st_size != size_bytes:
                    return f"it has {place.stat().st_size} bytes, not {size_bytes}"
                seen = hashlib.file_digest(file, "sha256").hexdigest()
        except FileNotFoundError:
            return "it is missing"
        except OSError as error:
            return f"it cannot be read ({error.strerror or error})"
        return None if seen == sha256 else "it was changed"

    def names(self) -> Iterator[str]:
        """Yield the digest of every file in the store."""
        for place in sorted(self.folder.glob("??/*")):
            yield place.name


@contextlib.contextmanager
def _temporary(folder: Path) -> Iterator[tuple[int, Path]]:
    descriptor, name = tempfile.mkstemp(dir=folder)
    try:
        yield descriptor, Path(name)
    finally:
        Path(name).unlink(missing_ok=True)


def _write_through(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def media_type(name: str, head: bytes) -> str:
    """Say what a file is by its first bytes; only for text does its name matter."""
    for offset, beginning, found in _BEGINNINGS:
        if head[offset : offset + len(beginning)] == beginning:
            return found
    if b"\x00" in head:
        return "application/octet-stream"
    return "text/csv" if name.lower().endswith((".csv", ".tsv", ".txt")) else "application/octet-stream"
