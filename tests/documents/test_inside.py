"""What a document carries for machines: the record by its published schema, the curves as columns, the printed code."""

import csv
import hashlib
import io
import json
import subprocess
from importlib import resources

import jsonschema
import numpy as np
import pikepdf
import pytest
import zxingcpp
from PIL import Image

from inspect_app import documents
from tests.documents import papers


@pytest.fixture(scope="module")
def schema():
    text = resources.files(documents).joinpath("schemas/measurements-1.json").read_text(encoding="utf-8")
    jsonschema.Draft202012Validator.check_schema(json.loads(text))
    return jsonschema.Draft202012Validator(json.loads(text), format_checker=jsonschema.FormatChecker())


def attached(pdf, name):
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        return opened.attachments[name].get_file().read_bytes()


def codes_of(pdf, folder):
    """Return what the codes on each page say, after the page was printed at 150 dots an inch in black and white."""
    (folder / "paper.pdf").write_bytes(pdf)
    subprocess.run(["pdftoppm", "-r", "150", "-mono", folder / "paper.pdf", folder / "page"], check=True)
    pages = [Image.open(path).convert("L") for path in sorted(folder.glob("page*.pbm"))]
    return [[code.text for code in zxingcpp.read_barcodes(np.asarray(page))] for page in pages]


@pytest.mark.parametrize("kind", ["certificate", "rejection"])
def test_the_attached_record_keeps_to_its_published_schema(request, schema, kind):
    values = json.loads(attached(request.getfixturevalue(kind), "measurements.json"))

    assert [error.message for error in schema.iter_errors(values)] == []
    assert values["schema"] == schema.schema["$id"]


@pytest.mark.parametrize(
    ("place", "wrong"),
    [
        (("verdict",), "perhaps"),
        (("steps", 0, "measured", "results", 0, "standard_uncertainty"), -1),
        (("steps", 0, "measured", "results", 0, "value"), "1"),
        (("form", "sha256"), "00"),
        (("extra",), 1),
    ],
)
def test_the_schema_refuses_what_no_record_says(certificate, schema, place, wrong):
    values = json.loads(attached(certificate, "measurements.json"))
    inner = values
    for name in place[:-1]:
        inner = inner[name]
    inner[place[-1]] = wrong

    assert not schema.is_valid(values)


def test_the_attached_curves_are_those_of_the_record(certificate):
    record = json.loads(attached(certificate, "measurements.json"))
    rows = list(csv.DictReader(io.StringIO(attached(certificate, "traces.csv").decode(), newline="")))

    told = [(row["step"], row["trace"], float(row["x"]), float(row["y"]), row["y_unit"]) for row in rows]

    assert told == [
        (step["step"], trace["name"], x, y, trace["y_unit"])
        for step in record["steps"]
        for trace in step["measured"]["traces"]
        for x, y in zip(trace["x"], trace["y"], strict=True)
    ]


def test_every_attachment_says_what_it_is_to_the_document(certificate):
    with pikepdf.open(io.BytesIO(certificate)) as opened:
        found = {str(one.UF): (str(one.AFRelationship), str(one.EF.F.Subtype)) for one in opened.Root.AF}

    assert found == {
        "measurements.json": ("/Data", "/application/json"),
        "traces.csv": ("/Data", "/text/csv"),
        "why.txt": ("/Data", "/text/plain"),
    }


def test_a_document_without_curves_carries_none():
    paper = papers.paper(papers.runs()[:1], papers.limits()[:1], ())

    with pikepdf.open(io.BytesIO(documents.render_certificate(paper))) as opened:
        assert list(opened.attachments) == ["measurements.json", "why.txt"]


def test_the_code_on_the_printed_page_holds_number_and_digest_of_the_record(certificate, tmp_path):
    digest = hashlib.sha256(attached(certificate, "measurements.json")).hexdigest()

    first, *others = codes_of(certificate, tmp_path)

    assert first == [f"C-2026-0001:{digest}".upper()]
    assert others == [[]] * len(others)


def test_the_code_leads_to_the_proof_where_an_address_is_set(tmp_path):
    paper = papers.rejected_paper(address="https://inspection.example")
    pdf = documents.render_rejection(paper)
    digest = hashlib.sha256(attached(pdf, "measurements.json")).hexdigest()

    ((code,), *_) = codes_of(pdf, tmp_path)

    assert code == f"https://inspection.example/documents/verify?text=R-2026-0001:{digest}"
