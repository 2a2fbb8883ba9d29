"""Read a file as the kind of capture that it is, whatever its name says."""

import codecs
import hashlib
import stat
import warnings
from collections.abc import Collection
from pathlib import Path
from typing import Final

from inspect_app.capture import table
from inspect_app.capture._codes import MOST_PIXELS, set_up_decoders
from inspect_app.capture.image import read_image
from inspect_app.capture.kinds import Capture
from inspect_app.errors import UnusableInput

SNIFFED_BYTES: Final = 65536
SAY_WHAT_IS_TAKEN: Final = "Give a PNG, TIFF or JPEG picture, an MP4, MOV, MKV or AVI film, or a CSV table."

PICTURES: Final = (
    (b"\x89PNG\r\n\x1a\n", "png"),
    (b"\xff\xd8\xff", "jpeg"),
    (b"II*\x00", "tiff"),
    (b"MM\x00*", "tiff"),
    (b"II+\x00", "tiff"),
    (b"MM\x00+", "tiff"),
)
FILMS: Final = (
    b"\x1aE\xdf\xa3",  # Matroska and WebM
    b"OggS",
    b"FLV\x01",
    b"0&\xb2u\x8ef\xcf\x11",  # ASF
    b"\x00\x00\x01\xba",  # MPEG programme stream
    b"YUV4MPEG2 ",
    b"\x06\x0e+4",  # MXF
)
QUICKTIME_ATOMS: Final = (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot")
STILL_BRANDS: Final = (b"heic", b"heix", b"mif1", b"avif", b"crx ")
TRANSPORT_PACKET_BYTES: Final = 188
OTHERS: Final = (
    (b"GIF8", "a GIF picture"),
    (b"BM", "a BMP picture"),
    (b"8BPS", "a layered picture"),
    (b"SIMPLE  =", "a FITS file"),
    (b"P5", "a PGM picture"),
    (b"P6", "a PPM picture"),
    (b"%PDF", "a PDF document"),
    (b"PK\x03\x04", "a ZIP archive or a spreadsheet"),
    (b"\x1f\x8b", "a compressed archive"),
    (b"\x00\x00\x00\x0cjP  ", "a JPEG 2000 picture"),
    (b"\xff\x4f\xff\x51", "a JPEG 2000 picture"),
    (b"\x00\x00\x00\x0cJXL ", "a JPEG XL picture"),
    (b"FUJIFILM", "a camera's raw file"),
    (b"\x7fELF", "a program"),
    (b"MZ", "a program"),
)
MOST_PICTURE_BYTES: Final = 1_000_000_000  # the most pixels that are taken, with four samples of 16 bits, fill less
KIND_NAMES: Final = {"still": "a picture", "film": "a film", "log": "a table"}


def read(
    path: Path,
    *,
    role: str = "scene",
    kinds: Collection[str] = ("still",),
    transfer: str = "linear",
    name: str | None = None,
    room_pixels: int = MOST_PIXELS,
) -> tuple[Capture, ...]:
    """Read a file as captures, by its content; its name is never trusted.

    Parameters
    ----------
    path : Path
        The file.
    role : str
        What the captures are to the check.
    kinds : collection of str
        What the check takes, of ``still``, ``film`` and ``log``.
    transfer : str
        How codes become exposure: ``linear``, ``srgb``, ``power:G`` or ``table:FILE.csv``.
    name : str, optional
        What to call the file; its own name by default.
    room_pixels : int
        How many pixels of pictures may still be read beside those that are measured together with them.

    Returns
    -------
    tuple of Still, Film or Log
        One, or one still for each page of a TIFF file with several.

    Raises
    ------
    UnusableInput
        The file is missing, empty, damaged, too large, or not of a kind that the check takes.
    """
    shown = printable(name or path.name or str(path))
    try:
        form = _recognise(path, shown)
        _prove_kind(shown, form, kinds)
        if form not in ("film", "log"):
            _prove_bytes(shown, path.stat().st_size)
        with path.open("rb") as file:
            sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise _unopenable(shown, error) from error
    set_up_decoders()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        if form == "film":
            from inspect_app.capture import film  # noqa: PLC0415 - a still must not wait for the film libraries to load

            return (film.read_film(path, name=shown, role=role, transfer=transfer, sha256=sha256),)
        if form == "log":
            return (table.read_table(path, name=shown, role=role, sha256=sha256),)
        return read_image(
            path, name=shown, role=role, transfer=transfer, sha256=sha256, form=form, room_pixels=room_pixels
        )


def kind_of(path: Path, name: str) -> str:
    """Say what a file is by its content.

    Parameters
    ----------
    path : Path
        The file.
    name : str
        What to call it.

    Returns
    -------
    str
        ``still``, ``film`` or ``log``.

    Raises
    ------
    UnusableInput
        The file is missing, empty, or nothing that any check takes.
    """
    try:
        form = _recognise(path, printable(name))
    except OSError as error:
        raise _unopenable(printable(name), error) from error
    return _kind(form)


def kind_of_head(head: bytes, name: str) -> str:
    """Say what a file is by its first `SNIFFED_BYTES`, as `kind_of` does, before the rest of it has come.

    Parameters
    ----------
    head : bytes
        The beginning of the file; all of it where it is shorter.
    name : str
        What to call it.

    Returns
    -------
    str
        ``still``, ``film`` or ``log``.

    Raises
    ------
    UnusableInput
        It is empty, or nothing that any check takes.
    """
    return _kind(_recognise_head(head, printable(name)))


def _kind(form: str) -> str:
    return form if form in ("film", "log") else "still"


def printable(name: str) -> str:
    """Return a file's name as it can stand in one line of any encoding."""
    text = name.encode("utf-8", "backslashreplace").decode("utf-8")
    return "".join(letter if letter.isprintable() else f"\\x{ord(letter):02x}" for letter in text)


def _recognise(path: Path, name: str) -> str:
    """Say what a file's first bytes are: ``png``, ``jpeg``, ``tiff``, ``film`` or ``log``."""
    status = path.stat()
    if stat.S_ISDIR(status.st_mode):
        raise UnusableInput(name, "it is a folder, not a file", "Name the files in it.")
    if not stat.S_ISREG(status.st_mode):
        raise UnusableInput(name, "it is not an ordinary file", "Copy it to a file first.")
    with path.open("rb") as file:
        return _recognise_head(file.read(SNIFFED_BYTES), name)


def _recognise_head(head: bytes, name: str) -> str:
    if not head:
        raise UnusableInput(name, "the file is empty", "Copy it from the camera again.")
    for magic, form in PICTURES:
        if head.startswith(magic):
            return form
    if _is_film(head):
        return "film"
    if other := _other_format(head):
        raise UnusableInput(name, f"it is {other}, which is not taken", SAY_WHAT_IS_TAKEN)
    if not _is_text(head):
        raise UnusableInput(name, "it is neither a picture, nor a film, nor a table", SAY_WHAT_IS_TAKEN)
    return "log"


def _is_film(head: bytes) -> bool:
    if head[4:8] in QUICKTIME_ATOMS:
        return head[8:12] not in STILL_BRANDS
    if head.startswith(b"RIFF"):
        return head[8:12] == b"AVI "
    is_transport = head[:1] == b"G" and head[TRANSPORT_PACKET_BYTES : TRANSPORT_PACKET_BYTES + 1] == b"G"
    return (is_transport and b"\x00" in head) or head.startswith(FILMS)


def _other_format(head: bytes) -> str | None:
    if head.startswith(b"RIFF"):
        return "a WebP picture" if head[8:12] == b"WEBP" else "a sound or another recording"
    if head[4:8] == b"ftyp":
        return "a HEIC, AVIF or raw picture"
    for magic, what in OTHERS:
        is_text_after = magic in (b"BM", b"MZ", b"P5", b"P6") and _is_text(head) and b"," in head[:SNIFFED_BYTES]
        if head.startswith(magic) and not is_text_after:
            return what
    return None


def _is_text(head: bytes) -> bool:
    """Say whether bytes are text: in UTF-16 with its mark, or without control characters."""
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return True
    return not any(byte < 32 and byte not in b"\t\n\r\f" for byte in head)


def _prove_kind(name: str, form: str, kinds: Collection[str]) -> None:
    kind = _kind(form)
    if kind not in kinds:
        wanted = " or ".join(KIND_NAMES[wanted] for wanted in kinds)
        raise UnusableInput(name, f"it is {KIND_NAMES[kind]}; this check takes {wanted}", f"Give {wanted}.")


def _prove_bytes(name: str, size_bytes: int) -> None:
    """Refuse a picture larger than any that is taken before all of it is read."""
    if size_bytes > MOST_PICTURE_BYTES:
        raise UnusableInput(
            name,
            f"it has {size_bytes / 1e9:.1f} GB, more than any picture taken here",
            "Give fewer pages, or crop them to the part that is measured.",
        )


def _unopenable(name: str, error: OSError) -> UnusableInput:
    if isinstance(error, FileNotFoundError):
        return UnusableInput(name, "there is no such file", "Look at the spelling of its name and at the folder.")
    if isinstance(error, PermissionError):
        return UnusableInput(name, "it may not be read", "Ask for the right to read it, or copy it.")
    reason = (error.strerror or "unknown reason").lower()
    return UnusableInput(name, f"it cannot be opened ({reason})", "Copy it to this machine's disk and try again.")
