"""Pictures are decoded to the last bit, and refused in words where they cannot be."""

import contextlib
import io
import struct
import zlib

import imagecodecs
import numpy as np
import pytest
import tifffile
from hypothesis import given
from hypothesis.extra import numpy as hnp
from PIL import Image, ImageFile, ImageOps

from inspect_app.capture import read
from inspect_app.errors import UnusableInput

REC_709 = np.array([0.2126, 0.7152, 0.0722])


def png(values):
    return imagecodecs.png_encode(values)


def tiff(values, **options):
    stream = io.BytesIO()
    tifffile.imwrite(stream, values, **options)
    return stream.getvalue()


def pillow(picture, form, **options):
    stream = io.BytesIO()
    picture.save(stream, form, **options)
    return stream.getvalue()


def noise(shape, dtype, seed=1):
    return np.random.default_rng(seed).integers(0, np.iinfo(dtype).max, shape, dtype=dtype, endpoint=True)


def keep(folder, content, name="picture.bin"):
    path = folder / name
    path.write_bytes(content)
    return path


def png_chunk(kind, content):
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))


def png_claiming(cols, rows, bits=8, colour=0):
    header = struct.pack(">IIBBBBB", cols, rows, bits, colour, 0, 0, 0)
    body = png_chunk(b"IHDR", header) + png_chunk(b"IDAT", zlib.compress(bytes(64))) + png_chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + body


@pytest.mark.parametrize("encode", [png, tiff], ids=["png", "tiff"])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_grey_codes_come_back_exactly(tmp_path, encode, dtype):
    """Truth: the codes written."""
    codes = noise((23, 31), dtype)

    (still,) = read(keep(tmp_path, encode(codes)))

    highest = np.iinfo(dtype).max
    assert np.array_equal(np.rint(still.exposure * highest), codes)
    assert still.exposure == pytest.approx(codes / highest, abs=1e-15)
    assert still.bit_depth == np.iinfo(dtype).bits
    assert still.code_step == pytest.approx(1 / highest, rel=1e-9)


@pytest.mark.parametrize("encode", [png, tiff], ids=["png", "tiff"])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_colour_becomes_luminance_with_all_its_bits(tmp_path, encode, dtype):
    """Truth: ITU-R BT.709-6, item 3.2. A decoder that drops 16 bits to 8 would be out by 1/500."""
    codes = noise((23, 31, 3), dtype)

    (still,) = read(keep(tmp_path, encode(codes)))

    assert still.exposure == pytest.approx(codes / np.iinfo(dtype).max @ REC_709, abs=1e-12)


def test_luminance_is_taken_after_the_transfer(tmp_path):
    """Truth: algebra. Weighting the codes first would give (0.2126 × 1) ** 2 for pure red."""
    red = np.zeros((4, 4, 3), np.uint8)
    red[..., 0] = 255

    (still,) = read(keep(tmp_path, png(red)), transfer="power:2")

    assert still.exposure == pytest.approx(np.full((4, 4), 0.2126), abs=1e-12)


def test_a_pixel_is_clipped_where_any_channel_stands_at_its_top(tmp_path):
    codes = np.full((3, 4, 3), 100, np.uint8)
    codes[1, 2, 0] = 255
    codes[2, 3] = 254

    (still,) = read(keep(tmp_path, png(codes)))

    assert np.argwhere(still.clipped).tolist() == [[1, 2]]


@given(codes=hnp.arrays(np.uint16, hnp.array_shapes(min_dims=2, max_dims=2, max_side=12)))
def test_png_and_tiff_of_the_same_codes_are_the_same_exposure(codes, tmp_path_factory):
    """Property: the container does not matter."""
    folder = tmp_path_factory.mktemp("pair")

    (from_png,) = read(keep(folder, png(codes), "a"))
    (from_tiff,) = read(keep(folder, tiff(codes, photometric="minisblack"), "b"))

    assert np.array_equal(from_png.exposure, from_tiff.exposure)


@pytest.mark.parametrize("compression", [None, "lzw", "zlib", "packbits", "zstd"])
@pytest.mark.parametrize("byteorder", ["<", ">"])
def test_lossless_tiff_compressions_change_nothing(tmp_path, compression, byteorder):
    codes = noise((40, 30), np.uint16)

    (still,) = read(keep(tmp_path, tiff(codes, compression=compression, byteorder=byteorder)))

    assert np.array_equal(np.rint(still.exposure * 65535), codes)


def test_bigtiff_tiles_and_separate_planes_are_read(tmp_path):
    codes = noise((3, 40, 50), np.uint16)

    content = tiff(codes, bigtiff=True, tile=(16, 16), photometric="rgb", planarconfig="separate")
    (still,) = read(keep(tmp_path, content))

    assert still.exposure == pytest.approx(np.tensordot(REC_709, codes / 65535, axes=1), abs=1e-12)


