"""What arrives for a step before it is answered: captures that were sent, phones that send them, blind readings."""

from dataclasses import dataclass
from datetime import datetime

from inspect_app.model.record import Evidence, Person


@dataclass(frozen=True, slots=True, kw_only=True)
class Pairing:
    """The right of whoever holds a token to add captures to one inspection, until it expires or is ended.

    `step_id` is the step that the person stood at, to which the captures most likely belong.
    """

    id: int
    inspection_id: int
    step_id: str | None
    made_by: Person
    made_at: datetime
    expires_at: datetime
    ended_at: datetime | None = None

    def is_active(self, now: datetime) -> bool:
        """Say whether captures may still be added."""
        return self.ended_at is None and now < self.expires_at


@dataclass(frozen=True, slots=True, kw_only=True)
class BlindReading:
    """What one of several readers read, before it was seen with the others'.

    `after_revision` is that of the entry that was recorded before, 0 where none was: readings with the same one belong
    together.
    """

    text: str
    reader: Person
    read_at: datetime
    after_revision: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SentCapture:
    """A kept file that was sent for an inspection; `pairing` tells the phone that it came from."""

    id: int
    file: Evidence
    sent_at: datetime
    sent_by: Person
    pairing: Pairing | None = None
