"""What people and scanners type: control characters that a scanner adds, texts that are serials in the wrong place."""

import re
from typing import Final

_SERIAL_SHAPE: Final = re.compile(r"[A-Za-z]{1,6}[-/ ]?[A-Za-z0-9]*[-/ ]?\d{2,}[A-Za-z0-9-]*")
_CONTROL: Final = re.compile(r"[\x00-\x08\x0b-\x1f\x7f]")


def looks_like_serial(text: str) -> bool:
    """Say whether a text that is no number is shaped like a serial: letters first, then at least two digits."""
    return _SERIAL_SHAPE.fullmatch(text.strip()) is not None


def without_control_characters(text: str) -> str:
    """Return the text without the carriage returns, group separators and the like that scanners send."""
    return _CONTROL.sub("", text.replace("\r\n", "\n").replace("\r", "\n")).strip("\n")
