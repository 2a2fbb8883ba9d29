"""Keeping the record: proving it against itself, and carrying it to another place."""

import hashlib
import json
import re
import tempfile
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, BinaryIO, Final

from inspect_app import __version__
from inspect_app.errors import Damaged, InspectError, NotAllowed, UnusableInput
from inspect_app.storage import Session, documents, newest_schema, snapshot, tallies, verifying
from inspect_app.workflow.settings import read_settings
from inspect_app.workflow.workplace import Workplace, reading

_MANIFEST: Final = "manifest.json"
_RECORD: Final = "record.db"
_MEMBER: Final = re.compile(r"record\.db|evidence/[0-9a-f]{2}/[0-9a-f]{64}")
_LARGEST_MANIFEST_BYTES: Final = 500_000_000
_CHUNK_BYTES: Final = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class VerifyReport:
    """What `verify` found; `head` is the digest of the last event, to be compared with one noted elsewhere."""

    counts: Mapping[str, int]
    problems: tuple[str, ...]
    head: str


def verify(workplace: Workplace) -> VerifyReport:
    """Recompute the audit chain with every row it seals, and read every kept file and document again."""
    problems = list(verifying.record_problems(workplace.database))
    try:
        with reading(workplace) as session:
            counts, head = verifying.counts(session), verifying.head(session)
            problems += _file_problems(workplace, session)
    except InspectError as error:
        return VerifyReport(counts={}, problems=(*problems, str(error)), head="")
    return VerifyReport(counts=counts, problems=tuple(problems), head=head)


def recount(workplace: Workplace) -> int:
    """Count the devices of every lot anew, where `verify` says that a tally is wrong, and return how many lots."""
    with workplace.database.writing() as session:
        return tallies.write_all(session)


def _file_problems(workplace: Workplace, session: Session) -> Iterator[str]:
    for sha256, size_bytes, name in documents.all_evidence(session):
        problem = workplace.evidence.problem(sha256, size_bytes)
        if problem is not None:
            yield f"file {name} ({sha256[:12]}): {problem}"
    for document, _, _ in documents.some_documents(session, ""):
        copy = workplace.settings.documents_folder / f"{document.number}.pdf"
        if copy.is_file() and _digest_of(copy) != document.sha256:
            yield f"the copy {copy.name} of document {document.number} was changed"


def _digest_of(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def back_up(workplace: Workplace, target: Path) -> Path:
    """Write one moment of the record with all its files into a ZIP archive.

    Raises
    ------
    NotAllowed
        The target exists.
    Damaged
        A file that the record names is missing or was changed: such a record is not copied over a good backup.
    InspectError
        The target cannot be written.
    """
    if target.exists():
        raise NotAllowed(str(target), "it exists", "Name another file.")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=target.parent) as folder:
            record, archive = Path(folder) / _RECORD, Path(folder) / "backup.zip"
            snapshot.snapshot(workplace.database, record)
            _write_archive(workplace, record, archive)
            archive.rename(target)
    except OSError as error:
        raise InspectError(
            str(target), f"it cannot be written ({error.strerror or error})", "Name another place."
        ) from error
    return target


def _write_archive(workplace: Workplace, record: Path, archive: Path) -> None:
    with snapshot.opened(f"sqlite:///{record}") as copy, copy.reading() as session:
        files = list(documents.all_evidence(session))
        head = verifying.head(session)
    digests = {_RECORD: _digest_of(record)}
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as pack:
        pack.write(record, _RECORD)
        for sha256, size_bytes, name in files:
            problem = workplace.evidence.problem(sha256, size_bytes)
            if problem is not None:
                raise Damaged(f"file {name} ({sha256[:12]})", problem, "Run inspect-app verify; keep older backups.")
            member = f"evidence/{sha256[:2]}/{sha256}"
            pack.write(workplace.evidence.path(sha256), member, compress_type=zipfile.ZIP_STORED)
            digests[member] = sha256
        manifest = {"program": __version__, "schema": newest_schema(), "head": head, "files": digests}
        pack.writestr(_MANIFEST, json.dumps(manifest, indent=1, sort_keys=True))


