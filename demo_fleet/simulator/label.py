"""A photograph of a device's label, as an inspector takes it for the record."""

import io
import zlib
from typing import Final

import numpy as np
from PIL import Image, ImageDraw, ImageFont

SIZE_PX: Final = (480, 300)
HOUSING, PLATE, INK = (52, 56, 54), (196, 198, 190), (28, 30, 30)
GRAIN_CODES: Final = 4.0


def label_photo(maker: str, serial: str) -> bytes:
    """Return a PNG of a serial plate on a housing; the same maker and serial give the same bytes."""
    picture = Image.new("RGB", SIZE_PX, HOUSING)
    draw = ImageDraw.Draw(picture)
    draw.rounded_rectangle((40, 60, 440, 240), radius=14, fill=PLATE, outline=INK, width=3)
    for x, y in ((60, 80), (420, 80), (60, 220), (420, 220)):
        draw.ellipse((x - 7, y - 7, x + 7, y + 7), fill=HOUSING, outline=INK)
    draw.text((240, 105), maker.upper(), fill=INK, anchor="mm", font=ImageFont.load_default(24))
    draw.text((240, 155), serial, fill=INK, anchor="mm", font=ImageFont.load_default(40))
    draw.text((240, 205), "INVENTED FOR DEMONSTRATION", fill=INK, anchor="mm", font=ImageFont.load_default(14))
    grain = np.random.default_rng(zlib.crc32(f"{maker} {serial}".encode())).normal(0, GRAIN_CODES, SIZE_PX[::-1])
    codes = np.clip(np.asarray(picture) + grain[..., np.newaxis], 0, 255).astype(np.uint8)
    stream = io.BytesIO()
    Image.fromarray(codes).save(stream, format="PNG", compress_level=6)
    return stream.getvalue()
