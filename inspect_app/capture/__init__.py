"""Files become captures: arrays proportional to exposure, films frame by frame, logs as columns."""

from inspect_app.capture._codes import MOST_PIXELS
from inspect_app.capture._read import SNIFFED_BYTES, kind_of, kind_of_head, read
from inspect_app.capture.kinds import BlockRounding, BoolArray, Capture, Film, FloatArray, Log, Still

__all__ = [
    "MOST_PIXELS",
    "SNIFFED_BYTES",
    "BlockRounding",
    "BoolArray",
    "Capture",
    "Film",
    "FloatArray",
    "Log",
    "Still",
    "kind_of",
    "kind_of_head",
    "read",
]
