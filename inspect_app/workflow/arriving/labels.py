"""The label of a device, photographed instead of scanned."""

import tempfile
from pathlib import Path
from typing import BinaryIO, Final

from inspect_app.capture.label import read_label
from inspect_app.errors import UnusableInput
from inspect_app.storage import comparing
from inspect_app.workflow.evidence import file_name
from inspect_app.workflow.typed_text import normalise_serial
from inspect_app.workflow.workplace import Workplace, reading

_LARGEST_BYTES: Final = 64 << 20


def serial_on_label(workplace: Workplace, name: str, stream: BinaryIO) -> str:
    """Return the serial that the bar codes of a photograph tell: one that is known, else the first that can be one.

    The photograph is read and forgotten; what is to stay as evidence is added to a step.

    Raises
    ------
    UnusableInput
        The file is no picture, too large, or no code on it can be a serial.
    NothingToMeasure
        No code on it can be read.
    """
    name = file_name(name)
    content = stream.read(_LARGEST_BYTES + 1)
    if len(content) > _LARGEST_BYTES:
        raise UnusableInput(name, "it is larger than 64 MiB", "Send a photograph of the label.")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "label"
        path.write_bytes(content)
        texts = read_label(path, name)
    serials = [serial for text in texts if (serial := _serial(text))]
    if not serials:
        raise UnusableInput(name, f"its code reads {texts[0][:40]}, which is no serial", "Type the serial.")
    with reading(workplace) as session:
        known = comparing.known_serials(session, serials)
    return next((serial for serial in serials if serial in known), serials[0])


def _serial(text: str) -> str:
    try:
        return normalise_serial(text)
    except UnusableInput:
        return ""
