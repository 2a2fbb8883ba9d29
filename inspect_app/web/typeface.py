"""The typeface of the pages: that of the documents, sent by this server, for nothing is asked of another one."""

from flask import Blueprint, Response, abort

from inspect_app.documents import typeface

bp = Blueprint("typeface", __name__)


@bp.get("/typeface/<int:weight>.woff2")
def file(weight: int) -> Response:
    """Send one weight; it is the same for everybody and changes with a new version at most."""
    if weight not in typeface.PAGE_WEIGHTS:
        abort(404)
    answer = Response(typeface.page_file(weight), mimetype="font/woff2")
    answer.cache_control.public, answer.cache_control.max_age = True, 86_400
    return answer
