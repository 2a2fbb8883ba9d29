"""Files become captures: arrays proportional to exposure, films frame by frame, logs as columns."""

from inspect_app.capture._codes import MOST_PIXELS
from inspect_app.capture._read import kind_of, read
from inspect_app.capture.kinds import BoolArray, Capture, Film, FloatArray, Log, Still

__all__ = ["MOST_PIXELS", "BoolArray", "Capture", "Film", "FloatArray", "Log", "Still", "kind_of", "read"]