def test_twelve_packed_bits_have_their_own_full_scale(tmp_path):
    codes = np.arange(4096, dtype=np.uint16).reshape(64, 64)

    (still,) = read(keep(tmp_path, tiff(codes, bitspersample=12, photometric="minisblack")))

    assert still.exposure.max() == 1
    assert np.array_equal(np.rint(still.exposure * 4095), codes)
    assert still.clipped.sum() == 1


def test_a_tiff_in_which_white_is_zero_is_turned_over(tmp_path):
    codes = noise((6, 7), np.uint8)

    (still,) = read(keep(tmp_path, tiff(codes, photometric="miniswhite")))

    assert np.array_equal(np.rint(still.exposure * 255), 255 - codes)


def test_each_page_of_a_tiff_is_a_still_of_its_own(tmp_path):
    pages = noise((3, 8, 9), np.uint8)

    stills = read(keep(tmp_path, tiff(pages, photometric="minisblack"), "dark.tif"), role="dark")

    assert [still.name for still in stills] == ["dark.tif[1]", "dark.tif[2]", "dark.tif[3]"]
    assert len({still.sha256 for still in stills}) == 1
    assert {still.role for still in stills} == {"dark"}
    for still, page in zip(stills, pages, strict=True):
        assert np.array_equal(np.rint(still.exposure * 255), page)


def test_a_thumbnail_in_a_tiff_is_passed_over(tmp_path):
    codes = noise((20, 20), np.uint8)
    stream = io.BytesIO()
    with tifffile.TiffWriter(stream) as writer:
        writer.write(codes[::4, ::4], subfiletype=1, photometric="minisblack")
        writer.write(codes, photometric="minisblack")

    (still,) = read(keep(tmp_path, stream.getvalue(), "a.tif"))

    assert still.name == "a.tif"
    assert still.exposure.shape == (20, 20)


def test_a_palette_is_looked_up(tmp_path):
    """Truth: three colours of the palette, weighted by hand."""
    picture = Image.new("P", (3, 1))
    picture.putpalette([255, 0, 0, 0, 255, 0, 0, 0, 255])
    picture.putdata([0, 1, 2])

    (still,) = read(keep(tmp_path, pillow(picture, "PNG")))

    assert still.exposure[0] == pytest.approx(REC_709, abs=1e-12)


def test_a_tiff_palette_is_looked_up_in_sixteen_bits(tmp_path):
    palette = np.zeros((3, 256), np.uint16)
    palette[1, 7] = 32768

    content = tiff(np.full((4, 4), 7, np.uint8), photometric="palette", colormap=palette)
    (still,) = read(keep(tmp_path, content))

    assert still.exposure == pytest.approx(np.full((4, 4), 0.7152 * 32768 / 65535), abs=1e-12)


def test_jpeg_codes_are_those_that_its_decoder_gives(tmp_path):
    """Truth: a JPEG of one grey decodes to that grey."""
    (still,) = read(keep(tmp_path, pillow(Image.new("L", (32, 16), 77), "JPEG", quality=95)))

    assert still.exposure == pytest.approx(np.full((16, 32), 77 / 255), abs=1e-12)


@pytest.mark.parametrize(("orientation", "is_kept_along_y"), [(1, False), (3, False), (6, True)])
def test_a_jpeg_says_along_which_axis_it_rounds(tmp_path, orientation, is_kept_along_y):
    """Truth by construction: steps of 250 along y lose a wave of 20 codes, one to a block; then it is turned."""
    steps = np.full((8, 8), 1)
    steps[1:, 0] = 250
    wave = 20 * np.sin(np.arange(64) * np.pi / 4)
    exif = Image.Exif()
    exif[0x0112] = orientation
    picture = Image.fromarray(np.round(128 + np.add.outer(wave, wave)).astype(np.uint8))

    (still,) = read(keep(tmp_path, pillow(picture, "JPEG", qtables=[steps.ravel().tolist()], exif=exif)))

    swing_y, swing_x = (float(np.ptp(still.exposure.mean(axis=1 - axis))) for axis in (0, 1))
    assert (swing_y > 5 * swing_x) if is_kept_along_y else (swing_x > 5 * swing_y)
    expected = steps.T if is_kept_along_y else steps
    assert still.rounding.steps_at(0.5) == pytest.approx(expected / 255)


