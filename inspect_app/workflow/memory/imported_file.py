"""Files that wait between the preview of an import and the word to take them over; nothing in the record names them."""

import hashlib
import re
import time
from pathlib import Path
from typing import Final

from inspect_app.errors import InspectError, NotFound
from inspect_app.workflow.workplace import Workplace

_WAITS_S: Final = 24 * 3600
_DIGEST: Final = re.compile(r"[0-9a-f]{64}")


def hold_file(workplace: Workplace, content: bytes) -> str:
    """Keep a file for a day and return its digest, by which it is asked for; those past their day go.

    Raises
    ------
    InspectError
        It cannot be written.
    """
    folder = _folder(workplace)
    digest = hashlib.sha256(content).hexdigest()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path in folder.glob("*.csv"):
            if path.stat().st_mtime < time.time() - _WAITS_S:
                path.unlink(missing_ok=True)
        (folder / f"{digest}.csv").write_bytes(content)
    except OSError as error:
        raise InspectError(
            str(folder), f"it cannot be written ({error.strerror})", "Make room, or allow it."
        ) from error
    return digest


def held_file(workplace: Workplace, digest: str) -> bytes:
    """Return a file that waits.

    Raises
    ------
    NotFound
        There is none, or it waited too long.
    """
    path = _folder(workplace) / f"{digest}.csv"
    if not _DIGEST.fullmatch(digest) or not path.is_file():
        raise NotFound("file", "it waits no longer", "Choose it again.")
    return path.read_bytes()


def discard_file(workplace: Workplace, digest: str) -> None:
    """Let a file go that was taken over."""
    if _DIGEST.fullmatch(digest):
        (_folder(workplace) / f"{digest}.csv").unlink(missing_ok=True)


def _folder(workplace: Workplace) -> Path:
    return workplace.settings.instance / "imports"
