"""Audit packs: all that is known of a contract, a lot or a serial, in one archive that proves itself."""

import enum
import hashlib
import json
import re
import zipfile
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from importlib import resources
from itertools import islice
from tempfile import SpooledTemporaryFile
from typing import IO, Any, BinaryIO, Final, cast

from inspect_app import __version__
from inspect_app.documents import Paper, Report, ReportTable, Section, render_pack_index, wording
from inspect_app.documents.attached import measurements_json
from inspect_app.documents.tabular import CSV, Table
from inspect_app.errors import NotFound, UnusableInput
from inspect_app.model import DocumentKind, Inspection, Outcome, Person
from inspect_app.storage import arrivals, inspections, nonconformities, packed_reports, packing, sources
from inspect_app.storage.audit import last_event
from inspect_app.storage.packing import PackedFile
from inspect_app.workflow.bench.inspecting import contract_of, form_of, judge_inspection
from inspect_app.workflow.memory.lists.found import NONCONFORMITIES, RESULTS, ListedResult
from inspect_app.workflow.papers.gathering import Numbered, imprinted
from inspect_app.workflow.papers.sealing import authorities
from inspect_app.workflow.typed_text import clean_line, normalise_serial
from inspect_app.workflow.workplace import Workplace, reading

_EARLIEST: Final = (1980, 1, 1, 0, 0, 0)
_PIECE_BYTES: Final = 1 << 20
_AT_ONCE: Final = 40  # inspections in memory
_IN_MEMORY_BYTES: Final = 4 << 20  # of one table, then it goes to disk
_PACKED_WELL: Final = ("text/", "application/json")
_MOST_ALIKE: Final = 50  # serials that hold another one
_UNSAFE: Final = re.compile(r"[^A-Za-z0-9._-]+")
Progress = Callable[[int, int], None]
"""Told how many of how many steps are done."""


class PackKind(enum.StrEnum):
    """What a pack is about."""

    CONTRACT = "contract"
    LOT = "lot"
    SERIAL = "serial"


@dataclass(frozen=True, slots=True, kw_only=True)
class PackMatter:
    """What a pack is about: `name` is the contract's or lot's number or the serial, `key` the lot's or device's key."""

    kind: PackKind
    name: str
    key: int = 0

    @property
    def subject(self) -> str:
        """What it is about, in words."""
        return f"{self.kind.value} {self.name}"

    @property
    def file_name(self) -> str:
        """What the archive is called."""
        of_device = f"-{self.key}" if self.kind is PackKind.SERIAL else ""
        return f"audit-{self.kind.value}-{_UNSAFE.sub('-', self.name)}{of_device}.zip"


def pack_matter(workplace: Workplace, kind: PackKind, name: str, maker: str = "") -> PackMatter:
    """Return what is to be packed, by its number or serial.

    Raises
    ------
    UnusableInput
        There is no such contract, lot or serial, or several makers use the serial and none is named.
    """
    with reading(workplace) as session:
        if kind is PackKind.CONTRACT:
            number = clean_line("contract", name)
            if sources.contract(session, number) is None:
                raise UnusableInput(f"contract {number}", "there is no such contract", "Take its number from the list.")
            return PackMatter(kind=kind, name=number)
        if kind is PackKind.LOT:
            number = clean_line("lot", name).upper()
            lot = arrivals.lot_by_number(session, number)
            if lot is None:
                raise UnusableInput(f"lot {number}", "there is no such lot", "Take its number from the list.")
            return PackMatter(kind=kind, name=number, key=lot.id)
        serial = normalise_serial(name)
        found = arrivals.find_devices(session, serial, _MOST_ALIKE)
    known = [one for one in found if one.serial == serial and (not maker or one.maker == maker)]
    if not known:
        raise UnusableInput(f"serial {serial}", "it never arrived", "Check it, or receive it first.")
    if len(known) > 1:
        makers = ", ".join(one.maker for one in known)
        raise UnusableInput(f"serial {serial}", f"several makers use it: {makers}", "Name the maker too.")
    return PackMatter(kind=kind, name=serial, key=known[0].id)


