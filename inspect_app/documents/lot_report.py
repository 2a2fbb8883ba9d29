"""The report of a sampled lot on paper: plans, counts, verdict, the sample, and what the plans let through."""

from weasyprint import HTML

from inspect_app.documents import wording
from inspect_app.documents.lot_paper import LotReport
from inspect_app.documents.printable import printable
from inspect_app.documents.render import OwnFetcher, templates, written


def render_lot_report(report: LotReport) -> bytes:
    """Return the report as PDF.

    It is a print of the record as it stands, not an issued document: it has no number and is not kept.
    """
    text = templates().get_template("lot_report.html").render(report=report, words=wording)
    html = HTML(string=printable(text), base_url=None, url_fetcher=OwnFetcher({}, report.figures))
    return written(html, record=f"{report.lot_number} {report.printed_at.isoformat()}", page_size="A4")