def test_a_picture_that_keeps_its_codes_says_nothing_of_rounding(tmp_path):
    (still,) = read(keep(tmp_path, pillow(Image.new("L", (32, 16), 77), "PNG")))

    assert still.rounding is None


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("form", ["JPEG", "PNG", "TIFF"])
def test_a_picture_taken_sideways_is_turned_upright(tmp_path, orientation, form):
    """Truth: Pillow's own reading of the EXIF orientation, an independent one."""
    blocks = np.array([[10, 60, 110], [160, 210, 250]], np.uint8)
    picture = Image.fromarray(np.kron(blocks, np.ones((16, 16), np.uint8)))
    exif = Image.Exif()
    exif[0x0112] = orientation
    options = {"quality": 100} if form == "JPEG" else {}
    content = pillow(picture, form, exif=exif, **options)
    picture.getexif()[0x0112] = orientation
    upright = np.asarray(ImageOps.exif_transpose(picture))

    (still,) = read(keep(tmp_path, content))

    assert np.array_equal(np.rint(still.exposure * 255), upright)


def test_an_opaque_alpha_channel_is_ignored(tmp_path):
    codes = noise((5, 6, 4), np.uint8)
    codes[..., 3] = 255

    (still,) = read(keep(tmp_path, png(codes)))

    assert still.exposure == pytest.approx(codes[..., :3] / 255 @ REC_709, abs=1e-12)


@pytest.mark.parametrize("encode", [png, lambda codes: tiff(codes, photometric="rgb", extrasamples=["unassalpha"])])
def test_a_transparent_picture_is_refused(tmp_path, encode):
    codes = noise((5, 6, 4), np.uint8)

    with pytest.raises(UnusableInput, match="transparent"):
        read(keep(tmp_path, encode(codes)))


def test_one_pixel_is_a_picture(tmp_path):
    (still,) = read(keep(tmp_path, png(np.array([[9]], np.uint8))))

    assert still.exposure.shape == (1, 1)


def test_reading_leaves_no_warning_and_no_output(tmp_path, capfd):
    content = bytearray(tiff(noise((9, 9), np.uint8), software="bench"))
    content[10] ^= 0xFF
    path = keep(tmp_path, bytes(content))

    with contextlib.suppress(UnusableInput):
        read(path)
    captured = capfd.readouterr()

    assert captured.out == ""
    assert captured.err == ""


CODES_8 = noise((24, 24), np.uint8)
CODES_16_RGB = noise((24, 24, 3), np.uint16)
UNUSABLE = {
    "a PNG cut in the middle": (png(CODES_8)[:300], "damaged"),
    "a 16-bit PNG cut in the middle": (png(CODES_16_RGB)[:900], "damaged"),
    "a PNG that ends after its signature": (b"\x89PNG\r\n\x1a\n", "damaged"),
    "a PNG without its header chunk": (b"\x89PNG\r\n\x1a\n" + png_chunk(b"IDAT", b"") * 4, "damaged"),
    "a PNG of no size": (png_claiming(0, 5), "0 x 5 pixels"),
    "a PNG that claims 4 thousand million pixels": (png_claiming(65535, 65535), "65535 x 65535"),
    "a PNG of 65 million pixels": (png_claiming(8000, 8125), "more than the 64 million"),
    "a PNG whose second header claims billions of pixels": (
        png(CODES_8)[:33]
        + png_chunk(b"IHDR", struct.pack(">IIBBBBB", 1 << 16, 1 << 17, 8, 0, 0, 0, 0))
        + png(CODES_8)[33:],
        "damaged",
    ),
    "a PNG with far too little in it": (png_claiming(1000, 1000), "damaged"),
    "a 1-bit PNG": (png_claiming(8, 8, bits=1), "1 bit a channel"),
    "a 4-bit PNG": (png_claiming(8, 8, bits=4), "4 bit a channel"),
    "an animated PNG": (
        pillow(Image.new("L", (4, 4)), "PNG", save_all=True, append_images=[Image.new("L", (4, 4), 9)]),
        "animated",
    ),
    "a JPEG cut in the middle": (pillow(Image.fromarray(CODES_8), "JPEG")[:400], "damaged"),
    "a JPEG of nothing but its mark": (b"\xff\xd8\xff\xe0", "damaged"),
    "a CMYK JPEG": (pillow(Image.new("CMYK", (8, 8)), "JPEG"), "CMYK"),
    "a CMYK TIFF": (tiff(noise((8, 8, 4), np.uint8), photometric="separated"), "SEPARATED"),
    "a TIFF of floating-point numbers": (tiff(np.full((8, 8), np.nan, np.float32)), "floating-point"),
    "a TIFF of signed numbers": (tiff(np.zeros((8, 8), np.int16)), "signed"),
    "a TIFF of 32 bits": (tiff(np.zeros((8, 8), np.uint32)), "32 bits"),
    "a 1-bit TIFF": (pillow(Image.new("1", (8, 8)), "TIFF"), "1 bit a channel"),
    "a TIFF cut in the middle": (tiff(CODES_16_RGB)[:1500], "damaged"),
    "a TIFF of its first four bytes": (b"II*\0", "damaged"),
    "a TIFF whose directory lies beyond its end": (b"II*\0" + struct.pack("<I", 1 << 30), "damaged"),
    "a TIFF without a directory": (b"II*\0" + struct.pack("<I", 0), "damaged"),
    "a TIFF compressed as JPEG": (tiff(noise((16, 16), np.uint8), compression="jpeg"), "compression"),
    "a volume": (
        tiff(noise((4, 16, 16), np.uint8), photometric="minisblack", volumetric=True, tile=(4, 16, 16)),
        "vol",
    ),
}


