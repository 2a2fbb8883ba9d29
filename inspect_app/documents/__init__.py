"""Certificates and rejection notices, and the seal on them; the only home of WeasyPrint and pyHanko.

The figures need no WeasyPrint: it is loaded when the first document is rendered.
"""

from inspect_app.documents.figures import Figure, Part, combined_figures, figures, result_bar
from inspect_app.documents.lot_paper import LotClassLine, LotReport
from inspect_app.documents.paper import Paper
from inspect_app.documents.seal import Seal
from inspect_app.model import Outcome

__all__ = [
    "Figure",
    "LotClassLine",
    "LotReport",
    "Paper",
    "Part",
    "Seal",
    "combined_figures",
    "figures",
    "render_certificate",
    "render_lot_report",
    "render_rejection",
    "render_sealed",
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


def render_sealed(paper: Paper, seal: Seal) -> bytes:
    """Return the document that the verdict calls for, signed with the seal as of its issue."""
    from inspect_app.documents.signing import sign  # noqa: PLC0415  # likewise

    rendered = render_certificate(paper) if paper.verdict.outcome is Outcome.ACCEPTED else render_rejection(paper)
    return sign(rendered, seal, at=paper.issued_at, reason=f"{paper.number} issued by {paper.issued_by.name}")
