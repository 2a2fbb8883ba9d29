"""Saved views: the address of a list, with all that is asked of it, under a name."""

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class SavedView:
    """An address of our own pages that somebody named."""

    name: str
    address: str
    saved_at: datetime
