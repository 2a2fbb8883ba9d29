"""The report of a sampled lot on paper: plans, counts, verdict, the sample, and what the plans let through."""

import hashlib

from weasyprint import HTML

from inspect_app.documents import wording
from inspect_app.documents.finish import finish
from inspect_app.documents.lot_paper import LotReport
from inspect_app.documents.printable import printable
from inspect_app.documents.render import _ONE_AT_A_TIME, OwnFetcher, _look, _srgb, _templates


def render_lot_report(report: LotReport) -> bytes:
    """Return the report as PDF.

    It is a print of the record as it stands, not an issued document: it has no number and is not kept.
    """
    text = _templates().get_template("lot_report.html").render(report=report, words=wording)
    html = HTML(string=printable(text), base_url=None, url_fetcher=OwnFetcher({}, report.figures))
    name = hashlib.sha256(f"{report.lot_number} {report.printed_at.isoformat()}".encode()).hexdigest()
    with _ONE_AT_A_TIME:
        look = _look()
        made: bytes = html.write_pdf(
            finisher=finish,
            font_config=look.fonts,
            stylesheets=[look.style],
            color_profiles={"--srgb": _srgb()},
            output_intent="--srgb",
            pdf_identifier=name[:32].encode(),
            pdf_variant="pdf/a-3a",
        )
    return made
