"""A filled-in template as the renderer takes it: well-formed, and with no styles but those of `print.css`."""

from xml.etree import ElementTree as ET

import cssselect2
from weasyprint import CSS, HTML
from weasyprint.urls import URLFetcher


class Markup(HTML):  # type: ignore[misc]  # weasyprint has no types
    """A page for the renderer, read by the parser of XML in place of the tolerant one, which is ten times as slow.

    The renderer's own style sheet is left out: it gives each element of a page six notes, calls and marks that no
    document has, and each of them a style.
    """

    def __init__(self, text: str, fetcher: URLFetcher) -> None:
        page = ET.fromstring(text)  # noqa: S314  # of our templates, which escape what they are given
        self.base_url = None
        self.url_fetcher = fetcher
        self.media_type = "print"
        self.wrapper_element = cssselect2.ElementWrapper.from_html_root(page, content_language=None)
        self.etree_element = page

    def _ua_stylesheets(self, forms: bool = False) -> list[CSS]:  # noqa: ARG002, FBT001, FBT002  # signature of the renderer
        return []
