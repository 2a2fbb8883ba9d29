"""Sheets into PDF: templates, shared fonts and style, and a fetcher that knows no file and no network."""

import hashlib
import io
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC
from functools import cache
from importlib import resources
from typing import Any

import jinja2
from weasyprint import CSS, Attachment
from weasyprint.css import ColorProfile
from weasyprint.text.fonts import FontConfiguration
from weasyprint.urls import URLFetcher, URLFetcherResponse

from inspect_app.documents import typeface, wording
from inspect_app.documents.attached import attached_files
from inspect_app.documents.attachment import AttachedFile
from inspect_app.documents.code import code_of
from inspect_app.documents.drawn import DrawnFigure
from inspect_app.documents.figures import Figure
from inspect_app.documents.finish import finish
from inspect_app.documents.imprint import Imprint
from inspect_app.documents.lettering import Lettering
from inspect_app.documents.markup import Markup
from inspect_app.documents.paper import Paper
from inspect_app.documents.printable import printable, sentence, shortened, unbroken
from inspect_app.documents.report import Report
from inspect_app.documents.report_files import report_files
from inspect_app.documents.sheet import ReportSheet, Sheet, lay_out
from inspect_app.errors import NotAllowed
from inspect_app.model import Outcome

_ONE_AT_A_TIME = threading.RLock()  # the shared fonts are not safe for two layouts at once, nor while they are loaded


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """A document before it is laid out: its HTML with all that it may fetch, and the files inside, the record first."""

    html: Markup
    inside: tuple[AttachedFile, ...]
    figures: tuple[Figure, ...]

    @property
    def images(self) -> dict[str, Any]:
        """The figures by the addresses under which the HTML shows them, as the renderer keeps images."""
        lettering = _look().lettering
        return {f"app:drawing/{place}": DrawnFigure(one.svg, lettering) for place, one in enumerate(self.figures)}


def render_certificate(paper: Paper) -> bytes:
    """Return the certificate of an accepted device as PDF.

    Raises
    ------
    NotAllowed
        The device was not accepted, or nobody has signed.
    """
    _require(paper, Outcome.ACCEPTED, "A certificate")
    return _render(paper, "certificate.html")


def render_rejection(paper: Paper) -> bytes:
    """Return the rejection notice of a rejected device as PDF.

    Raises
    ------
    NotAllowed
        The device was not rejected, or nobody has signed.
    """
    _require(paper, Outcome.REJECTED, "A rejection notice")
    return _render(paper, "rejection.html")


def _require(paper: Paper, outcome: Outcome, what: str) -> None:
    serial = paper.inspection.device.serial
    if paper.verdict.outcome is not outcome:
        raise NotAllowed(
            f"serial {serial}", f"the device is {paper.verdict.outcome}", f"{what} is for {outcome} devices."
        )
    if paper.inspection.signature is None:
        raise NotAllowed(f"serial {serial}", "the inspection is not signed", "Sign it first.")


def _render(paper: Paper, template: str) -> bytes:
    inspection = paper.inspection
    record = f"{paper.number} {inspection.id} {paper.issued_at.isoformat()} {inspection.form_digest}"
    return _written(page_of(paper, template), paper, record)


def render_report(report: Report) -> bytes:
    """Return a report as PDF."""
    page = page_of_report(report)
    return _written(page, report, f"{report.number} {report.issued_at.isoformat()} {page.inside[0].sha256}")


def render_pack_index(report: Report) -> bytes:
    """Return the index of an audit pack as PDF; it has no number and no seal, for the pack proves itself."""
    page = _page_of_report(report, "pack.html", "Audit pack")
    return _written(page, report, f"pack {report.subject} {report.issued_at.isoformat()} {page.inside[0].sha256}")


def _written(page: Page, imprint: Imprint, record: str) -> bytes:
    """Return a page as PDF; `record` says what it was made from, so that the same record gives the same bytes."""
    with _ONE_AT_A_TIME:
        made: bytes = page.html.write_pdf(
            finisher=finish,
            attachments=[_attachment(file, imprint) for file in sorted(page.inside, key=lambda file: file.name)],
            cache=page.images,
            color_profiles={"--srgb": _srgb()},
            output_intent="--srgb",
            pdf_identifier=hashlib.sha256(record.encode()).hexdigest()[:32].encode(),
            pdf_variant="pdf/a-3a",
            **look_of(imprint.page_size),
        )
    return made


