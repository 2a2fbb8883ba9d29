"""A PDF into a file (ISO 32000-1, 7.5), each object made into bytes once; pydyf does it to write and again to digest.

What is read again when the file is signed stands by itself, all other small objects together in one compressed stream.
"""

import hashlib
import io
import zlib
from collections.abc import Iterator, Sequence
from typing import Any, Final

import pydyf

_FREE, _PLAIN, _PACKED = 0, 1, 2  # kinds of entries in the table of references (table 18)
_WIDTHS: Final = (1, 4, 4)  # bytes of the three columns of that table
_LAST_GENERATION: Final = 65535
_FIRST_LINES: Final = b"%%PDF-%b\n%%\xe2\xe3\xcf\xd3\n"


def write_file(pdf: pydyf.PDF, output: io.BytesIO, version: str, identifier: bytes, _compress: object) -> None:
    """Write a PDF; takes the place of the method `write` of pydyf's own."""
    pdf.add_object(pdf.info)
    pack = len(pdf.objects)
    alone = {one.reference for one in _read_when_signed(pdf)}
    file = bytearray(_FIRST_LINES % version.encode())
    entries: list[tuple[int, int, int]] = [(_FREE, 0, _LAST_GENERATION)]
    packed: list[tuple[int, bytes]] = []
    for one in pdf.objects[1:]:
        if one.compressible and one.reference not in alone:
            entries.append((_PACKED, pack, len(packed)))
            packed.append((one.number, one.data))
        else:
            entries.append((_PLAIN, len(file), 0))
            file += _alone(one)
    entries.append((_PLAIN, len(file), 0))
    file += _pack(pack, packed)
    place = len(file)
    entries.append((_PLAIN, place, 0))
    file += _table(pdf, entries, identifier, hashlib.md5(file, usedforsecurity=False).hexdigest().encode())
    output.write(file + b"startxref\n%d\n%%%%EOF\n" % place)


def _read_when_signed(pdf: pydyf.PDF) -> Iterator[pydyf.Object]:
    """Yield what the file says of itself, its first page and its fields: for each the whole stream would be read."""
    named = [one for one in pdf.objects if isinstance(one, dict)]
    yield from (pdf.catalog, pdf.info)
    yield from (one for one in named if one.get("FT") == "/Sig")
    yield next(one for one in named if one.get("Type") == "/Page")


def _alone(one: pydyf.Object) -> bytes:
    """Return an object by itself; the library squeezes streams as hard as it can, which takes three times as long."""
    if not getattr(one, "compress", False):
        indirect: bytes = one.indirect
        return indirect + b"\n"
    return _stream(one.number, b"\n".join(map(_bytes, one.stream)), **one.extra)


def _bytes(item: bytes | str | pydyf.Object) -> bytes:
    if isinstance(item, bytes):
        return item
    data: bytes = item.data if isinstance(item, pydyf.Object) else item.encode("ascii")
    return data


def _pack(number: int, packed: Sequence[tuple[int, bytes]]) -> bytes:
    """Return the stream that holds the small objects (7.5.7)."""
    index, place = [], 0
    for inside, data in packed:
        index.append(b"%d %d" % (inside, place))
        place += len(data) + 1
    head = b" ".join(index) + b"\n"
    body = head + b"\n".join(data for _, data in packed)
    return _stream(number, body, Type="/ObjStm", N=len(packed), First=len(head))


def _table(pdf: pydyf.PDF, entries: Sequence[tuple[int, ...]], identifier: bytes, digest: bytes) -> bytes:
    """Return the stream that tells where each object is (7.5.8)."""
    rows = b"".join(
        number.to_bytes(width, "big") for entry in entries for number, width in zip(entry, _WIDTHS, strict=True)
    )
    return _stream(
        len(entries) - 1,
        rows,
        Type="/XRef",
        W=pydyf.Array(_WIDTHS),
        Size=len(entries),
        Root=pdf.catalog.reference,
        Info=pdf.info.reference,
        ID=pydyf.Array([pydyf.String(identifier), pydyf.String(digest)]),
    )


def _stream(number: int, content: bytes, **values: Any) -> bytes:
    packed = zlib.compress(content)
    told = pydyf.Dictionary({**values, "Filter": "/FlateDecode", "Length": len(packed)})
    return b"%d 0 obj\n%b\nstream\n%b\nendstream\nendobj\n" % (number, told.data, packed)