@pytest.mark.parametrize("what", UNUSABLE)
def test_an_unusable_picture_is_refused_in_one_line(tmp_path, what):
    content, seen = UNUSABLE[what]

    with pytest.raises(UnusableInput, match=seen) as caught:
        read(keep(tmp_path, content, "bench.png"))

    assert str(caught.value).startswith("bench.png: ")
    assert "\n" not in str(caught.value)
    assert caught.value.remedy.endswith(".")


def test_a_cut_jpeg_is_refused_where_printing_has_taught_the_decoder_to_fill_gaps(tmp_path, monkeypatch):
    """Symptom: once a document had been printed, half a JPEG was measured as if it were whole."""
    monkeypatch.setattr(ImageFile, "LOAD_TRUNCATED_IMAGES", True)
    content, seen = UNUSABLE["a JPEG cut in the middle"]

    with pytest.raises(UnusableInput, match=seen):
        read(keep(tmp_path, content, "bench.jpg"))


def one_directory(entries, after=0):
    """Return a little-endian TIFF of one directory: entries are (tag, type, count, value)."""
    body = b"".join(struct.pack("<HHII", *entry) for entry in entries)
    return b"II*\0" + struct.pack("<IH", 8, len(entries)) + body + struct.pack("<I", after)


@pytest.mark.parametrize(
    ("content", "seen"),
    [
        (one_directory([(256, 4, 1, 9), (257, 4, 1, 9), (273, 4, 0xFFFFFFFF, 8)]), "damaged"),
        (one_directory([(256, 4, 1, 9)], after=8), "damaged"),
        (b"II*\0" + struct.pack("<IH", 8, 65535) + bytes(40), "damaged"),
        (one_directory([(256, 4, 1, 60000), (257, 4, 1, 60000), (273, 4, 1, 8), (279, 4, 1, 8)]), "60000 x 60000"),
        (
            one_directory(
                [
                    *((tag, 4, 1, 5000) for tag in (256, 257)),
                    (258, 3, 1, 8),
                    *((tag, 3, 1, 1) for tag in (259, 262)),
                    (273, 4, 1, 8),
                    (277, 3, 1, 65535),
                    (279, 4, 1, 8),
                ]
            ),
            "65535 colour channels",
        ),
    ],
    ids=[
        "a tag of 4 thousand million values",
        "a ring of pages",
        "65 535 tags",
        "a page of 3.6 thousand million pixels",
        "65 535 channels",
    ],
)
def test_a_tiff_that_claims_more_than_it_has_is_refused_before_memory_is_taken(tmp_path, content, seen):
    with pytest.raises(UnusableInput, match=seen):
        read(keep(tmp_path, content))


def test_a_tiff_whose_strip_unpacks_to_a_flood_is_refused(tmp_path):
    """Truth: 50 MB of zeros in a strip that should hold 256 bytes."""
    content = bytearray(tiff(np.zeros((16, 16), np.uint8), compression="zlib"))
    flood = zlib.compress(bytes(50_000_000), 9)
    with tifffile.TiffFile(io.BytesIO(bytes(content))) as file:
        tags = file.pages[0].tags
        places = {tags["StripOffsets"].valueoffset: len(content), tags["StripByteCounts"].valueoffset: len(flood)}
    for place, value in places.items():
        content[place - 6 : place - 4] = struct.pack("<H", 4)
        content[place : place + 4] = struct.pack("<I", value)

    with pytest.raises(UnusableInput, match="damaged"):
        read(keep(tmp_path, bytes(content) + flood))


def test_many_pages_together_are_bounded(tmp_path):
    """Truth: two pages of 49 million pixels each pass alone; together they are more than 96 million."""
    content = tiff(np.zeros((2, 7000, 7000), np.uint8), photometric="minisblack", compression="zlib")

    with pytest.raises(UnusableInput, match="98 million pixels would be measured"):
        read(keep(tmp_path, content))
