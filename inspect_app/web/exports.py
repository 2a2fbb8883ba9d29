"""Lists to take away: the rows that a page would show, as CSV, workbook or JSON."""

import tempfile
from typing import Final

from flask import Blueprint, Response, request, send_file

from inspect_app import workflow
from inspect_app.web import here
from inspect_app.web.typed import without_control_characters

bp = Blueprint("exports", __name__, url_prefix="/export")

_OF_THE_PAGE: Final = ("page", "sort")  # how a page lays its list out, not what is in it


@bp.get("/<name>.<suffix>")
def send(name: str, suffix: str) -> Response:
    """Send a whole list, narrowed by what stands in the address as on its page.

    It is written to a temporary file first: one moment of the record, a plain refusal in place of half a file, and
    memory that does not grow with the list.
    """
    listing, as_ = workflow.list_named(name), workflow.format_of(suffix)
    typed = {key: without_control_characters(text).strip() for key, text in request.args.items()}
    where = {key: text for key, text in typed.items() if text and key not in _OF_THE_PAGE}
    file = tempfile.TemporaryFile()  # noqa: SIM115 (the response closes it)
    try:
        workflow.write_list(here.workplace(), listing, as_, file, where=where, person=here.person())
    except BaseException:
        file.close()
        raise
    file.seek(0)
    return send_file(file, mimetype=as_.media_type, as_attachment=True, download_name=f"{name}.{suffix}")
