"""A file inside a document."""

import hashlib
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
