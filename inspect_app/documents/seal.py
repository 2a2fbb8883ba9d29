"""The seal that documents are signed with: a key and its certificate, and making one where none is given.

A seal made here is an ECDSA key on P-256 whose certificate comes from an authority of its own. The authority signs this
one certificate and its key is then thrown away, so that nobody can ever make a second seal in its name.
"""

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final, TypeGuard

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    KeySerializationEncryption,
    NoEncryption,
    PrivateFormat,
    pkcs12,
)
from cryptography.x509.oid import NameOID

from inspect_app.errors import UnusableInput

_VALID: Final = timedelta(days=10 * 365)  # common practice, no source: as long as delivered equipment is kept in use
_SLACK: Final = timedelta(days=1)  # clocks of two machines need not agree
_LONGEST_NAME: Final = 64  # X.520, upper bounds of commonName and organizationName (from memory)
_SMALLEST_RSA_BITS: Final = 2048


@dataclass(frozen=True, slots=True, kw_only=True)
class Seal:
    """What a document is signed with; all DER but the authority.

    Parameters
    ----------
    key : bytes
        Private key, PKCS #8.
    certificate : bytes
        Of the key.
    chain : tuple of bytes
        Certificates between it and the authority.
    authority : str
        The certificate on which trust rests, as PEM.
    """

    key: bytes = field(repr=False)
    certificate: bytes
    chain: tuple[bytes, ...]
    authority: str


def make_seal(organisation: str, passphrase: str, at: datetime) -> bytes:
    """Return a new seal as PKCS #12; without a passphrase its key is not encrypted."""
    authority_key, key = ec.generate_private_key(ec.SECP256R1()), ec.generate_private_key(ec.SECP256R1())
    authority_name = _name(organisation, "Authority for sealed documents")
    authority = (
        _certificate(authority_name, authority_name, authority_key.public_key(), at)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(key_cert_sign=True), critical=True)
        .sign(authority_key, hashes.SHA256())
    )
    certificate = (
        _certificate(_name(organisation, "Seal of inspection documents"), authority_name, key.public_key(), at)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(digital_signature=True, content_commitment=True), critical=True)
        .sign(authority_key, hashes.SHA256())
    )
    return pkcs12.serialize_key_and_certificates(b"seal", key, certificate, [authority], _encryption(passphrase))


def _name(organisation: str, role: str) -> x509.Name:
    return x509.Name(
        [
            x509.NameAttribute(NameOID.ORGANIZATION_NAME, organisation[:_LONGEST_NAME]),
            x509.NameAttribute(NameOID.COMMON_NAME, role),
        ]
    )


def _certificate(
    subject: x509.Name, issuer: x509.Name, key: ec.EllipticCurvePublicKey, at: datetime
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key)
        .serial_number(x509.random_serial_number())
        .not_valid_before(at - _SLACK)
        .not_valid_after(at + _VALID)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key), critical=False)
    )


def _usage(
    *, key_cert_sign: bool = False, digital_signature: bool = False, content_commitment: bool = False
) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=digital_signature,
        content_commitment=content_commitment,
        key_cert_sign=key_cert_sign,
        crl_sign=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        encipher_only=False,
        decipher_only=False,
    )


def _encryption(passphrase: str) -> KeySerializationEncryption:
    return BestAvailableEncryption(passphrase.encode()) if passphrase else NoEncryption()


def read_seal(where: str, packed: bytes, passphrase: str) -> Seal:
    """Return the seal in a PKCS #12 file.

    Raises
    ------
    UnusableInput
        It is none, the passphrase is another, or it holds no key and certificate fit for signing.
    """
    try:
        key, certificate, others = pkcs12.load_key_and_certificates(packed, passphrase.encode() or None)
    except ValueError as error:
        raise UnusableInput(
            where, "it cannot be opened with this passphrase", "Set the passphrase that it was made with."
        ) from error
    if certificate is None or not _is_fit(key):
        raise UnusableInput(
            where, "it holds no elliptic-curve or RSA key with a certificate", "Give a PKCS #12 file made for signing."
        )
    authority = next((other for other in others if other.issuer == other.subject), certificate)
    return Seal(
        key=key.private_bytes(Encoding.DER, PrivateFormat.PKCS8, NoEncryption()),
        certificate=certificate.public_bytes(Encoding.DER),
        chain=tuple(other.public_bytes(Encoding.DER) for other in others if other != authority),
        authority=authority.public_bytes(Encoding.PEM).decode(),
    )


def _is_fit(key: object) -> TypeGuard[rsa.RSAPrivateKey | ec.EllipticCurvePrivateKey]:
    if isinstance(key, rsa.RSAPrivateKey):
        return key.key_size >= _SMALLEST_RSA_BITS
    return isinstance(key, ec.EllipticCurvePrivateKey)
