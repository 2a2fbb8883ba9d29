"""Files that no check may turn into a number: damaged, absurd, mislabelled, or simply not what they seem."""

import io
import os
import struct
import zlib

import av
import imagecodecs
import numpy as np
import tifffile
from PIL import Image

NOISE = np.random.default_rng(7).integers(0, 256, (48, 64), dtype=np.uint8)
DEEP = np.random.default_rng(8).integers(0, 65536, (48, 64, 3), dtype=np.uint16)


def png(values):
    """Return a PNG of an array."""
    return imagecodecs.png_encode(np.ascontiguousarray(values))


def tiff(values, **options):
    """Return a TIFF of an array."""
    stream = io.BytesIO()
    tifffile.imwrite(stream, values, **options)
    return stream.getvalue()


def pillow(picture, form, **options):
    """Return a picture file as Pillow writes it."""
    stream = io.BytesIO()
    picture.save(stream, form, **options)
    return stream.getvalue()


def png_chunk(kind, content):
    """Return one chunk of a PNG with a right checksum."""
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))


def png_claiming(cols, rows, bits=8, colour=0, extra=b""):
    """Return a PNG whose header claims a size, with 64 bytes of picture in it."""
    header = struct.pack(">IIBBBBB", cols, rows, bits, colour, 0, 0, 0)
    body = png_chunk(b"IHDR", header) + extra + png_chunk(b"IDAT", zlib.compress(bytes(64))) + png_chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + body


def tiff_directory(entries, after=0):
    """Return a little-endian TIFF of one directory: entries are (tag, type, count, value)."""
    body = b"".join(struct.pack("<HHII", *entry) for entry in entries)
    return b"II*\0" + struct.pack("<IH", 8, len(entries)) + body + struct.pack("<I", after)


def tiff_chain(pages):
    """Return a TIFF of many directories, each of one tag."""
    content = b"II*\0" + struct.pack("<I", 8)
    for page in range(pages):
        after = 8 + (page + 1) * 18 if page + 1 < pages else 0
        content += struct.pack("<HHHIII", 1, 256, 4, 1, 1, after)
    return content


def tiff_flood(size_bytes=40_000_000):
    """Return a TIFF whose strip of 256 bytes unpacks to many megabytes."""
    content = bytearray(tiff(np.zeros((16, 16), np.uint8), compression="zlib"))
    flood = zlib.compress(bytes(size_bytes), 9)
    with tifffile.TiffFile(io.BytesIO(bytes(content))) as file:
        tags = file.pages[0].tags
        places = {tags["StripOffsets"].valueoffset: len(content), tags["StripByteCounts"].valueoffset: len(flood)}
    for place, value in places.items():
        content[place - 6 : place - 4] = struct.pack("<H", 4)
        content[place : place + 4] = struct.pack("<I", value)
    return bytes(content) + flood


def film(frames, form="mp4", rate=30):
    """Return a film of grey frames of shape (rows, cols), uint8."""
    stream = io.BytesIO()
    with av.open(stream, "w", format=form) as container:
        track = container.add_stream("libx264", rate=rate, options={"crf": "10", "preset": "ultrafast"})
        track.height, track.width = frames[0].shape
        track.pix_fmt = "yuv420p"
        for values in frames:
            for packet in track.encode(av.VideoFrame.from_ndarray(np.ascontiguousarray(values), format="gray")):
                container.mux(packet)
        for packet in track.encode():
            container.mux(packet)
    return stream.getvalue()


def sound():
    """Return a film file that holds sound alone."""
    stream = io.BytesIO()
    with av.open(stream, "w", format="mp4") as container:
        track = container.add_stream("aac", rate=48000, layout="mono")
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), format="fltp", layout="mono")
        frame.sample_rate = 48000
        for packet in [*track.encode(frame), *track.encode()]:
            container.mux(packet)
    return stream.getvalue()


def _still_film():
    return film([np.full((48, 64), 90, np.uint8)] * 20)


def _flipped(content, place):
    changed = bytearray(content)
    changed[place] ^= 0x55
    return bytes(changed)


