"""What every document says of itself: number, issuer, moment, and who issues it."""

from dataclasses import dataclass
from datetime import datetime

from inspect_app.errors import UnusableInput
from inspect_app.model import Person

PAGE_SIZES = ("A4", "Letter")


@dataclass(frozen=True, slots=True, kw_only=True)
class Imprint:
    """What a document of any kind shows beside its matter.

    Parameters
    ----------
    number : str
        Of the document, such as ``C-2026-0001``; empty for a draft, which is no issued document.
    issuer : str
        Who issues it: name, and after line breaks the address.
    issued_at : datetime
        With a time zone; printed in UTC.
    notices : tuple of str
        What has to be known of documents before this one, a sentence each.
    address : str
        Where people reach the record that can confirm this document; may be empty.
    page_size : str
        ``A4`` or ``Letter``.
    """

    number: str
    issuer: str
    issued_at: datetime
    issued_by: Person
    program_version: str
    notices: tuple[str, ...] = ()
    address: str = ""
    page_size: str = "A4"

    def __post_init__(self) -> None:
        if not self.issuer.strip():
            raise UnusableInput("issuer", "no name is given", "Say in the settings who issues documents.")
        if self.issued_at.tzinfo is None:
            raise ValueError("the time of issue needs a time zone")
        if self.page_size not in PAGE_SIZES:
            raise ValueError(f"{self.page_size} is none of {', '.join(PAGE_SIZES)}")
