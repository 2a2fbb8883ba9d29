"""A filled-in template as the renderer takes it: well-formed, and with no styles but those of `print.css`."""

from collections.abc import Set
from xml.etree import ElementTree as ET

import cssselect2
from weasyprint import CSS, HTML
from weasyprint.urls import URLFetcher

from inspect_app.documents import wording
from inspect_app.documents.signs import has_unknown, spell_out


class Markup(HTML):  # type: ignore[misc]  # weasyprint has no types
    """A page for the renderer, read by the parser of XML in place of the tolerant one, which is ten times as slow.

    The renderer's own style sheet is left out: it gives each element of a page six notes, calls and marks that no
    document has, and each of them a style.
    """

    def __init__(self, text: str, fetcher: URLFetcher, known_signs: Set[int]) -> None:
        page = ET.fromstring(text)  # noqa: S314  # of our templates, which escape what they are given
        if has_unknown(text, known_signs):
            _spell_out(page, known_signs)
        self.base_url = None
        self.url_fetcher = fetcher
        self.media_type = "print"
        self.wrapper_element = cssselect2.ElementWrapper.from_html_root(page, content_language=None)
        self.etree_element = page

    def _ua_stylesheets(self, forms: bool = False) -> list[CSS]:  # noqa: ARG002, FBT001, FBT002  # signature of the renderer
        return []


def _spell_out(page: ET.Element, known_signs: Set[int]) -> None:
    """Print the code points of signs that cannot be printed, and before the last line what they are."""
    for body in page.iter("body"):
        spell_out(body, known_signs)
        explained = ET.Element("p", {"class": "end"})
        explained.text = wording.SIGNS_EXPLAINED
        body.insert(len(body) - 1, explained)