def page_of(paper: Paper, template: str) -> Page:
    """Return the filled-in template of a paper."""
    inside = tuple(attached_files(paper))
    sheet = lay_out(paper, inside[0].sha256)
    exhibits = {str(place): one.png for place, one in enumerate(paper.exhibits)}
    html = _filled_in(template, paper, sheet, OwnFetcher(paper.thumbnails, exhibits))
    return Page(html=html, inside=inside, figures=sheet.drawings)


def page_of_report(report: Report) -> Page:
    """Return the filled-in template of a report."""
    return _page_of_report(report, "report.html")


def _page_of_report(report: Report, template: str, unnumbered: str = "Draft") -> Page:
    inside = report_files(report)
    sheet = ReportSheet(figures=report.figures, code=code_of(report, inside[0].sha256))
    html = _filled_in(template, report, sheet, OwnFetcher(), unnumbered)
    return Page(html=html, inside=inside, figures=sheet.drawings)


def _filled_in(
    template: str, paper: Imprint, sheet: Sheet | ReportSheet, fetcher: "OwnFetcher", unnumbered: str = "Draft"
) -> Markup:
    number = paper.number or unnumbered
    text = _templates().get_template(template).render(sheet=sheet, paper=paper, number=number, words=wording)
    return Markup(printable(text), fetcher, _look().lettering.signs)


def look_of(page_size: str) -> dict[str, Any]:
    """Return the fonts and styles, shared by all documents, as the renderer takes them."""
    look = _look()
    return {"font_config": look.fonts, "stylesheets": [look.style, _page_of_size(page_size)]}


def _attachment(file: AttachedFile, imprint: Imprint) -> Attachment:
    moment = imprint.issued_at.astimezone(UTC)
    return Attachment(
        string=file.text,
        name=file.name,
        description=file.description,
        created=moment,
        modified=moment,
        relationship="Data",
        url_fetcher=OwnFetcher(),
    )


@cache
def _templates() -> jinja2.Environment:
    """Return the templates of all documents."""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("inspect_app.documents"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(shortened=shortened, unbroken=unbroken, sentence=sentence)
    return environment


@dataclass(frozen=True, slots=True, kw_only=True)
class _Look:
    """What all documents share, loaded once."""

    fonts: FontConfiguration
    style: CSS
    lettering: Lettering


def _look() -> _Look:
    with _ONE_AT_A_TIME:
        return _loaded_look()


@cache
def _loaded_look() -> _Look:
    fonts = FontConfiguration()
    text = resources.files("inspect_app.documents").joinpath("print.css").read_text(encoding="utf-8")
    style = CSS(string=text, font_config=fonts, url_fetcher=OwnFetcher())
    return _Look(fonts=fonts, style=style, lettering=Lettering(fonts))


@cache
def _page_of_size(name: str) -> CSS:
    """Return the page of a size; Letter is 18 mm lower than A4, so that its margins are smaller."""
    margins = "margin: 12mm 13mm 14mm 13mm; " if name == "Letter" else ""
    return CSS(string=f"@page {{ size: {name}; {margins}}}", url_fetcher=OwnFetcher())


class OwnFetcher(URLFetcher):  # type: ignore[misc]  # weasyprint has no types
    """Serves the package's fonts and the paper's pictures under ``app:``, and refuses all else."""

    def __init__(
        self, pictures: Mapping[str, bytes] | None = None, exhibits: Mapping[str, bytes] | None = None
    ) -> None:
        super().__init__(allowed_protocols={"app"})
        self._rasters = {"picture": pictures or {}, "exhibit": exhibits or {}}

    def fetch(self, url: str, headers: Any = None) -> URLFetcherResponse:  # noqa: ARG002  # the signature is weasyprint's
        """Return a font or a picture; ValueError for any other address."""
        kind, _, name = url.removeprefix("app:").partition("/") if url.startswith("app:") else ("", "", "")
        if kind == "font" and name in typeface.STYLES:
            return URLFetcherResponse(url, typeface.style_file(name), {"Content-Type": "font/ttf"})
        if name in self._rasters.get(kind, {}):
            return URLFetcherResponse(url, self._rasters[kind][name], {"Content-Type": "image/png"})
        raise ValueError(f"{url} is not served to documents")


def _srgb() -> ColorProfile:
    """Return the colour profile that PDF/A wants inside the file.

    It is made anew for each document, because the second time that one is written its bytes differ. Left to itself the
    renderer opens the same file and does not close it.
    """
    return ColorProfile(io.BytesIO(_srgb_bytes()), "sRGB2014.icc", "relative-colorimetric", (["r"], ["g"], ["b"]))


@cache
def _srgb_bytes() -> bytes:
    return resources.files("weasyprint.pdf").joinpath("sRGB2014.icc").read_bytes()
