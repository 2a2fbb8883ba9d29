"""Signing documents: PAdES (ETSI EN 319 142-1), one invisible signature that permits no later change.

The signature fills the field that the rendered file brings, and is appended: the file stays as it was at the beginning
of the signed one. It is invisible because a visible stamp adds nothing that could be checked on paper; what can be
checked is printed.
"""

import io
from datetime import datetime
from typing import Any, Final

from asn1crypto import keys, x509
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.pdf_utils.writer import BasePdfFileWriter
from pyhanko.sign import signers
from pyhanko.sign.fields import MDPPerm, SigSeedSubFilter
from pyhanko_certvalidator.registry import SimpleCertificateStore

from inspect_app.documents.accessible import FIELD_NAME
from inspect_app.documents.apart import apart
from inspect_app.documents.seal import Seal

_ATTRIBUTES: Final = 1024  # bytes of a signature beside certificates and what the key makes: about 400 are taken


class _SignerAt(signers.PdfSigner):
    """Signs as of a given moment; left to itself the library reads the machine's clock."""

    def __init__(self, at: datetime, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self._at = at

    def init_signing_session(self, pdf_out: BasePdfFileWriter, existing_fields_only: bool = False) -> Any:  # noqa: FBT001, FBT002 (signature of the library)
        session = super().init_signing_session(pdf_out, existing_fields_only)
        session.system_time = self._at
        return session


def sign(pdf: bytes, seal: Seal, *, at: datetime, reason: str) -> bytes:
    """Return the file with the signature of the seal behind it."""
    wanted = signers.PdfSignatureMetadata(
        field_name=FIELD_NAME,
        md_algorithm="sha256",
        reason=reason,
        subfilter=SigSeedSubFilter.PADES,
        certify=True,
        docmdp_permissions=MDPPerm.NO_CHANGES,
    )
    signer = _SignerAt(at, wanted, _signer(seal))
    writer = IncrementalPdfFileWriter(io.BytesIO(pdf))
    room = _room_for(seal)
    signed: bytes = apart(lambda: signer.sign_pdf(writer, existing_fields_only=True, bytes_reserved=room).getvalue())
    return signed


def _room_for(seal: Seal) -> int:
    """Return how many hexadecimal digits the signature may take; left to itself the library signs twice to find out."""
    of_key: int = keys.PrivateKeyInfo.load(seal.key).byte_size
    return 2 * (_ATTRIBUTES + 3 * of_key + sum(map(len, (seal.certificate, *seal.chain))))


def _signer(seal: Seal) -> signers.SimpleSigner:
    """Return the signer; the authority is left out of the file, for who trusts it has it."""
    chain = SimpleCertificateStore()  # type: ignore[no-untyped-call]  # the library's own oversight
    for certificate in seal.chain:
        chain.register(x509.Certificate.load(certificate))
    return signers.SimpleSigner(
        signing_cert=x509.Certificate.load(seal.certificate),
        signing_key=keys.PrivateKeyInfo.load(seal.key),
        cert_registry=chain,
        embed_roots=False,
    )
