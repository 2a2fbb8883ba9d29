"""A person's saved views: lists under the names that they gave them."""

from typing import Final
from urllib.parse import parse_qsl, urlencode, urlsplit

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from wtforms import HiddenField, StringField

from inspect_app import workflow
from inspect_app.model.saved_view import SavedView
from inspect_app.web import here, session
from inspect_app.web.fields import PageForm, needed

bp = Blueprint("views", __name__, url_prefix="/views")

_OF_A_MOMENT: Final = ("after", "page")  # where one stood in a list, not what it shows


class ViewForm(PageForm):
    """A view to be saved."""

    name = StringField("Name of this view", needed("Enter a name."), description="Like rejected this year")
    address = HiddenField()


@bp.get("/")
def index() -> str:
    """List one's views."""
    return _page(None)


@bp.post("/")
def save() -> ResponseReturnValue:
    """Keep the address of a list under a name."""
    form = ViewForm()
    address = _beginning_of(session.local_path(form.address.data))
    if form.validate() and form.carries_out(
        lambda: workflow.save_view(here.workplace(), here.person(), form.name.data, address), field="name"
    ):
        flash(f"The view {form.name.data.strip()} is kept. It stands under Views, at the foot of every page.")
        return redirect(address, 303)
    return _page(form), 422


@bp.post("/rename")
def rename() -> ResponseReturnValue:
    """Give a view another name."""
    name, new_name = request.form.get("name", ""), request.form.get("new_name", "")
    workflow.rename_view(here.workplace(), here.person(), name, new_name)
    flash(f"It is called {new_name.strip()} now.")
    return redirect(url_for("views.index"), 303)


@bp.post("/delete")
def delete() -> ResponseReturnValue:
    """Keep a view no longer."""
    name = request.form.get("name", "")
    workflow.delete_view(here.workplace(), here.person(), name)
    flash(f"The view {name} is deleted.")
    return redirect(url_for("views.index"), 303)


def of_this_page() -> tuple[SavedView, ...]:
    """Return one's views of the list at hand."""
    person = here.someone()
    if person is None:
        return ()
    found = workflow.saved_views(here.workplace(), person)
    return tuple(one for one in found if urlsplit(one.address).path == request.path)


def _beginning_of(address: str) -> str:
    """Return the address of the first page of a list."""
    parts = urlsplit(address)
    asked = [(name, text) for name, text in parse_qsl(parts.query) if name not in _OF_A_MOMENT]
    return f"{parts.path}?{urlencode(asked)}" if asked else parts.path


def _page(form: ViewForm | None) -> str:
    return render_template("views.html", form=form, views=workflow.saved_views(here.workplace(), here.person()))
