"""Several documents in one file to be read or printed in one go; their seals do not survive that."""

import io
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

import pikepdf

from inspect_app.documents import wording


def merged(files: Sequence[Path], title: str, at: datetime) -> bytes:
    """Return the pages of all files behind one another, with a bookmark each.

    It claims to be no archive and carries no signature: the title says that it is a copy for reading.
    """
    with pikepdf.new() as target:
        with target.open_outline() as outline:
            for file in files:
                first = len(target.pages)
                with pikepdf.open(file) as source:
                    _remove_signature(source)
                    target.pages.extend(source.pages)
                outline.root.append(pikepdf.OutlineItem(file.stem, first))
        target.docinfo["/Title"] = f"{title}, {len(files)} documents: a copy for reading, without their seals"
        target.docinfo["/CreationDate"] = f"D:{wording.instant(at).translate(str.maketrans('', '', '-:T'))}"
        target.Root.Lang = pikepdf.String("en")
        written = io.BytesIO()
        target.save(written, deterministic_id=True)
        return written.getvalue()


def _remove_signature(source: pikepdf.Pdf) -> None:
    """Take the signature and its place off a file: what it signed is not the merged one."""
    if "/AcroForm" in source.Root:
        del source.Root.AcroForm
    for page in source.pages:
        if "/Annots" in page:
            kept = [annotation for annotation in page.Annots if annotation.get("/Subtype") != "/Widget"]
            page.Annots = pikepdf.Array(kept)