CONTENTS = {
    "empty": lambda: b"",
    "one byte": lambda: b"\x07",
    "one letter": lambda: b"a",
    "zeros": lambda: bytes(5000),
    "random bytes": lambda: np.random.default_rng(1).bytes(5000),
    "white space": lambda: b" \n\t\n" * 50,
    "prose": lambda: b"The quick brown fox jumps over the lazy dog.\n" * 20,
    "a web page": lambda: b"<!doctype html><html><body>404</body></html>",
    "an SVG": lambda: b'<?xml version="1.0"?><svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>',
    "JSON": lambda: b'{"check": "noise", "results": []}',
    "a PDF": lambda: b"%PDF-1.7\n1 0 obj\n<<>>\nendobj\n",
    "a ZIP archive": lambda: b"PK\x03\x04" + bytes(60),
    "a program": lambda: b"\x7fELF\x02\x01\x01" + bytes(100),
    "a GIF": lambda: pillow(Image.fromarray(NOISE), "GIF"),
    "a BMP": lambda: pillow(Image.fromarray(NOISE), "BMP"),
    "a WebP": lambda: pillow(Image.fromarray(NOISE), "WEBP"),
    "a PGM": lambda: b"P5\n64 48\n255\n" + NOISE.tobytes(),
    "PNG, its signature alone": lambda: b"\x89PNG\r\n\x1a\n",
    "PNG, cut early": lambda: png(NOISE)[:60],
    "PNG, cut late": lambda: png(NOISE)[:-100],
    "PNG, 16 bits, cut": lambda: png(DEEP)[:9000],
    "PNG, a wrong checksum": lambda: _flipped(png(NOISE), 900),
    "PNG, a palette of no whole colours": lambda: png_claiming(8, 8, extra=png_chunk(b"PLTE", bytes(4))),
    "PNG, no size": lambda: png_claiming(0, 0),
    "PNG, 4 thousand million pixels": lambda: png_claiming(65535, 65535),
    "PNG, 2 ** 31 columns": lambda: png_claiming(2**31 - 1, 1),
    "PNG, nearly nothing in it": lambda: png_claiming(4000, 3000),
    "PNG, a flood of text": lambda: png_claiming(
        8, 8, extra=png_chunk(b"zTXt", b"a\0\0" + zlib.compress(bytes(100_000_000), 9))
    ),
    "PNG, 1 bit": lambda: png_claiming(64, 8, bits=1),
    "PNG, an impossible colour type": lambda: png_claiming(8, 8, colour=5),
    "PNG, animated": lambda: pillow(
        Image.fromarray(NOISE), "PNG", save_all=True, append_images=[Image.fromarray(NOISE[::-1].copy())]
    ),
    "PNG, transparent": lambda: png(np.dstack([NOISE, NOISE, NOISE, NOISE])),
    "JPEG, its mark alone": lambda: b"\xff\xd8\xff\xe0",
    "JPEG, cut": lambda: pillow(Image.fromarray(NOISE), "JPEG")[:500],
    "JPEG, CMYK": lambda: pillow(Image.new("CMYK", (64, 48)), "JPEG"),
    "JPEG, 4 thousand million pixels": lambda: pillow(Image.fromarray(NOISE), "JPEG").replace(
        struct.pack(">HH", 48, 64), struct.pack(">HH", 65500, 65500), 1
    ),
    "TIFF, its mark alone": lambda: b"MM\0*",
    "TIFF, tags of no type": lambda: tiff_directory([(256, 0, 1, 9), (257, 14, 1, 9)]),
    "TIFF, cut": lambda: tiff(DEEP)[:3000],
    "TIFF, a directory beyond the end": lambda: b"II*\0" + struct.pack("<I", 2**31),
    "TIFF, no directory": lambda: b"II*\0" + bytes(4),
    "TIFF, a ring of pages": lambda: tiff_directory([(256, 4, 1, 9)], after=8),
    "TIFF, a tag of 4 thousand million values": lambda: tiff_directory([(273, 4, 2**32 - 1, 8)]),
    "TIFF, 65 535 tags": lambda: b"II*\0" + struct.pack("<IH", 8, 65535) + bytes(100),
    "TIFF, 5000 pages": lambda: tiff_chain(5000),
    "TIFF, 3.6 thousand million pixels": lambda: tiff_directory(
        [(256, 4, 1, 60000), (257, 4, 1, 60000), (273, 4, 1, 8), (279, 4, 1, 8)]
    ),
    "TIFF, a strip that floods": tiff_flood,
    "TIFF, NaN": lambda: tiff(np.full((48, 64), np.nan, np.float32)),
    "TIFF, floating point": lambda: tiff(NOISE.astype(np.float32)),
    "TIFF, signed": lambda: tiff(NOISE.astype(np.int16)),
    "TIFF, 32 bits": lambda: tiff(NOISE.astype(np.uint32)),
    "TIFF, CMYK": lambda: tiff(np.dstack([NOISE] * 4), photometric="separated"),
    "TIFF, JPEG inside": lambda: tiff(NOISE, compression="jpeg"),
    "TIFF, 1 bit": lambda: pillow(Image.new("1", (64, 48)), "TIFF"),
    "BigTIFF, cut": lambda: tiff(NOISE, bigtiff=True)[:200],
    "one pixel": lambda: png(np.array([[77]], np.uint8)),
    "one row": lambda: png(NOISE[:1]),
    "one column": lambda: png(NOISE[:, :1]),
    "a black picture": lambda: png(np.zeros((48, 64), np.uint8)),
    "a white picture": lambda: png(np.full((48, 64), 255, np.uint8)),
    "MP4, its mark alone": lambda: b"\x00\x00\x00\x18ftypisom\x00\x00\x02\x00isomiso2",
    "MP4, cut": lambda: _still_film()[:700],
    "MP4, its end gone": lambda: _still_film()[:-300],
    "MP4, sound alone": sound,
    "MP4, one frame": lambda: film([np.full((48, 64), 90, np.uint8)]),
    "MP4, nothing moves": _still_film,
    "MKV, its mark alone": lambda: b"\x1aE\xdf\xa3\x01\x00\x00\x00",
    "MKV, cut": lambda: film([NOISE] * 9, "matroska")[:900],
    "AVI, broken": lambda: b"RIFF\xff\xff\xff\x7fAVI LIST" + bytes(200),
    "a play list": lambda: b"#EXTM3U\n#EXTINF:1,\nfile:///etc/passwd\n",
    "a list of films": lambda: b"ffconcat version 1.0\nfile /etc/passwd\n",
    "CSV, a heading alone": lambda: b"time_s,voltage_v,current_a\n",
    "CSV, one row": lambda: b"time_s,voltage_v,current_a\n0,4.1,0.5\n",
    "CSV, no heading": lambda: b"0,4.1,0.5\n60,4.0,0.5\n120,3.1,0.5\n",
    "CSV, other columns": lambda: b"a,b,c\n1,2,3\n4,5,6\n7,8,9\n",
    "CSV, a column twice": lambda: b"time_s,voltage_v,voltage_v\n0,4.1,4.1\n60,3.0,3.0\n",
    "CSV, words for numbers": lambda: b"time_s,voltage_v,current_a\n0,high,0.5\n60,low,0.5\n",
    "CSV, not a number": lambda: b"time_s,voltage_v,current_a\n0,nan,0.5\n60,nan,0.5\n120,nan,0.5\n",
    "CSV, infinity": lambda: b"time_s,voltage_v,current_a\n0,inf,0.5\n60,4.0,0.5\n120,3.0,inf\n",
    "CSV, a number beyond all numbers": lambda: b"time_s,voltage_v,current_a\n0,1e999,0.5\n60,4.0,0.5\n",
    "CSV, ragged": lambda: b"time_s,voltage_v,current_a\n0,4.1\n60,4.0,0.5,7,8\n120\n",
    "CSV, time that stands still": lambda: b"time_s,voltage_v,current_a\n" + b"0,4.1,0.5\n" * 9,
    "CSV, a cell of 2 megabytes": lambda: b"time_s,voltage_v\n0," + b"9" * 2_000_000 + b"\n",
    "CSV, an open quote": lambda: b'time_s,voltage_v\n0,"4.1\n60,4.0\n120,3.0\n',
    "CSV, a zero byte": lambda: b"time_s,voltage_v\n0,4.1\x00\n60,3.0\n",
    "CSV, half of UTF-16": lambda: "time_s,voltage_v\n0,4.1\n".encode("utf-16")[:-1],
    "CSV, a formula": lambda: b"time_s,voltage_v\n=cmd|' /C calc'!A0,4.1\n60,3.0\n",
}
"""Name to a function that makes the bytes."""


def _folder(path):
    path.mkdir()


def _pipe(path):
    os.mkfifo(path)


def _nothing(path):
    path.unlink(missing_ok=True)


PLACES = {
    "a folder": _folder,
    "a pipe": _pipe,
    "nothing at all": _nothing,
    "a link to nothing": lambda path: path.symlink_to("absent"),
    "a ring of links": lambda path: path.symlink_to(path.name),
}
"""Name to a function that puts something that is no file where the file should be."""


def put(folder, name):
    """Put one hostile thing into a folder and return its path."""
    path = folder / "capture.png"
    if name in PLACES:
        PLACES[name](path)
    else:
        path.write_bytes(CONTENTS[name]())
    return path
