"""Everything that one document shows, as one frozen value."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from inspect_app.definitions.values import Contract, Form
from inspect_app.documents.imprint import Imprint
from inspect_app.model import Inspection, Judgement, Verdict

REPLY_DAYS = 30  # common practice, no source: a contract that says otherwise is followed by giving `reply_days`


@dataclass(frozen=True, slots=True, kw_only=True)
class Exhibit:
    """A square part of a picture that shows why a device was rejected.

    Parameters
    ----------
    caption : str
        What is seen.
    png : bytes
        The picture of the part.
    size_px : float
        Its side in pixels of the file that it was cut from.
    pixels_per_mm : float or None
        Of that file at the place inspected, where the scale is known.
    """

    caption: str
    png: bytes
    size_px: float
    pixels_per_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper(Imprint):
    """What a certificate or a rejection notice is made from; the same paper gives the same bytes.

    Parameters
    ----------
    inspection : Inspection
        Signed, with the newest entry of each step.
    form, contract
        As pinned by the inspection.
    judgements : tuple of Judgement
        In the order in which they are printed.
    verdict : Verdict
        Accepted or rejected; a held device has no document.
    thumbnails : mapping of str to bytes
        PNG pictures of the evidence by the SHA-256 of the file that they stand for.
    exhibits : tuple of Exhibit
        Parts of the evidence that show what decided, enlarged.
    reply_days : int
        Days after issue by which the supplier is asked to answer a rejection notice.
    deviations : tuple of str
        Departures from the procedure, a sentence each, beside those that the entries tell.
    """

    inspection: Inspection
    form: Form
    contract: Contract
    judgements: tuple[Judgement, ...]
    verdict: Verdict
    thumbnails: Mapping[str, bytes] = field(default_factory=dict)
    exhibits: tuple[Exhibit, ...] = ()
    reply_days: int = REPLY_DAYS
    deviations: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        Imprint.__post_init__(self)
        if self.reply_days < 1:
            raise ValueError(f"a reply cannot be asked for within {self.reply_days} days")

    @property
    def reply_by(self) -> datetime:
        """The day by which an answer is asked for."""
        return self.issued_at + timedelta(days=self.reply_days)