def write_pack(workplace: Workplace, person: Person, matter: PackMatter, target: BinaryIO, told: Progress) -> int:
    """Write an audit pack into an open file, a piece at a time, and return how many inspections it holds.

    The record goes on meanwhile; the pack shows it as it stood when the writing began, but for documents and decisions
    that came while it was written, which may stand in it or not.

    Raises
    ------
    NotFound
        Nothing of the matter was inspected.
    InspectError
        A file that the record names is gone.
    """
    with reading(workplace) as session:
        keys = packing.inspection_ids(session, **_scope(matter))
        if not keys:
            raise NotFound(matter.subject, "nothing of it was inspected yet", "Inspect first, then pack.")
        reports = packed_reports.reports_of(session, **_scope(matter))
        events = packing.event_ids(session, keys) | packing.lot_event_ids(session, **_scope(matter))
        events |= packed_reports.events_of_reports(session, reports)
        devices = packing.device_ids(session, **_scope(matter))
        files = tuple(packing.files_of(session, events))
        issued = (*packing.document_files(session, keys), *packed_reports.files_of_reports(session, reports))
    total = 2 * len(keys) + len(files) + len(issued)
    steps = iter(range(1, total + 1))

    def step() -> None:
        told(next(steps, total), total)

    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        pack = _Pack(archive=archive)
        _write_files(workplace, pack, files, issued, step)
        listed = _write_records(workplace, pack, keys, step)
        _write_tables(workplace, pack, keys, step)
        digest = _write_chain(workplace, pack, events, devices)
        _write_guide(workplace, pack)
        pack.text("index.pdf", _index(workplace, person, matter, listed, pack, digest))
        pack.finish(matter.subject, workplace.clock().isoformat(), digest)
    return len(keys)


@dataclass(slots=True, kw_only=True)
class _Pack:
    """An archive under way, with the digest of each file in it."""

    archive: zipfile.ZipFile
    files: dict[str, dict[str, Any]] = field(default_factory=dict)

    def text(self, name: str, content: bytes | str) -> None:
        """Write a whole file."""
        self.pieces(name, (content.encode() if isinstance(content, str) else content,), is_packed=True)

    def stream(self, name: str, source: IO[bytes], *, is_packed: bool) -> None:
        """Write an open file."""
        self.pieces(name, iter(lambda: source.read(_PIECE_BYTES), b""), is_packed=is_packed)

    def pieces(self, name: str, pieces: Iterable[bytes], *, is_packed: bool) -> None:
        """Write a file piece by piece; what is packed already inside is only stored."""
        entry = zipfile.ZipInfo(name, _EARLIEST)
        entry.compress_type = zipfile.ZIP_DEFLATED if is_packed else zipfile.ZIP_STORED
        digest, size = hashlib.sha256(), 0
        with self.archive.open(entry, "w", force_zip64=True) as target:
            for piece in pieces:
                digest.update(piece)
                size += len(piece)
                target.write(piece)
        self.files[name] = {"sha256": digest.hexdigest(), "size_bytes": size}

    def finish(self, subject: str, at: str, last_digest: str) -> None:
        """Write what the pack says of itself."""
        manifest = {
            "subject": subject,
            "packed_at": at,
            "program_version": __version__,
            "last_digest": last_digest,
            "files": self.files,
        }
        self.archive.writestr(zipfile.ZipInfo("manifest.json", _EARLIEST), json.dumps(manifest, indent=1))


def _scope(matter: PackMatter) -> dict[str, Any]:
    if matter.kind is PackKind.CONTRACT:
        return {"contract_number": matter.name}
    return {"lot_id": matter.key} if matter.kind is PackKind.LOT else {"device_id": matter.key}


def _write_files(
    workplace: Workplace,
    pack: _Pack,
    files: Sequence[PackedFile],
    issued: Sequence[tuple[str, str]],
    step: Callable[[], None],
) -> None:
    for file in files:
        name = f"evidence/{file.sha256[:16]}-{_UNSAFE.sub('-', file.name)}"
        with workplace.evidence.path(file.sha256).open("rb") as source:
            pack.stream(name, source, is_packed=file.media_type.startswith(_PACKED_WELL))
        step()
    for number, sha256 in issued:
        with workplace.evidence.path(sha256).open("rb") as source:
            pack.stream(f"documents/{number}.pdf", source, is_packed=False)
        step()


def _write_records(
    workplace: Workplace, pack: _Pack, keys: Sequence[int], step: Callable[[], None]
) -> list[tuple[str, str, str, str]]:
    """Write the record of each inspection, and return what the index says of each."""
    listed = []
    for found in _inspections(workplace, keys):
        if found.signature is not None:
            text = measurements_json(_plain_paper(workplace, found, found.signature.signed_by))
            pack.text(f"records/inspection-{found.id}.json", text)
        outcome = "open" if found.signature is None else found.signature.outcome.value
        listed.append((found.device.serial, found.lot.number, wording.day(found.opened_at), outcome))
        step()
    return listed


