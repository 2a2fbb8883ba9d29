"""Proving a signed document from its bytes alone: is the seal whole, whose is it, was anything added, what is inside.

Every byte counts. The signed ranges are covered by the signature; the place that holds the signature itself is proved
byte by byte against its only permitted spelling, and whatever comes behind the last range is an addition.
"""

import hashlib
import io
import logging
import re
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

import pikepdf
from asn1crypto import cms, pem, x509
from pyhanko.pdf_utils.misc import PdfError
from pyhanko.pdf_utils.reader import PdfFileReader
from pyhanko.sign.general import SigningError
from pyhanko.sign.validation import validate_pdf_signature
from pyhanko.sign.validation.errors import SignatureValidationError
from pyhanko.sign.validation.pdf_embedded import EmbeddedPdfSignature
from pyhanko.sign.validation.settings import KeyUsageConstraints
from pyhanko.sign.validation.status import PdfSignatureStatus
from pyhanko_certvalidator import ValidationContext

from inspect_app.documents.apart import apart
from inspect_app.errors import UnusableInput

LARGEST_PDF_BYTES: Final = 100_000_000
_LARGEST_ATTACHMENT_BYTES: Final = 200_000_000  # a small file may unfold into more than a machine holds
_SIGNED_RANGES: Final = re.compile(rb"/ByteRange \[0 \d{1,12} (\d{1,12}) (\d{1,12}) *\]")
# What reading a damaged or a hostile file was seen to end in: the libraries promise nothing narrower.
_UNREADABLE: Final = (
    PdfError,
    SignatureValidationError,
    SigningError,
    pikepdf.PdfError,
    ArithmeticError,
    AssertionError,
    AttributeError,
    LookupError,
    NotImplementedError,
    RecursionError,
    TypeError,
    ValueError,
    zlib.error,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Attached:
    """A file inside a document."""

    name: str
    sha256: str
    content: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class SealProof:
    """What a file says about its own signature.

    Parameters
    ----------
    problems : tuple of str
        What is wrong with the signature, in words; none when every byte is as it was signed.
    signer : str
        Whose seal it is, by its certificate; empty where that cannot be read.
    signed_at : datetime or None
        As the signer stated it; no third party vouches for the time.
    is_trusted : bool
        An authority that was given vouches for the signer.
    authority : str
        Who vouches, by the certificate; for whom no given authority vouches, who claims to.
    """

    problems: tuple[str, ...]
    signer: str = ""
    signed_at: datetime | None = None
    is_trusted: bool = False
    authority: str = ""

    @property
    def is_whole(self) -> bool:
        """Whether every byte is as it was signed."""
        return not self.problems


def prove_seal(pdf: bytes, authorities: Sequence[str]) -> SealProof:
    """Prove the signature of a file.

    Parameters
    ----------
    pdf : bytes
        The whole file.
    authorities : sequence of str
        Trusted certificates as PEM; none are fetched from anywhere.

    Raises
    ------
    UnusableInput
        One of them is no certificate.
    """
    logging.getLogger("pyhanko").setLevel(logging.CRITICAL)  # what it would log is told by the proof
    logging.getLogger("pyhanko_certvalidator").setLevel(logging.CRITICAL)
    if len(pdf) > LARGEST_PDF_BYTES:
        return SealProof(problems=(f"it is larger than {LARGEST_PDF_BYTES // 1_000_000} MB, no document is",))
    trusted = [_certificate(authority) for authority in authorities]
    try:
        return _proved(pdf, trusted)
    except _UNREADABLE:
        return SealProof(problems=(*_appended(pdf), "it cannot be read as a signed PDF: it is damaged, or none"))


def _appended(pdf: bytes) -> Iterator[str]:
    """Yield how much stands behind the end that the last signature names, for a file that cannot be read."""
    for found in list(_SIGNED_RANGES.finditer(pdf))[-1:]:
        end = int(found[1]) + int(found[2])
        if len(pdf) > end:
            yield _added(len(pdf) - end)


def _added(count: int) -> str:
    return f"{count} bytes were appended after it was signed"


def _proved(pdf: bytes, authorities: list[x509.Certificate]) -> SealProof:
    found = PdfFileReader(io.BytesIO(pdf)).embedded_signatures
    if len(found) != 1:
        return SealProof(problems=("it carries no signature" if not found else f"it carries {len(found)} signatures",))
    signature = found[0]
    signed_at = signature.self_reported_timestamp
    context = ValidationContext(
        trust_roots=authorities, allow_fetching=False, moment=signed_at or datetime.now(UTC), other_certs=[]
    )
    usage = KeyUsageConstraints(key_usage={"non_repudiation", "digital_signature"}, match_all_key_usages=False)
    status = apart(lambda: validate_pdf_signature(signature, context, key_usage_settings=usage, skip_diff=True))
    certificate = status.signing_cert
    return SealProof(
        problems=(*_spelling_problems(pdf, signature), *_status_problems(status)),
        signer=certificate.subject.human_friendly,
        signed_at=signed_at,
        is_trusted=bool(status.trusted),
        authority=certificate.issuer.human_friendly,
    )


def _status_problems(status: PdfSignatureStatus) -> Iterator[str]:
    if not status.intact:
        yield "bytes were changed after it was signed"
    if not status.valid:
        yield "the signature itself was changed"


def _spelling_problems(pdf: bytes, signature: EmbeddedPdfSignature) -> Iterator[str]:
    """Yield what the signature does not cover: bytes behind it, and any other spelling of itself."""
    start, first, second, rest = (int(place) for place in signature.byte_range)
    if start != 0 or not first < second:
        yield "the signature does not cover the file from its beginning"
    # Its own ranges count, not the last ones that stand in the file: an addition may hold false ones.
    if len(pdf) > second + rest:
        yield _added(len(pdf) - second - rest)
    if len(pdf) < second + rest:
        yield "the end of the file is missing"
    gap, spelled = pdf[first:second], b"<" + _only_spelling(signature.signed_data).hex().upper().encode()
    if gap != spelled + b"0" * (len(gap) - len(spelled) - 1) + b">":
        yield "the place of the signature was changed"


def _only_spelling(found: cms.SignedData) -> bytes:
    """Return the signature as this program writes it (RFC 5652, 5.1 and 5.3).

    Versions, the list of digests and the empty content are signed by nobody; they have one permitted value each.
    """
    signer = found["signer_infos"][0]
    again = cms.SignedData(
        {
            "version": "v1",
            "digest_algorithms": [signer["digest_algorithm"]],
            "encap_content_info": {"content_type": "data"},
            "certificates": found["certificates"],
            "signer_infos": [
                {
                    "version": "v1",
                    "sid": signer["sid"],
                    "digest_algorithm": signer["digest_algorithm"],
                    "signed_attrs": signer["signed_attrs"],
                    "signature_algorithm": signer["signature_algorithm"],
                    "signature": signer["signature"],
                }
            ],
        }
    )
    spelled: bytes = cms.ContentInfo({"content_type": "signed_data", "content": again}).dump()
    return spelled


def attachments(pdf: bytes) -> tuple[Attached, ...]:
    """Return the files inside a file; none from one that cannot be read, or that unfolds beyond all measure."""
    try:
        with pikepdf.open(io.BytesIO(pdf)) as opened:
            specifications = [(name, opened.attachments[name].obj) for name in sorted(opened.attachments)]
            return tuple(_attached(name, specification.EF.F) for name, specification in specifications)
    except _UNREADABLE:
        return ()


def _attached(name: str, stream: Any) -> Attached:
    content = stream.read_raw_bytes()
    if "/Filter" in stream:
        unfolding = zlib.decompressobj()
        content = unfolding.decompress(content, _LARGEST_ATTACHMENT_BYTES)
        if unfolding.unconsumed_tail:
            raise ValueError(f"{name} unfolds into more than {_LARGEST_ATTACHMENT_BYTES} bytes")
    return Attached(name=name, sha256=hashlib.sha256(content).hexdigest(), content=content)


def title(pdf: bytes) -> str:
    """Return the title that a file gives itself; empty where it cannot be read."""
    try:
        with pikepdf.open(io.BytesIO(pdf)) as opened:
            return str(opened.docinfo.get("/Title", ""))
    except _UNREADABLE:
        return ""


def _certificate(authority: str) -> x509.Certificate:
    try:
        _, _, der = pem.unarmor(authority.encode())
        certificate = x509.Certificate.load(der, strict=True)
        certificate.native  # noqa: B018  (parsed only when it is looked at)
    except (ValueError, TypeError) as error:
        raise UnusableInput("authority", "it is no certificate", "Give the issuer's certificate as PEM.") from error
    return certificate
