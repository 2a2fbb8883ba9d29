"""Ways to damage the bytes of a capture: anywhere, in the places that a format gives a meaning to, and as a bomb."""

import struct
import zlib
from collections.abc import Callable, Iterator, Sequence

import numpy as np

from tests.truth.hostile import png_chunk

Random = np.random.Generator
Mutation = Callable[[bytes, Random], bytes]

WHOLE_NUMBERS = (0, 1, 2, 3, 7, 8, 15, 16, 17, 32, 64, 127, 128, 255, 256, 1000, 32767, 32768, 65535, 65536, 10**6)
EXTREME_NUMBERS = (2**24, 2**31 - 1, 2**31, 2**32 - 1, 2**40, 2**63 - 1, 2**63, 2**64 - 1)
MAGICS = (
    *(b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff\xe0", b"II*\0", b"MM\0*", b"II+\0", b"\x1aE\xdf\xa3"),
    *(b"RIFF", b"P5\n", b"PK\x03\x04"),
)
CELLS = (
    *(
        b"",
        b" ",
        b"nan",
        b"NaN",
        b"inf",
        b"-inf",
        b"1e308",
        b"-1e308",
        b"1e-320",
        b"1e999",
        b"-0",
        b"0",
        b"--",
        b"0x10",
    ),
    *(
        b"1.2.3",
        b"9" * 400,
        b"1_000",
        b"\xd9\xa1",
        b"\xff\xfe",
        b"1,5",
        b"1;5",
        b"=1+1",
        b'"',
        b"4.1 V",
        b"true",
        b"\0",
    ),
)
FILM_PARTS = (
    *(
        b"ftyp",
        b"moov",
        b"mvhd",
        b"tkhd",
        b"mdhd",
        b"stsd",
        b"avc1",
        b"avcC",
        b"stts",
        b"ctts",
        b"stsz",
        b"stco",
        b"stsc",
    ),
    *(b"stss", b"elst", b"mdat", b"hdrl", b"avih", b"strh", b"strf", b"idx1", b"movi", b"00dc"),
    *(b"\x16\x54\xae\x6b", b"\x1f\x43\xb6\x75"),  # Matroska: tracks and clusters
)
ENCODINGS = ("utf-16", "utf-16-be", "utf-16-le", "utf-32", "utf-7", "cp037", "latin-1", "utf-8-sig")


def _number(random: Random) -> int:
    return int(random.choice(np.array((*WHOLE_NUMBERS, *EXTREME_NUMBERS), dtype=object)))


def _place(content: bytes, random: Random) -> int:
    """Return a place in the file, as often in its head as anywhere else."""
    reach = min(len(content), 256) if random.random() < 0.5 else len(content)
    return int(random.integers(0, max(1, reach)))


def _span(content: bytes, random: Random) -> tuple[int, int]:
    start = _place(content, random)
    return start, min(len(content), start + int(2 ** random.uniform(0, 12)))


def flip_bits(content: bytes, random: Random) -> bytes:
    """Flip a few bits."""
    changed = bytearray(content)
    for _ in range(int(2 ** random.uniform(0, 6))):
        if changed:
            changed[_place(content, random)] ^= 1 << int(random.integers(8))
    return bytes(changed)


def cut(content: bytes, random: Random) -> bytes:
    """Cut the file off."""
    return content[: _place(content, random)]


def drop(content: bytes, random: Random) -> bytes:
    """Leave a stretch out."""
    start, stop = _span(content, random)
    return content[:start] + content[stop:]


def repeat(content: bytes, random: Random) -> bytes:
    """Write a stretch twice, or many times."""
    start, stop = _span(content, random)
    return content[:start] + content[start:stop] * int(random.choice([2, 3, 40])) + content[stop:]


def swap(content: bytes, random: Random) -> bytes:
    """Exchange two stretches."""
    a, b, c, d = sorted(int(place) for place in random.integers(0, len(content) + 1, 4))
    return content[:a] + content[c:d] + content[b:c] + content[a:b] + content[d:]


def insert(content: bytes, random: Random) -> bytes:
    """Insert noise or zeros."""
    start, stop = _span(content, random)
    added = random.bytes(stop - start) if random.random() < 0.5 else bytes(stop - start)
    return content[:start] + added + content[start:]


def blank(content: bytes, random: Random) -> bytes:
    """Overwrite a stretch with zeros or ones."""
    start, stop = _span(content, random)
    return content[:start] + bytes([int(random.choice([0, 255]))]) * (stop - start) + content[stop:]


def write_number(content: bytes, random: Random) -> bytes:
    """Overwrite a number of one to eight bytes by one that readers stumble over."""
    size = int(random.choice([1, 2, 4, 8]))
    place = _place(content, random)
    number = (_number(random) % 256**size).to_bytes(size, str(random.choice(["little", "big"])))  # type: ignore[arg-type]  # one of two words
    return content[:place] + number + content[place + size :]


def relabel(content: bytes, random: Random) -> bytes:
    """Give the file another format's first bytes."""
    magic = MAGICS[int(random.integers(len(MAGICS)))]
    return magic + content[len(magic) if random.random() < 0.7 else 0 :]


def join(content: bytes, random: Random) -> bytes:
    """Append the file to itself, or leave nothing of it."""
    return content + content if random.random() < 0.9 else b""


def _chunks(content: bytes) -> Iterator[tuple[bytes, bytes]]:
    place = 8
    while place + 8 <= len(content):
        (size,) = struct.unpack_from(">I", content, place)
        yield content[place + 4 : place + 8], content[place + 8 : place + 8 + size]
        place += 12 + size


def change_png(content: bytes, random: Random) -> bytes:
    """Change, swap, double or drop chunks, with right checksums; or the unpacked rows, or what the header claims."""
    chunks = list(_chunks(content))
    which = int(random.integers(len(chunks)))
    kind, body = chunks[which]
    way = int(random.integers(6))
    if way == 0:
        other = int(random.integers(len(chunks)))
        chunks[which], chunks[other] = chunks[other], chunks[which]
    elif way == 1:
        chunks.insert(which, chunks[which])
    elif way == 2:
        del chunks[which]
    elif way == 3:
        chunks[0] = (b"IHDR", write_number(chunks[0][1], random)[:13].ljust(13, b"\0"))
    elif way == 4:
        packed = b"".join(part for name, part in chunks if name == b"IDAT")
        rows = _unpacked(packed)
        chunks = [chunk for chunk in chunks if chunk[0] != b"IDAT"]
        chunks.insert(-1, (b"IDAT", zlib.compress(anywhere(rows, random))))
    else:
        chunks[which] = (kind, anywhere(body, random))
    return content[:8] + b"".join(png_chunk(name, part) for name, part in chunks)


def _unpacked(packed: bytes) -> bytes:
    try:
        return zlib.decompress(packed)
    except zlib.error:
        return packed


def flood_png(content: bytes, random: Random) -> bytes:
    """Make a PNG that claims much and holds little, or unpacks to much more than it claims."""
    rows, cols = int(2 ** random.uniform(0, 16)), int(2 ** random.uniform(0, 16))
    bits, colour = ((8, 0), (16, 0), (8, 2), (16, 2), (8, 3), (1, 0))[int(random.integers(6))]
    header = struct.pack(">IIBBBBB", cols, rows, bits, colour, 0, 0, int(random.integers(2)))
    flood = zlib.compress(bytes(int(2 ** random.uniform(4, 25))), 9)
    kind = (b"IDAT", b"zTXt", b"iCCP", b"tRNS", b"PLTE", b"eXIf")[int(random.integers(6))]
    body = flood if kind in (b"IDAT", b"eXIf") else b"a\0\0" + flood
    parts = png_chunk(b"IHDR", header) + png_chunk(kind, body) + png_chunk(b"IDAT", zlib.compress(bytes(64)))
    return b"\x89PNG\r\n\x1a\n" + parts + png_chunk(b"IEND", b"")


def change_jpeg(content: bytes, random: Random) -> bytes:
    """Change, swap, double or drop the segments before the scan, or the size that the frame claims."""
    parts, place = [], 2
    while place + 4 <= len(content) and content[place] == 0xFF and content[place + 1] != 0xDA:
        (size,) = struct.unpack_from(">H", content, place + 2)
        parts.append(content[place : place + 2 + size])
        place += 2 + size
    if not parts:
        return anywhere(content, random)
    which, other = (int(number) for number in random.integers(0, len(parts), 2))
    way = int(random.integers(5))
    if way == 0:
        parts[which], parts[other] = parts[other], parts[which]
    elif way == 1:
        parts.insert(which, parts[other])
    elif way == 2:
        del parts[which]
    elif way == 3:
        parts[which] = anywhere(parts[which], random)
    else:
        parts = [_with_size(part, random) if 0xC0 <= part[1] <= 0xC2 else part for part in parts]
    return content[:2] + b"".join(parts) + content[place:]


def _with_size(frame: bytes, random: Random) -> bytes:
    size = struct.pack(">HH", _number(random) % 65536, _number(random) % 65536)
    return frame[:5] + size + frame[9:]


def change_tiff(content: bytes, random: Random) -> bytes:
    """Change the kind, count or value of one or two tags of the first directory."""
    order = "<" if content[:2] == b"II" else ">"
    is_big = content[2:4] in (b"+\0", b"\0+")
    changed = bytearray(content)
    try:
        (place,) = struct.unpack_from(order + ("Q" if is_big else "I"), content, 8 if is_big else 4)
        (tags,) = struct.unpack_from(order + ("Q" if is_big else "H"), content, place)
        for _ in range(int(random.integers(1, 3))):
            entry = place + (8 if is_big else 2) + int(random.integers(max(1, tags))) * (20 if is_big else 12)
            _change_tag(changed, entry, order, random, is_big=is_big)
    except (struct.error, OverflowError):
        return anywhere(content, random)
    return bytes(changed)


def _change_tag(changed: bytearray, entry: int, order: str, random: Random, *, is_big: bool) -> None:
    number = _number(random)
    what = random.random()
    if what < 0.1:
        struct.pack_into(order + "H", changed, entry, int(random.integers(254, 340)))
    elif what < 0.25:
        struct.pack_into(order + "H", changed, entry + 2, int(random.integers(0, 20)))
    elif what < 0.45:
        struct.pack_into(order + ("Q" if is_big else "I"), changed, entry + 4, number % (2**64 if is_big else 2**32))
    else:
        form, size = (("Q", 2**64), ("I", 2**32), ("H", 2**16))[int(random.integers(0 if is_big else 1, 3))]
        struct.pack_into(order + form, changed, entry + (12 if is_big else 8), number % size)


def change_boxes(content: bytes, random: Random) -> bytes:
    """Overwrite numbers near the names that films give to their parts."""
    found = [place for name in FILM_PARTS if (place := content.find(name)) >= 0]
    if not found:
        return write_number(content, random)
    changed = bytearray(content)
    for _ in range(int(random.integers(1, 4))):
        place = max(0, int(random.choice(found)) + int(random.integers(-4, 40)))
        size = int(random.choice([1, 4]))
        changed[place : place + size] = (_number(random) % 256**size).to_bytes(size, "big")
    return bytes(changed)


def change_log(content: bytes, random: Random) -> bytes:
    """Change cells, columns, rows, their order, the ends of lines or the encoding."""
    lines = content.split(b"\n")
    which = int(random.integers(len(lines)))
    ways: Sequence[Callable[[], bytes]] = (
        lambda: b"\n".join(_with_cells(lines, random)),
        lambda: b"\n".join(lines[:1] + lines[:0:-1]),
        lambda: b"\n".join(lines[:which] + [lines[which]] * 5 + lines[which:]),
        lambda: b"\n".join(lines[:1] * 2 + lines[1:]),
        lambda: b"\n".join(lines[: int(random.integers(1, 5))]),
        lambda: b"\n".join([lines[0]] + [line for line in lines[1:] if random.random() < 0.1]),
        lambda: b"\n".join(lines[:1] + [lines[int(row)] for row in random.permutation(np.arange(1, len(lines)))]),
        lambda: content.replace(b"\n", b"\r"),
        lambda: content.replace(b",", bytes([int(random.choice([32, 59, 9, 124, 46]))])),
        lambda: content.decode("utf-8", "replace").encode(ENCODINGS[int(random.integers(len(ENCODINGS)))], "replace"),
        lambda: content.replace(b"0", b"000000"),
        lambda: content.replace(b".", b""),
        lambda: content * 40,
    )
    return ways[int(random.integers(len(ways)))]()


def _with_cells(lines: list[bytes], random: Random) -> list[bytes]:
    changed = list(lines)
    odd = CELLS[int(random.integers(len(CELLS)))]
    for _ in range(int(random.choice([1, 1, 3, 2000]))):
        row = int(random.integers(0 if random.random() < 0.1 else min(1, len(lines) - 1), len(lines)))
        mark = next((mark for mark in (b"\t", b";", b",") if mark in changed[row]), b",")
        cells = changed[row].split(mark)
        cells[int(random.integers(len(cells)))] = odd
        changed[row] = mark.join(cells)
    return changed


ANYWHERE: Sequence[Mutation] = (flip_bits, cut, drop, repeat, swap, insert, blank, write_number, relabel, join)
BY_ENDING: dict[str, Sequence[Mutation]] = {
    "png": (change_png, change_png, flood_png),
    "jpg": (change_jpeg, change_jpeg),
    "tif": (change_tiff, change_tiff),
    "csv": (change_log, change_log),
    "tsv": (change_log, change_log),
    **dict.fromkeys(("mp4", "mov", "mkv", "webm", "avi", "ts"), (change_boxes,)),
}


def anywhere(content: bytes, random: Random) -> bytes:
    """Damage bytes without regard to what they mean."""
    return ANYWHERE[int(random.integers(len(ANYWHERE)))](content, random)


def mutated(content: bytes, ending: str, random: Random) -> bytes:
    """Damage a file once to three times, one time in three not at all: what it shows may be odd enough."""
    if random.random() < 1 / 3:
        return content
    ways = [*ANYWHERE, *BY_ENDING.get(ending, ()) * 5]
    for _ in range(int(random.choice([1, 1, 1, 2, 3]))):
        if content:
            try:
                content = ways[int(random.integers(len(ways)))](content, random)
            except (IndexError, ValueError, struct.error):  # what an earlier mutation left has no such part any more
                content = anywhere(content, random)
    return content[:30_000_000]
