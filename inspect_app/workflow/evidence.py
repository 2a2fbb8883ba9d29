"""Files brought to the bench: kept before anything is measured, found again by their digest."""

import contextlib
import os
import tempfile
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import BinaryIO, Final

from inspect_app.capture.preview import Frame, film_frame, picture_size, preview_png
from inspect_app.errors import NotFound
from inspect_app.model import Evidence, Person
from inspect_app.storage import documents
from inspect_app.workflow.typed_text import LONGEST_LINE
from inspect_app.workflow.workplace import Workplace, acting, prove_may, reading

_PREVIEW_PX: Final = 480
_LARGE_PX: Final = 1600
_UNNAMED: Final = "file"


def keep_file(workplace: Workplace, person: Person, name: str, stream: BinaryIO) -> Evidence:
    """Keep a file unchanged; the same bytes are kept once, under the name given here.

    Raises
    ------
    UnusableInput
        It is empty or too large.
    NotAllowed
        The person may not inspect.
    """
    with reading(workplace) as session:
        prove_may(session, person, "inspect")
    name = file_name(name)
    kept = workplace.evidence.keep(name, stream)
    with acting(workplace, person, "inspect", "file kept") as act:
        act.tell(f"file {name}", sha256=kept.sha256, size_bytes=str(kept.size_bytes))
        found = documents.add_evidence(act, kept, name=name, kept_by=person)
    return Evidence(
        sha256=found.sha256,
        name=name,
        media_type=found.media_type,
        size_bytes=found.size_bytes,
        kept_at=found.kept_at,
    )


def file_name(given: str) -> str:
    """Return the last part of a path from any system, without control characters, not too long."""
    last = PureWindowsPath(PurePosixPath(given).name).name
    printable = "".join(mark for mark in last if mark.isprintable()).strip()
    if len(printable) > LONGEST_LINE:
        suffix = PurePosixPath(printable).suffix[:16]
        printable = printable[: LONGEST_LINE - len(suffix)] + suffix
    return printable or _UNNAMED


def open_evidence(workplace: Workplace, sha256: str) -> Path:
    """Return where a kept file is.

    Raises
    ------
    NotFound
        The record names no such file, or it is gone.
    """
    with reading(workplace) as session:
        if documents.evidence(session, sha256) is None:
            raise NotFound(f"evidence {sha256[:12]}", "the record names no such file", "Follow a link of a page.")
    return workplace.evidence.path(sha256)


def evidence_preview(workplace: Workplace, sha256: str, *, large: bool = False) -> bytes | None:
    """Return a PNG of a kept file, or None where it is no picture and no film; made once, then kept aside."""
    name = f"{sha256}.large.png" if large else f"{sha256}.png"
    place = workplace.settings.instance / "previews" / sha256[:2] / name
    source = open_evidence(workplace, sha256)
    if not place.exists():
        write_whole(place, preview_png(source, _LARGE_PX if large else _PREVIEW_PX) or b"")
    return place.read_bytes() or None


def evidence_size(workplace: Workplace, sha256: str) -> tuple[int, int] | None:
    """Return width and height of a kept picture or film in pixels, or None where it is neither."""
    return picture_size(open_evidence(workplace, sha256))


def evidence_frame(workplace: Workplace, sha256: str, number: int, at_ms: float | None = None) -> Frame | None:
    """Return one frame of a kept film, by its number from 0 or by its time, or the last; None where it is no film."""
    return film_frame(open_evidence(workplace, sha256), number, _LARGE_PX, at_ms)


def write_whole(place: Path, content: bytes) -> None:
    """Write a file so that a reader sees all of it or none; what is written here can be made again."""
    place.parent.mkdir(parents=True, exist_ok=True)
    descriptor, temporary = tempfile.mkstemp(dir=place.parent)
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
        Path(temporary).rename(place)
    finally:
        with contextlib.suppress(FileNotFoundError):
            Path(temporary).unlink()