def _plain_paper(workplace: Workplace, found: Inspection, by: Person) -> Paper:
    """Return what a document on an inspection would say, without pictures: those stand in the pack themselves."""
    assessment = judge_inspection(workplace, found)
    numbered = Numbered(kind=DocumentKind.CERTIFICATE, sequence=None, at=workplace.clock(), by=by)
    return Paper(
        **imprinted(workplace, numbered),
        inspection=found,
        form=form_of(workplace, found),
        contract=contract_of(workplace, found),
        judgements=assessment.judgements,
        verdict=assessment.verdict,
    )


def _write_tables(workplace: Workplace, pack: _Pack, keys: Sequence[int], step: Callable[[], None]) -> None:
    def results() -> Iterator[ListedResult]:
        for found in _inspections(workplace, keys):
            for entry in found.entries.values():
                for result in () if entry.measured is None else entry.measured.results:
                    yield ListedResult(inspection=found, entry=entry, result=result)
            step()

    _write_table(pack, RESULTS.table, results())
    with reading(workplace) as session:
        failed = (one for key in keys for one in nonconformities.nonconformities(session, inspection_id=key))
        _write_table(pack, NONCONFORMITIES.table, failed)


def _write_table(pack: _Pack, table: Table[Any], rows: Iterable[Any]) -> None:
    with SpooledTemporaryFile(max_size=_IN_MEMORY_BYTES) as written:
        CSV.write(cast(BinaryIO, written), table, rows)
        written.seek(0)
        pack.stream(f"tables/{table.name}.csv", written, is_packed=True)


def _write_chain(workplace: Workplace, pack: _Pack, events: Collection[int], devices: Collection[int]) -> str:
    """Write the chain with the rows of the matter, and return the digest that it ends with."""
    with reading(workplace) as session:
        pack.pieces("chain/events.jsonl", _lines(packing.event_lines(session, events)), is_packed=True)
        pack.pieces("chain/rows.jsonl", _lines(packing.row_lines(session, events, devices)), is_packed=True)
        last = last_event(session)
    return "" if last is None else last.digest


def _write_guide(workplace: Workplace, pack: _Pack) -> None:
    schema = resources.files("inspect_app.documents").joinpath("schemas", "measurements-1.json")
    pack.text("records/measurements-1.schema.json", schema.read_bytes())
    pack.text("documents/authority.pem", "".join(authorities(workplace)))
    pack.text("verify.py", resources.files("inspect_app.workflow.memory").joinpath("verify_pack.py").read_bytes())


def _index(
    workplace: Workplace,
    person: Person,
    matter: PackMatter,
    devices: Sequence[tuple[str, str, str, str]],
    pack: _Pack,
    digest: str,
) -> bytes:
    numbered = Numbered(kind=DocumentKind.FLEET_REPORT, sequence=None, at=workplace.clock(), by=person)
    size = sum(file["size_bytes"] for file in pack.files.values())
    inspected = ReportTable(
        name="inspections", columns=("Serial", "Lot", "Opened", "Verdict"), shares=(3, 4, 2, 2), rows=devices
    )
    kept = ReportTable(
        name="files",
        columns=("File", "SHA-256", "Bytes"),
        shares=(5, 8, 2),
        rows=[(name, told["sha256"], str(told["size_bytes"])) for name, told in sorted(pack.files.items())],
    )
    report = Report(
        **imprinted(workplace, numbered),
        kind=DocumentKind.FLEET_REPORT,
        subject=matter.subject,
        word="Index",
        outcome=Outcome.ACCEPTED,
        lines=(f"{len(devices)} inspections, {len(pack.files)} files, {size / 1e6:.1f} MB.",),
        facts=(("Matter", matter.subject), ("Chain ends with", digest), ("Program", f"inspect-app {__version__}")),
        sections=(
            Section(heading="Inspections", table=inspected),
            Section(heading="Files", remark="manifest.json and this index apart", table=kept),
        ),
    )
    return render_pack_index(report)


def _inspections(workplace: Workplace, keys: Sequence[int]) -> Iterator[Inspection]:
    left = iter(keys)
    while portion := tuple(islice(left, _AT_ONCE)):
        with reading(workplace) as session:
            found = inspections.inspections(session, portion)
        yield from reversed(found)


def _lines(texts: Iterable[str]) -> Iterator[bytes]:
    for text in texts:
        yield f"{text}\n".encode()
