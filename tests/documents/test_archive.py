"""Documents as files: the same bytes each time, ready for an archive, readable by a screen reader.

Preconditions of PDF/A-3a (ISO 19005-3) and PDF/UA-1 (ISO 14289-1), both from memory, are proved part by part; no full
validator is at hand.
"""

import hashlib
import io
import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pikepdf
import pytest

from inspect_app import documents
from inspect_app.model.transcript import from_json_values
from tests.documents import papers
from tests.documents.reading import fonts_of

REPOSITORY = Path(__file__).parents[2]
RENDER_AND_HASH = (
    "import hashlib; from inspect_app import documents; from tests.documents import papers;"
    "print(hashlib.sha256(documents.render_certificate(papers.paper())).hexdigest())"
)


@pytest.fixture(scope="module")
def opened(certificate):
    with pikepdf.open(io.BytesIO(certificate)) as pdf:
        yield pdf


def elements(pdf: pikepdf.Pdf, kind: str) -> list[pikepdf.Dictionary]:
    """Return the structure elements of one kind."""
    return [o for o in pdf.objects if isinstance(o, pikepdf.Dictionary) and o.get("/S") == pikepdf.Name(kind)]


def test_the_same_paper_gives_the_same_bytes_again(certificate):
    assert documents.render_certificate(papers.paper()) == certificate


def test_the_same_paper_gives_the_same_bytes_in_another_process_with_another_hash_seed(certificate):
    run = subprocess.run(
        [sys.executable, "-c", RENDER_AND_HASH],
        cwd=REPOSITORY,
        env={"PYTHONHASHSEED": "77", "PYTHONPATH": str(REPOSITORY), "PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
        check=True,
    )

    assert run.stdout.strip() == hashlib.sha256(certificate).hexdigest()


def test_another_document_has_another_file_identifier(opened, rejection):
    with pikepdf.open(io.BytesIO(rejection)) as other:
        assert bytes(opened.trailer.ID[0]) != bytes(other.trailer.ID[0])


def test_a_document_claims_pdf_a_3a_and_names_title_and_language(opened):
    assert opened.open_metadata().pdfa_status == "3A"
    assert str(opened.Root.Lang) == "en"
    assert opened.docinfo["/Title"] == "Certificate of acceptance inspection C-2026-0001, serial QM-S-004217"
    assert opened.docinfo["/CreationDate"] == "D:20261125091200Z"
    assert opened.Root.MarkInfo.Marked
    assert len(opened.Root.OutputIntents) == 1


def test_all_fonts_are_embedded_subsets_of_the_shipped_family(certificate):
    fonts = fonts_of(certificate)

    assert fonts
    for font in fonts:
        assert font[0].partition("+")[2].startswith("Source-Sans-Pro")
        assert font[-5:-2] == ["yes", "yes", "yes"]


def test_every_figure_has_words_for_those_who_do_not_see_it(opened):
    told = [str(figure.Alt) for figure in elements(opened, "/Figure")]

    assert len(told) == 15 + 9 + 1
    assert "Latency, live view. First change after 24.0 ± 2.4 ms, half after 31.0 ± 3.0 ms, limit ≤ 50 ms." in told


def test_every_header_cell_says_whether_it_heads_a_column_or_a_row(opened):
    scopes = {str(cell.A.Scope) for cell in elements(opened, "/TH")}

    assert scopes == {"/Column", "/Row"}


def test_the_document_has_bookmarks(opened):
    with opened.open_outline() as outline:
        titles = [item.title for item in outline.root] + [
            child.title for item in outline.root for child in item.children
        ]

    assert any("Results against the contract" in title for title in titles)


def test_the_measurements_are_attached_once_and_read_back_unchanged(opened):
    attached = opened.attachments["measurements.json"]
    values = json.loads(attached.get_file().read_bytes())
    read = {step["step"]: from_json_values(step["measured"]) for step in values["steps"]}

    assert len(opened.Root.AF) == len(opened.attachments) == 3
    assert values["device"]["serial"] == "QM-S-004217"
    assert read == {step.id: found for step, found, _ in papers.runs()}


def test_the_file_is_sound_and_neither_encrypted_nor_scripted(opened):
    assert opened.check_pdf_syntax() == []
    assert not opened.is_encrypted
    assert "/JavaScript" not in opened.Root.get("/Names", {})
    assert "/OpenAction" not in opened.Root


def linked(element: pikepdf.Object) -> Iterator[tuple[pikepdf.Object, int]]:
    """Yield the page and the mark of every piece of content that the tree of tags holds."""
    for kid in element.get("/K", ()):
        if isinstance(kid, int):
            yield element.Pg.objgen, kid
        elif "/S" in kid:
            yield from linked(kid)


def marks(page: pikepdf.Page) -> Iterator[tuple[str, int | None]]:
    """Yield the tag of every marked piece of content on a page, with its mark where it has one."""
    for operands, operator in pikepdf.parse_content_stream(page):
        if str(operator) in ("BDC", "BMC"):
            properties = operands[1] if len(operands) > 1 else {}
            yield str(operands[0]), properties.get("/MCID")


def test_a_document_claims_pdf_ua_1_and_describes_the_schema_of_that_claim(opened):
    text = opened.Root.Metadata.read_bytes().decode()

    with opened.open_metadata() as metadata:
        assert metadata["{http://www.aiim.org/pdfua/ns/id/}part"] == "1"
        assert metadata.pdfa_status == "3A"
    assert text.count("<rdf:RDF") == 1
    assert "PDF/UA identification schema" in text


def test_all_that_is_marked_as_content_stands_in_the_tree_and_margins_are_set_apart(opened):
    """A running line is read to nobody: every mark of a page is one of the tree, and the rest are artifacts."""
    held = set(linked(opened.Root.StructTreeRoot.K[0]))

    for page in opened.pages:
        found = list(marks(page))
        assert {(page.objgen, mark) for _, mark in found if mark is not None} == {
            one for one in held if one[0] == page.objgen
        }
        assert sum(tag == "/Artifact" for tag, _ in found) >= 2


def test_no_list_holds_anything_but_its_items(rejection):
    with pikepdf.open(io.BytesIO(rejection)) as pdf:
        kinds = {str(kid.S) for one in elements(pdf, "/L") for kid in one.K}

    assert kinds == {"/LI"}
