"""The seal on a document: whole files are proved, and no changed or added byte goes unseen.

The truth is the change that the test makes itself; poppler's pdfsig, which verifies with the NSS library, is the second
opinion.
"""

import asyncio
import io
import random
import subprocess
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime

import pikepdf
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.serialization import BestAvailableEncryption, pkcs12
from cryptography.x509.oid import NameOID
from pyhanko.pdf_utils.generic import TextStringObject, pdf_name
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter

from inspect_app.documents.proving import attachments, prove_seal
from inspect_app.documents.seal import make_seal, read_seal
from inspect_app.documents.signing import sign
from inspect_app.errors import UnusableInput

ISSUED = datetime(2026, 11, 25, 9, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def seal():
    return read_seal("seal", make_seal("Invented Buyer", "", ISSUED), "")


@pytest.fixture(scope="module")
def sealed(certificate, seal):
    return sign(certificate, seal, at=ISSUED, reason="Issued")


def place_of_signature(pdf):
    """Return where the signature itself stands: the one long run of hexadecimal digits, with its brackets."""
    start = pdf.rindex(b"/Contents <") + len(b"/Contents ")
    return range(start, pdf.index(b">", start) + 1)


def flipped(pdf, place, bit):
    return pdf[:place] + bytes([pdf[place] ^ (1 << bit)]) + pdf[place + 1 :]


def test_the_signature_stands_behind_the_rendered_file_which_stays_as_it_was(certificate, sealed):
    assert sealed.startswith(certificate)


def test_a_sealed_file_is_whole_and_says_whose_it_is_and_when(sealed, seal):
    proof = prove_seal(sealed, [seal.authority])

    assert (proof.problems, proof.is_trusted, proof.signed_at) == ((), True, ISSUED)
    assert "Invented Buyer" in proof.signer


def test_a_file_is_sealed_and_proved_where_an_event_loop_runs_already(certificate, seal):
    async def seal_and_prove():
        return prove_seal(sign(certificate, seal, at=ISSUED, reason="Issued"), [seal.authority])

    # In a thread of its own: where a browser was driven before, this one has a loop already.
    with ThreadPoolExecutor(1) as thread:
        proof = thread.submit(lambda: asyncio.run(seal_and_prove())).result()

    assert proof.problems == ()


def test_another_program_finds_the_signature_valid_and_the_whole_file_signed(sealed, tmp_path):
    path = tmp_path / "sealed.pdf"
    path.write_bytes(sealed)

    said = subprocess.run(["pdfsig", path], capture_output=True, text=True, check=False).stdout

    assert "Signature Validation: Signature is Valid." in said
    assert "Signature Type: ETSI.CAdES.detached" in said
    assert "Total document signed" in said


@pytest.mark.parametrize("bit", range(8))
def test_a_changed_byte_anywhere_is_found(sealed, seal, bit):
    chance = random.Random(bit)
    places = [chance.randrange(len(sealed)) for _ in range(8)]

    whole = [place for place in places if prove_seal(flipped(sealed, place, bit), [seal.authority]).is_whole]

    assert whole == []


@pytest.mark.parametrize("bit", range(8))
def test_a_changed_byte_in_the_signature_itself_is_found(sealed, seal, bit):
    """No signature covers its own place: padding, spelling and the unsigned parts are proved one by one."""
    inside = place_of_signature(sealed)
    places = random.Random(bit).sample(inside, 16)

    whole = [place for place in places if prove_seal(flipped(sealed, place, bit), [seal.authority]).is_whole]

    assert whole == []


@pytest.mark.parametrize("tail", [b"\n", b" " * 40, b"%%EOF\n"])
def test_bytes_that_were_appended_are_counted(sealed, seal, tail):
    proof = prove_seal(sealed + tail, [seal.authority])

    assert f"{len(tail)} bytes were appended after it was signed" in proof.problems


def test_an_update_that_was_appended_after_signing_is_found(sealed, seal):
    writer = IncrementalPdfFileWriter(io.BytesIO(sealed))
    writer.root[pdf_name("/Lang")] = TextStringObject("de")
    writer.update_root()
    updated = io.BytesIO()
    writer.write(updated)

    proof = prove_seal(updated.getvalue(), [seal.authority])

    assert any("appended after it was signed" in problem for problem in proof.problems)


def test_an_addition_that_claims_to_be_signed_to_its_end_is_found_all_the_same(sealed, seal):
    """The forger appends ranges that end where the forged file ends, for whoever looks for the last ones."""
    length = len(sealed) + len(b"\n% /ByteRange [0 0001 0000000002 0000000000]\n")
    tail = f"\n% /ByteRange [0 0001 0000000002 {length - 2:010d}]\n".encode()

    proof = prove_seal(sealed + tail, [seal.authority])

    assert f"{len(tail)} bytes were appended after it was signed" in proof.problems


@pytest.mark.parametrize(
    "authority", ["", "no certificate", "-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n"]
)
def test_an_authority_that_is_no_certificate_is_told(sealed, authority):
    with pytest.raises(UnusableInput, match="no certificate"):
        prove_seal(sealed, [authority])


@pytest.mark.parametrize("kept", [0, 1, 1000, -1])
def test_a_cut_file_is_no_document(sealed, seal, kept):
    assert not prove_seal(sealed[:kept], [seal.authority]).is_whole


def test_a_file_without_a_signature_is_told_so(certificate, seal):
    assert prove_seal(certificate, [seal.authority]).problems == ("it carries no signature",)


def test_a_seal_that_somebody_made_in_our_name_is_whole_but_not_trusted(certificate, seal):
    other = read_seal("other", make_seal("Invented Buyer", "", ISSUED), "")

    proof = prove_seal(sign(certificate, other, at=ISSUED, reason="Issued"), [seal.authority])

    assert (proof.is_whole, proof.is_trusted) == (True, False)


def test_a_signature_outside_the_life_of_its_certificate_is_not_trusted(certificate, seal):
    late = sign(certificate, seal, at=datetime(2046, 1, 1, tzinfo=UTC), reason="Issued")

    assert not prove_seal(late, [seal.authority]).is_trusted


def test_a_seal_made_with_a_passphrase_opens_with_no_other():
    packed = make_seal("Invented Buyer", "seven green bicycles", ISSUED)

    assert read_seal("seal", packed, "seven green bicycles").certificate
    for wrong in ("", "six green bicycles"):
        with pytest.raises(UnusableInput, match="passphrase"):
            read_seal("seal", packed, wrong)


def test_a_seal_of_the_organisation_with_an_rsa_key_serves_as_well(certificate):
    """An organisation brings PKCS #12 made elsewhere; here RSA 2048 under a certificate that vouches for itself."""
    key = rsa.generate_private_key(65537, 2048)
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Invented Laboratory")])
    usage = x509.KeyUsage(True, True, False, False, False, False, False, False, False)  # noqa: FBT003 (the library's order)
    own = (
        x509.CertificateBuilder(name, name, key.public_key(), 7, ISSUED, datetime(2030, 1, 1, tzinfo=UTC))
        .add_extension(usage, critical=True)
        .sign(key, hashes.SHA256())
    )
    packed = pkcs12.serialize_key_and_certificates(b"own", key, own, None, BestAvailableEncryption(b"open"))
    seal = read_seal("own.p12", packed, "open")

    proof = prove_seal(sign(certificate, seal, at=ISSUED, reason="Issued"), [seal.authority])

    assert (proof.problems, proof.is_trusted) == ((), True)


def test_the_signed_file_keeps_what_an_archive_asks_for(sealed):
    with pikepdf.open(io.BytesIO(sealed)) as pdf:
        assert pdf.check_pdf_syntax() == []
        assert pdf.open_metadata().pdfa_status == "3A"
        assert len(pdf.Root.OutputIntents) == 1
        assert pdf.Root.MarkInfo.Marked
        (field,) = pdf.Root.AcroForm.Fields
        assert str(field.TU) == "Electronic seal"


def test_the_field_of_the_signature_is_described_and_stands_in_the_tree_of_tags(sealed):
    """ISO 14289-1, 7.18.4 (from memory): a widget stands in a Form; the tree of parents leads from it to there."""
    with pikepdf.open(io.BytesIO(sealed)) as pdf:
        (widget,) = pdf.pages[0].Annots
        parents = pdf.Root.StructTreeRoot.ParentTree.Nums
        form = parents[list(parents)[::2].index(widget.StructParent) * 2 + 1]

        assert (str(form.S), str(form.Alt)) == ("/Form", "Electronic seal")
        assert form.K[0].Obj.objgen == widget.objgen
        assert "/V" in widget
        assert widget.F & 2 == 0


def test_the_files_inside_are_read_and_an_unfolding_bomb_is_not(sealed, monkeypatch):
    names = [one.name for one in attachments(sealed)]
    monkeypatch.setattr("inspect_app.documents.proving._LARGEST_ATTACHMENT_BYTES", 1000)

    assert "measurements.json" in names
    assert attachments(sealed) == ()
