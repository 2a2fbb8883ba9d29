"""What the renderer makes of a page by itself: its own parser, style sheet, drawing of SVG, and writer."""

from typing import Any
from xml.etree import ElementTree as ET

from weasyprint import HTML
from weasyprint.urls import URLFetcher, URLFetcherResponse

from inspect_app.documents import render


class DrawingFetcher(URLFetcher):
    """Serves what the page may fetch, and its figures as SVG."""

    def __init__(self, page: render.Page) -> None:
        super().__init__(allowed_protocols={"app"})
        self._page = page

    def fetch(self, url: str, headers: Any = None) -> URLFetcherResponse:
        """Return what is at an address."""
        if url.startswith("app:drawing/"):
            svg = self._page.figures[int(url.removeprefix("app:drawing/"))].svg
            return URLFetcherResponse(url, svg.encode(), {"Content-Type": "image/svg+xml"})
        return self._page.html.url_fetcher.fetch(url, headers)


def rendered_plainly(page: render.Page, page_size: str = "A4", **options: object) -> bytes:
    """Return the page as PDF."""
    text = ET.tostring(page.html.etree_element, encoding="unicode", method="html")
    html = HTML(string=text, url_fetcher=DrawingFetcher(page))
    return html.write_pdf(**render.look_of(page_size), **options)
