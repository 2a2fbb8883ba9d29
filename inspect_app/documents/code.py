"""QR codes: of a document, its number and the digest of the record inside, for whoever holds it on paper; of a link."""

import io
from dataclasses import dataclass
from typing import Final

import segno

from inspect_app.documents.figures import Figure
from inspect_app.documents.imprint import Imprint

# ISO/IEC 18004: level M restores about 15 % of the code, and the quiet zone is four modules wide (from memory).
_ERROR_LEVEL: Final = "m"
_QUIET_MODULES: Final = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Code:
    """What the code says, and its drawing."""

    text: str
    record_sha256: str
    drawing: Figure


def code_of(imprint: Imprint, record_sha256: str) -> Code:
    """Return the code of a document: an address that opens the proof where one is set, else number and digest."""
    said = f"{imprint.number}:{record_sha256}"
    text = f"{imprint.address}/documents/verify?text={said}" if imprint.address else said.upper()
    drawing = Figure(title="QR code", svg=_drawn(text), text_alternative=f"It says {imprint.number} and the digest.")
    return Code(text=text, record_sha256=record_sha256, drawing=drawing)


def link_code(address: str) -> str:
    """Return the drawing of an address, as SVG: black on white, whatever the page around it wears."""
    return _drawn(address, light="white")


def _drawn(text: str, light: str | None = None) -> str:
    picture = io.BytesIO()
    segno.make_qr(text, error=_ERROR_LEVEL).save(
        picture,
        kind="svg",
        border=_QUIET_MODULES,
        xmldecl=False,
        omitsize=True,
        svgclass=None,
        lineclass=None,
        light=light,
    )
    return picture.getvalue().decode()
