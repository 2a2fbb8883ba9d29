"""Certificates and rejection notices; the only home of WeasyPrint.

The figures need no WeasyPrint: it is loaded when the first document is rendered.
"""

from inspect_app.documents.figures import Figure, Part, combined_figures, figures, result_bar
from inspect_app.documents.lot_paper import LotClassLine, LotReport
from inspect_app.documents.paper import Paper

__all__ = [
    "Figure",
    "LotClassLine",
    "LotReport",
    "Paper",
    "Part",
    "combined_figures",
    "figures",
    "render_certificate",
    "render_lot_report",
    "render_rejection",
    "result_bar",
]


def render_certificate(paper: Paper) -> bytes:
    """Return the certificate of an accepted device as PDF; `NotAllowed` for any other."""
    from inspect_app.documents import render  # noqa: PLC0415  # loading WeasyPrint takes a second

    return render.render_certificate(paper)


def render_rejection(paper: Paper) -> bytes:
    """Return the rejection notice of a rejected device as PDF; `NotAllowed` for any other."""
    from inspect_app.documents import render  # noqa: PLC0415  # loading WeasyPrint takes a second

    return render.render_rejection(paper)


def render_lot_report(report: LotReport) -> bytes:
    """Return the report of a sampled lot as PDF."""
    from inspect_app.documents import lot_report  # noqa: PLC0415  # loading WeasyPrint takes a second

    return lot_report.render_lot_report(report)
