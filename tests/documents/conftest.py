"""Documents that several tests read: each is rendered once."""

import pytest

from inspect_app import documents
from tests.documents import papers


@pytest.fixture(scope="session")
def certificate() -> bytes:
    """Return the certificate of an accepted device."""
    return documents.render_certificate(papers.paper())


@pytest.fixture(scope="session")
def rejection() -> bytes:
    """Return the rejection notice of a device that is slow and spotted."""
    return documents.render_rejection(papers.rejected_paper())
