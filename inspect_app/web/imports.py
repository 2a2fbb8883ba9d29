"""Lists taken over from files: looked at line by line first, then taken over whole, or not at all."""

from typing import Final

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_wtf.file import FileField

from inspect_app import workflow
from inspect_app.errors import NotAllowed, UnusableInput
from inspect_app.web import here
from inspect_app.web.fields import PageForm
from inspect_app.workflow import Imported, LineState

bp = Blueprint("imports", __name__, url_prefix="/imports")

_SHOWN: Final = 100  # lines of an answer


class FileForm(PageForm):
    """A list as a file."""

    file = FileField("File", description="CSV in UTF-8, with the columns of the list as it is exported")


@bp.get("/")
def index() -> str:
    """Say which lists can be imported, and why the others cannot."""
    lists = [(name, here.is_allowed(one.right)) for name, one in workflow.IMPORTS.items()]
    return render_template("imports/index.html", lists=lists, others=workflow.NOT_IMPORTED)


@bp.get("/<name>")
def page(name: str) -> str:
    """Ask for the file."""
    _prove_allowed(name)
    return _page(name, FileForm(formdata=None))


@bp.post("/<name>")
def preview(name: str) -> ResponseReturnValue:
    """Say what would become of each line; nothing is kept but the file, until somebody says so."""
    _prove_allowed(name)
    form = FileForm()
    tried = form.accept(lambda: _tried(name), field="file") if form.validate() else None
    if tried is None:
        return _page(name, form), 422
    done, digest, file_name = tried
    body = _page(name, form, done=done, digest=digest, file_name=file_name)
    return body, 422 if done.wrong else 200


@bp.post("/<name>/take")
def take(name: str) -> ResponseReturnValue:
    """Take over the file that was looked at."""
    _prove_allowed(name)
    digest, file_name = request.form.get("digest", ""), request.form.get("file_name", "list.csv")
    content = workflow.held_file(here.workplace(), digest)
    form = FileForm()
    done = form.accept(
        lambda: workflow.import_list(here.workplace(), here.person(), name, file_name, content), field="file"
    )
    if done is None:
        return _page(name, form), 422
    workflow.discard_file(here.workplace(), digest)
    new, known = done.count(LineState.NEW), done.count(LineState.KNOWN)
    flash(f"Taken over from {file_name}: {new} new, {known} known already.")
    return redirect(url_for("imports.page", name=name), 303)


def _prove_allowed(name: str) -> None:
    if not here.is_allowed(workflow.importable(name).right):
        raise NotAllowed(name, f"your account ({here.person().role}) may not type them in", "Ask somebody who may.")


def _tried(name: str) -> tuple[Imported, str, str]:
    upload = request.files.get("file")
    if upload is None or not upload.filename:
        raise UnusableInput("file", "none was chosen", "Choose the CSV file.")
    content = upload.stream.read(workflow.LARGEST_LIST_BYTES + 1)
    done = workflow.preview_import(here.workplace(), here.person(), name, upload.filename, content)
    return done, workflow.hold_file(here.workplace(), content), upload.filename


def _page(name: str, form: FileForm, *, done: Imported | None = None, digest: str = "", file_name: str = "") -> str:
    return render_template(
        "imports/page.html",
        name=name,
        columns=list(workflow.importable(name).listing.table.columns),
        form=form,
        done=done,
        counts=[] if done is None else [(state, done.count(state)) for state in LineState],
        lines=() if done is None else (done.wrong or done.lines)[:_SHOWN],
        digest=digest,
        file_name=file_name,
    )
