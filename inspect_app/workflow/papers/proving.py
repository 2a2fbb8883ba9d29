"""Proving a document: a file by its bytes, or a printed one by the number and the digest of its QR code."""

import contextlib
import hashlib
import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from inspect_app.documents import attached, proving, report_files, wording
from inspect_app.documents.proving import Attached
from inspect_app.documents.report import Report
from inspect_app.errors import InspectError, UnusableInput
from inspect_app.model import AboutInspection, Document, DocumentKind
from inspect_app.storage import documents as kept
from inspect_app.workflow.bench.inspecting import inspection
from inspect_app.workflow.papers.gathering import Numbered, paper
from inspect_app.workflow.papers.matters import matter
from inspect_app.workflow.papers.sealing import authorities
from inspect_app.workflow.workplace import Workplace, reading

_NOT_IN_DATABASE: Final = ("program_version", "issuer", "remarks")  # of the program, of the settings, of the moment
_LETTERS: Final = "".join(kind.letter for kind in DocumentKind)
_NUMBER: Final = re.compile(rf"\b[{_LETTERS}]-\d{{4}}-\d{{4,}}", re.IGNORECASE)
_DIGEST: Final = re.compile(r"\b[0-9a-f]{64}\b", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class ProofLine:
    """One question about a document and its answer; `holds` is None where there is nothing to compare with."""

    question: str
    holds: bool | None
    said: str


def prove_file(
    workplace: Workplace | None, name: str, content: bytes, trusted: Sequence[str] = ()
) -> tuple[ProofLine, ...]:
    """Prove a file; nothing is fetched from anywhere.

    Parameters
    ----------
    workplace : Workplace or None
        The record to compare with, where there is one at hand.
    name : str
        Of the file; it is looked at only where the file itself does not tell its number.
    content : bytes
        The whole file.
    trusted : sequence of str
        Certificates, as PEM, beside those that the record trusts.
    """
    known = () if workplace is None else authorities(workplace)
    seal = proving.prove_seal(content, (*known, *trusted))
    lines = list(_seal_lines(seal))
    inside = proving.attachments(content) if seal.is_whole else ()
    lines += [ProofLine(question=f"Attached {one.name}", holds=None, said=f"SHA-256 {one.sha256}") for one in inside]
    if workplace is None:
        lines.append(ProofLine(question="Record", holds=None, said="no record is at hand to compare with"))
        return tuple(lines)
    found = _find(workplace, f"{proving.title(content)} {name}", hashlib.sha256(content).hexdigest())
    if found is None:
        lines.append(ProofLine(question="Record", holds=False, said="the record knows no document of this number"))
        return tuple(lines)
    return (*lines, _bytes_line(workplace, found, content), *_record_lines(workplace, found), _standing_line(found))


def prove_number(workplace: Workplace, text: str) -> tuple[Document, tuple[ProofLine, ...]]:
    """Prove a printed document by what its QR code says, or by its number alone.

    Raises
    ------
    UnusableInput
        The text holds no number.
    NotFound
        No such document was issued.
    """
    number = _NUMBER.search(text)
    if number is None:
        raise UnusableInput(
            "number", f"'{text.strip()[:40]}' holds none", "Type it like C-2026-0001, or scan the code."
        )
    found = _find(workplace, number[0], "")
    if found is None:
        raise UnusableInput("number", f"no document {number[0].upper()} was issued", "Compare it with the paper.")
    lines = (_printed_line(workplace, found, text), *_record_lines(workplace, found), _standing_line(found))
    return found, lines


def attachments(workplace: Workplace, document: Document) -> tuple[Attached, ...]:
    """Return the files inside a document as it was issued."""
    return proving.attachments(workplace.evidence.path(document.sha256).read_bytes())


def _find(workplace: Workplace, text: str, sha256: str) -> Document | None:
    """Return the document of these bytes, or else the one whose number stands first in a text."""
    number = _NUMBER.search(text)
    with reading(workplace) as session:
        exact = kept.document_of_bytes(session, sha256)
        if exact is not None or number is None:
            return exact
        return kept.document(session, number[0].upper())


def _seal_lines(seal: proving.SealProof) -> Iterator[ProofLine]:
    if not seal.is_whole:
        yield ProofLine(question="Signature", holds=False, said="; ".join(seal.problems))
    else:
        yield ProofLine(
            question="Signature", holds=True, said="whole: no byte was changed and nothing added since it was signed"
        )
    if seal.signer:
        at = "" if seal.signed_at is None else f", as of {wording.minute(seal.signed_at)} by its own clock"
        trust = "known here" if seal.is_trusted else "not known here: compare it with the issuer's"
        yield ProofLine(
            question="Signed by",
            holds=seal.is_trusted,
            said=f"{seal.signer}{at}; authority ({seal.authority}) {trust}",
        )


def _bytes_line(workplace: Workplace, found: Document, content: bytes) -> ProofLine:
    if hashlib.sha256(content).hexdigest() == found.sha256:
        return ProofLine(question="Bytes", holds=True, said=f"the very file that was issued as {found.number}")
    said = f"not the file that was issued as {found.number}"
    with contextlib.suppress(OSError, InspectError):
        said += f": {_difference(workplace.evidence.path(found.sha256).read_bytes(), content)}"
    return ProofLine(question="Bytes", holds=False, said=said)


def _difference(issued: bytes, content: bytes) -> str:
    changed = [place for place, (one, other) in enumerate(zip(issued, content, strict=False)) if one != other]
    told = [f"{len(changed)} of its bytes differ, the first at {changed[0]}"] if changed else []
    longer = len(content) - len(issued)
    if longer:
        told.append(f"{abs(longer)} bytes {'were appended' if longer > 0 else 'are missing at its end'}")
    return ", ".join(told)


def _record_lines(workplace: Workplace, found: Document) -> Iterator[ProofLine]:
    """Compare the record inside the issued file with what the database says today."""
    if found.end is not None:
        return
    issued = {one.name: one.content for one in attachments(workplace, found)}
    is_report = not isinstance(found.about, AboutInspection)
    today = json.loads(_report_today(workplace, found) if is_report else _measurements_today(workplace, found))
    inside = json.loads(issued.get(_record_name(found), b"{}"))
    if inside.get("schema") != today["schema"]:
        yield ProofLine(question="Record", holds=None, said="written by another version of this program; not compared")
        return
    other = sorted(name for name in today if name not in _NOT_IN_DATABASE and inside.get(name) != today[name])
    if not other:
        yield ProofLine(question="Record", holds=True, said="as it was kept")
    elif is_report:
        said = f"the database says otherwise today in {', '.join(other)}: a report tells what was so when it was issued"
        yield ProofLine(question="Record", holds=None, said=said)
    else:
        yield ProofLine(question="Record", holds=False, said=f"differs from the database in {', '.join(other)}")


def _record_name(found: Document) -> str:
    return attached.FILE_NAME if isinstance(found.about, AboutInspection) else report_files.FILE_NAME


def _measurements_today(workplace: Workplace, found: Document) -> str:
    """Return the record that a document on an inspection would carry if it were made today."""
    if not isinstance(found.about, AboutInspection):
        raise TypeError(f"{found.number} is about no inspection")
    about = inspection(workplace, found.about.inspection_id)
    return attached.measurements_json(paper(workplace, about, _numbered(found)))


def _report_today(workplace: Workplace, found: Document) -> str:
    report = matter(workplace, found.about).made(workplace, _numbered(found))
    if not isinstance(report, Report):
        raise TypeError(f"{found.number} is no report")
    return report_files.report_json(report)


def _numbered(found: Document) -> Numbered:
    sequence = int(found.number.rpartition("-")[2])
    return Numbered(kind=found.kind, sequence=sequence, at=found.issued_at, by=found.issued_by)


def _printed_line(workplace: Workplace, found: Document, text: str) -> ProofLine:
    said = f"{found.kind.value} on {_about(workplace, found)}, issued {wording.minute(found.issued_at)}"
    digest = _DIGEST.search(text)
    if digest is None:
        return ProofLine(question="Paper", holds=None, said=f"{said}; only the number was given, compare the rest")
    is_same = digest[0].lower() in {
        one.sha256 for one in attachments(workplace, found) if one.name == _record_name(found)
    }
    told = "its digest is that of the record" if is_same else "its digest is another: this is not the paper issued"
    return ProofLine(question="Paper", holds=is_same, said=f"{said}; {told}")


def _about(workplace: Workplace, found: Document) -> str:
    if not isinstance(found.about, AboutInspection):
        return matter(workplace, found.about).name
    device = inspection(workplace, found.about.inspection_id).device
    return f"serial {device.serial} of {device.maker}"


def _standing_line(found: Document) -> ProofLine:
    if found.end is None:
        return ProofLine(question="Standing", holds=True, said="it stands: neither superseded nor revoked")
    end = found.end
    by = f" by {end.successor}" if end.successor else ""
    said = f"{end.manner.value}{by} on {wording.day(end.ended_at)} by {end.ended_by.name}: {end.reason}"
    return ProofLine(question="Standing", holds=False, said=said)
