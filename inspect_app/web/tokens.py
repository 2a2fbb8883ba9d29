"""A person's own tokens: made with the password, shown once, listed, revoked."""

from collections.abc import Sequence
from typing import Final

from flask import Blueprint, flash, redirect, render_template, url_for
from flask.typing import ResponseReturnValue
from wtforms import PasswordField, SelectMultipleField, StringField
from wtforms.widgets import CheckboxInput, ListWidget

from inspect_app import workflow
from inspect_app.errors import UnusableInput
from inspect_app.model import Scope
from inspect_app.web import here
from inspect_app.web.fields import PageForm, needed
from inspect_app.workflow import LONGEST_DAYS, NewToken

bp = Blueprint("tokens", __name__, url_prefix="/tokens")

_WORDS: Final = {
    Scope.READ: "Read everything that you may read",
    Scope.RECEIVE: "Receive shipments",
    Scope.INSPECT: "Inspect: send captures, answer steps",
}


class TokenForm(PageForm):
    """A new token."""

    name = StringField("What is it for?", needed("Say what it is for."), description="Like bench computer 2")
    scopes = SelectMultipleField(
        "What may the program do?",
        option_widget=CheckboxInput(),
        widget=ListWidget(prefix_label=False),
        validate_choice=False,
    )
    days = StringField("For how many days?", needed("Give a number of days."), description=f"1 to {LONGEST_DAYS}")
    password = PasswordField("Your password", needed("Enter your password."))


@bp.get("/")
def index() -> str:
    """List one's tokens."""
    return _page(_fresh_form())


@bp.post("/")
def make() -> ResponseReturnValue:
    """Make a token and show its secret, this once."""
    form = TokenForm()
    if form.validate() and form.carries_out(
        lambda: workflow.prove_password(here.workplace(), here.person(), form.password.data), field="password"
    ):
        made = form.accept(lambda: _make(form))
        if made is not None:
            return _page(_fresh_form(), made), 201
    return _page(form), 422


@bp.post("/<int:token_id>/revoke")
def revoke(token_id: int) -> ResponseReturnValue:
    """End a token."""
    workflow.revoke_token(here.workplace(), here.person(), token_id)
    flash("The token is revoked.")
    return redirect(url_for("tokens.index"), 303)


def _make(form: TokenForm) -> NewToken:
    person = here.person()
    scopes, days = _scopes(form.scopes.data or ()), _days(form.days.data)
    return workflow.make_token(here.workplace(), person, person, form.name.data, scopes, days=days)


def _scopes(names: Sequence[str]) -> tuple[Scope, ...]:
    if not set(names) <= set(Scope):
        raise UnusableInput("scopes", "there is no such thing", "Choose from the list.")
    return tuple(Scope(name) for name in names)


def _days(text: str) -> int:
    digits = text.strip()
    if not (digits.isascii() and digits.isdecimal() and len(digits) < 6):
        raise UnusableInput("days", f"'{digits[:20]}' is no whole number of days", f"Give 1 to {LONGEST_DAYS}.")
    return int(digits)


def _fresh_form() -> TokenForm:
    return TokenForm(formdata=None, scopes=[Scope.READ.value], days="30")


def _page(form: TokenForm, made: NewToken | None = None) -> str:
    form.scopes.choices = {
        scope.value: words for scope, words in _WORDS.items() if scope is Scope.READ or here.is_allowed("inspect")
    }
    place = here.workplace()
    return render_template(
        "tokens/index.html",
        form=form,
        made=made,
        tokens=workflow.tokens(place, here.person()),
        words=_WORDS,
        now=place.clock(),
    )
