"""Documents are rendered for real and read back with poppler and pikepdf."""

from inspect_app import documents
from tests.documents import papers
from tests.documents.reading import text_of


def test_a_certificate_says_which_device_was_accepted():
    said = text_of(documents.render_certificate(papers.paper()))

    assert "QM-S-004217" in said
    assert "Accepted" in said


def test_a_rejection_notice_says_what_was_required_and_found():
    said = text_of(documents.render_rejection(papers.rejected_paper()))

    assert "required ≤ 50 ms, found 71.3 ± 3.0 ms" in said
