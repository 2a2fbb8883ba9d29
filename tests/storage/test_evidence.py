"""Evidence: kept under its digest, whole or not at all."""

import hashlib
import io
from pathlib import Path

import pytest

from inspect_app.errors import InspectError, NotFound, UnusableInput
from inspect_app.storage import EvidenceStore


@pytest.fixture
def store(tmp_path: Path) -> EvidenceStore:
    return EvidenceStore(folder=tmp_path / "evidence", largest_bytes=5_000_000)


class Breaking(io.BytesIO):
    """A stream that breaks off after its first bytes, like an upload when the network goes."""

    def read(self, size: int | None = -1, /) -> bytes:
        """Return some bytes, then break."""
        if self.tell():
            raise ConnectionResetError("gone")
        return super().read(min(size or 1, 4))


def files_in(store: EvidenceStore) -> list[Path]:
    return [path for path in store.folder.rglob("*") if path.is_file()]


def test_a_file_is_kept_under_the_sha256_of_its_bytes(store: EvidenceStore) -> None:
    """The truth is hashlib's digest of the same bytes."""
    content = bytes(range(256)) * 9000

    kept = store.keep("ramp.bin", io.BytesIO(content))

    assert kept.sha256 == hashlib.sha256(content).hexdigest()
    assert kept.size_bytes == len(content)
    assert store.path(kept.sha256).read_bytes() == content


def test_the_same_bytes_are_kept_once(store: EvidenceStore) -> None:
    first = store.keep("a.csv", io.BytesIO(b"1,2"))
    second = store.keep("b.csv", io.BytesIO(b"1,2"))

    assert first.sha256 == second.sha256
    assert len(files_in(store)) == 1


def test_a_kept_file_cannot_be_written_by_accident(store: EvidenceStore) -> None:
    kept = store.keep("a.csv", io.BytesIO(b"1,2"))

    assert store.path(kept.sha256).stat().st_mode & 0o222 == 0


def test_an_empty_file_is_refused_and_leaves_nothing(store: EvidenceStore) -> None:
    with pytest.raises(UnusableInput, match=r"a\.png: it is empty"):
        store.keep("a.png", io.BytesIO(b""))

    assert files_in(store) == []


def test_a_file_too_large_is_refused_and_leaves_nothing(store: EvidenceStore) -> None:
    with pytest.raises(UnusableInput, match="larger than 5 MB"):
        store.keep("film.mp4", io.BytesIO(b"x" * 5_000_001))

    assert files_in(store) == []


def test_an_upload_that_breaks_off_leaves_nothing(store: EvidenceStore) -> None:
    with pytest.raises(InspectError, match=r"film\.mp4: it could not be kept"):
        store.keep("film.mp4", Breaking(b"only the beginning"))

    assert files_in(store) == []


@pytest.mark.parametrize("sha256", ["0" * 64, "../../../etc/passwd", "", "0" * 63 + "/", "ab" * 31 + ".."])
def test_a_digest_that_is_none_names_no_file(store: EvidenceStore, sha256: str) -> None:
    store.keep("a.csv", io.BytesIO(b"1,2"))

    with pytest.raises(NotFound):
        store.path(sha256)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda path: path.write_bytes(b"1,3"), "changed"),
        (lambda path: path.write_bytes(b"1,2,"), "bytes"),
        (lambda path: path.unlink(), "missing"),
    ],
)
def test_a_file_that_was_touched_is_told(store: EvidenceStore, change: object, words: str) -> None:
    kept = store.keep("a.csv", io.BytesIO(b"1,2"))
    path = store.path(kept.sha256)
    path.chmod(0o644)
    assert callable(change)
    change(path)

    problem = store.problem(kept.sha256, kept.size_bytes)

    assert problem is not None
    assert words in problem


@pytest.mark.parametrize(
    ("name", "content", "media_type"),
    [
        ("x", b"\x89PNG\r\n\x1a\n....", "image/png"),
        ("x.png", b"\xff\xd8\xff\xe0....", "image/jpeg"),
        ("x", b"II*\x00....", "image/tiff"),
        ("x", b"MM\x00*....", "image/tiff"),
        ("x", b"\x00\x00\x00\x20ftypisom", "video/mp4"),
        ("x", b"\x00\x00\x00\x14ftypqt  ", "video/quicktime"),
        ("x", b"\x1aE\xdf\xa3....", "video/x-matroska"),
        ("x", b"RIFF....AVI LIST", "video/x-msvideo"),
        ("x", b"%PDF-1.7", "application/pdf"),
        ("log.csv", b"time_s,voltage_v", "text/csv"),
        ("log.csv", b"\x00\x01\x02", "application/octet-stream"),
        ("notes", b"plain", "application/octet-stream"),
    ],
)
def test_the_media_type_follows_the_bytes_not_the_name(
    store: EvidenceStore, name: str, content: bytes, media_type: str
) -> None:
    """First bytes by the specifications: PNG 5.2, TIFF 6.0 section 2, ISO/IEC 14496-12 4.3, ISO 32000-1 7.5.2."""
    assert store.keep(name, io.BytesIO(content)).media_type == media_type
