"""Certificates, rejection notices and reports, and the seal on them; the only home of WeasyPrint and pyHanko.

The figures need no WeasyPrint: it is loaded when the first document is rendered.
"""

from inspect_app.documents.figures import Figure, Part, combined_figures, figures, result_bar
from inspect_app.documents.paper import Paper
from inspect_app.documents.report import Report, ReportTable, Section
from inspect_app.documents.seal import Seal
from inspect_app.documents.unhindered import unhindered
from inspect_app.model import Outcome

__all__ = [
    "Figure",
    "Paper",
    "Part",
    "Report",
    "ReportTable",
    "Seal",
    "Section",
    "combined_figures",
    "figures",
    "render_certificate",
    "render_pack_index",
    "render_rejection",
    "render_report",
    "render_sealed",
    "result_bar",
]


@unhindered()
def render_certificate(paper: Paper) -> bytes:
    """Return the certificate of an accepted device as PDF; `NotAllowed` for any other."""
    from inspect_app.documents import render  # noqa: PLC0415  # loading WeasyPrint takes a second

    return render.render_certificate(paper)


@unhindered()
def render_rejection(paper: Paper) -> bytes:
    """Return the rejection notice of a rejected device as PDF; `NotAllowed` for any other."""
    from inspect_app.documents import render  # noqa: PLC0415  # loading WeasyPrint takes a second

    return render.render_rejection(paper)


@unhindered()
def render_report(report: Report) -> bytes:
    """Return a report as PDF, without a seal."""
    from inspect_app.documents import render  # noqa: PLC0415  # loading WeasyPrint takes a second

    return render.render_report(report)


@unhindered()
def render_pack_index(report: Report) -> bytes:
    """Return the index of an audit pack as PDF."""
    from inspect_app.documents import render  # noqa: PLC0415  # loading WeasyPrint takes a second

    return render.render_pack_index(report)


@unhindered()
def render_sealed(paper: Paper | Report, seal: Seal) -> bytes:
    """Return a report, or the document that the verdict on a device calls for, signed with the seal as of its issue."""
    from inspect_app.documents.signing import sign  # noqa: PLC0415  # likewise

    if isinstance(paper, Report):
        rendered = render_report(paper)
    elif paper.verdict.outcome is Outcome.ACCEPTED:
        rendered = render_certificate(paper)
    else:
        rendered = render_rejection(paper)
    return sign(rendered, seal, at=paper.issued_at, reason=f"{paper.number} issued by {paper.issued_by.name}")