def restore(archive: Path, instance: Path, database_url: str | None = None) -> Path:
    """Bring a backup back into an empty instance folder; each file is proved against its digest on the way.

    Parameters
    ----------
    archive : Path
        Written by `back_up`.
    instance : Path
        Folder that holds no record yet.
    database_url : str, optional
        An empty PostgreSQL database to hold the rows; a SQLite file in the folder unless given.

    Raises
    ------
    UnusableInput
        The archive is none of this program's, or cannot be read.
    Damaged
        A file in it does not have the digest that it was packed with.
    NotAllowed
        The instance holds a record already.
    """
    settings = read_settings({}, instance=instance, database_url=database_url)
    if settings.record_path.exists() or any(settings.evidence_folder.glob("*/*")):
        raise NotAllowed(str(instance), "it holds a record already", "Name an empty folder.")
    try:
        settings.instance.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=settings.instance) as folder:
            unpacked = Path(folder)
            with _opened_archive(archive) as pack:
                for name, sha256 in _manifest(archive, pack).items():
                    _unpack(archive, pack, name, sha256, unpacked / name)
            if database_url is not None:
                _copy_into(unpacked / _RECORD, database_url)
                (unpacked / _RECORD).unlink()
            _move_in(unpacked, settings.instance)
    except OSError as error:
        raise InspectError(str(instance), f"it cannot be written ({error.strerror or error})", "See to it.") from error
    return settings.instance


def _move_in(unpacked: Path, instance: Path) -> None:
    """Move the files first and the record that names them last, so that a crash leaves no half record."""
    files = [path for path in unpacked.glob("evidence/*/*") if path.is_file()]
    for path in [*files, unpacked / _RECORD]:
        if path.exists():
            target = instance / path.relative_to(unpacked)
            target.parent.mkdir(parents=True, exist_ok=True)
            path.rename(target)


@contextmanager
def _opened_archive(archive: Path) -> Iterator[zipfile.ZipFile]:
    try:
        pack = zipfile.ZipFile(archive)
    except (zipfile.BadZipFile, OSError) as error:
        raise UnusableInput(str(archive), f"it cannot be read ({error})", "Name a backup of this program.") from error
    with pack:
        yield pack


def _manifest(archive: Path, pack: zipfile.ZipFile) -> Mapping[str, str]:
    try:
        if pack.getinfo(_MANIFEST).file_size > _LARGEST_MANIFEST_BYTES:
            raise UnusableInput(str(archive), "its manifest is far too large", "Name a backup of this program.")
        files = json.loads(pack.read(_MANIFEST))["files"]
        if not all(_MEMBER.fullmatch(name) and isinstance(digest, str) for name, digest in files.items()):
            raise UnusableInput(str(archive), "it names files that no backup holds", "Name a backup of this program.")
    except (KeyError, ValueError, TypeError, AttributeError, zipfile.BadZipFile) as error:
        raise UnusableInput(str(archive), "it holds no manifest", "Name a backup of this program.") from error
    if _RECORD not in files:
        raise UnusableInput(str(archive), "it holds no record", "Name a backup of this program.")
    return dict(files)


def _unpack(archive: Path, pack: zipfile.ZipFile, name: str, sha256: str, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        with pack.open(name) as packed, target.open("wb") as file:
            seen = _copy(packed, file)
    except (KeyError, zipfile.BadZipFile, EOFError, ValueError, RuntimeError, zlib.error) as error:
        raise Damaged(f"{archive}, {name}", "it is missing or damaged", "Use another backup.") from error
    if seen != sha256:
        raise Damaged(f"{archive}, {name}", "it was changed", "Use another backup.")
    if name != _RECORD:
        target.chmod(0o444)


def _copy(source: IO[bytes], target: BinaryIO) -> str:
    digest = hashlib.sha256()
    while chunk := source.read(_CHUNK_BYTES):
        digest.update(chunk)
        target.write(chunk)
    return digest.hexdigest()


def _copy_into(record: Path, database_url: str) -> None:
    with snapshot.opened(f"sqlite:///{record}") as source, snapshot.opened(database_url) as target:
        snapshot.copy_rows(source, target)
