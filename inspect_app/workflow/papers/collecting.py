"""All documents of a lot together: as an archive of the files that were issued, or as one file to be read."""

import io
import zipfile

from inspect_app.documents.merging import merged
from inspect_app.errors import NotFound
from inspect_app.model import Document
from inspect_app.workflow.lots.progress import lot, lot_devices
from inspect_app.workflow.papers.issued import document_path
from inspect_app.workflow.papers.sealing import authorities
from inspect_app.workflow.workplace import Workplace

_EARLIEST = (1980, 1, 1, 0, 0, 0)


def documents_of_lot(workplace: Workplace, lot_id: int) -> tuple[Document, ...]:
    """Return the newest document of each device of a lot, in order of arrival."""
    return tuple(one.document for one in lot_devices(workplace, lot_id) if one.document is not None)


def zipped_lot(workplace: Workplace, lot_id: int) -> bytes:
    """Return a ZIP archive of the documents of a lot as they were issued, with the certificates behind their seals.

    Raises
    ------
    NotFound
        Nothing was issued yet, or there is no such lot.
    """
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_STORED) as archive:
        for document in _issued(workplace, lot_id):
            moment = max(document.issued_at.timetuple()[:6], _EARLIEST)
            entry = zipfile.ZipInfo(f"{document.number}.pdf", moment)
            archive.writestr(entry, document_path(workplace, document).read_bytes())
        archive.writestr(zipfile.ZipInfo("authority.pem", _EARLIEST), "".join(authorities(workplace)))
    return packed.getvalue()


def merged_lot(workplace: Workplace, lot_id: int) -> bytes:
    """Return the documents of a lot as one PDF for reading.

    Raises
    ------
    NotFound
        Nothing was issued yet, or there is no such lot.
    """
    files = [document_path(workplace, document) for document in _issued(workplace, lot_id)]
    return merged(files, f"Lot {lot(workplace, lot_id).lot.number}", workplace.clock())


def _issued(workplace: Workplace, lot_id: int) -> tuple[Document, ...]:
    found = documents_of_lot(workplace, lot_id)
    if not found:
        number = lot(workplace, lot_id).lot.number
        raise NotFound(f"lot {number}", "it has no documents yet", "Have its signed inspections approved first.")
    return found
