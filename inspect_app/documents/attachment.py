"""A file inside a document, and JSON as it is written there."""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class AttachedFile:
    """A file inside a document."""

    name: str
    description: str
    text: str

    @property
    def sha256(self) -> str:
        """Digest of its bytes."""
        return hashlib.sha256(self.text.encode()).hexdigest()


def json_lines(values: Mapping[str, object]) -> str:
    """Return one JSON object, a line for each name: written by the encoder in C, which knows no other line breaks."""
    lines = (f"{json.dumps(name)}: {json.dumps(value, allow_nan=False)}" for name, value in values.items())
    return "\n".join(("{", ",\n".join(lines), "}", ""))
