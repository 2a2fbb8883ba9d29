"""Picture files with repeatable bytes."""

from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from PIL import Image

CODES_PER_BYTE: Final = 257  # 65535 / 255


def save_png8(path: Path, codes: npt.NDArray[np.uint16]) -> Path:
    """Save 16-bit codes of shape (rows, cols) as an 8-bit grey PNG."""
    return _save(path, np.rint(codes / CODES_PER_BYTE).astype(np.uint8))


def save_png16(path: Path, codes: npt.NDArray[np.uint16]) -> Path:
    """Save 16-bit codes of shape (rows, cols) as a 16-bit grey PNG."""
    return _save(path, codes)


def _save(path: Path, values: npt.NDArray[Any]) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(values).save(path, format="PNG", compress_level=6)
    return path
