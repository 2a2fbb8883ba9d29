"""Sign in and out, change one's own password; and what happens to answers when the session ended."""

from collections.abc import Iterable
from typing import Final

from flask import Blueprint, current_app, flash, g, jsonify, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from werkzeug.exceptions import HTTPException
from wtforms import PasswordField, StringField
from wtforms.validators import InputRequired

from inspect_app import workflow
from inspect_app.documents import wording
from inspect_app.web import here, session, shown
from inspect_app.web.answers import Asked, answer_form
from inspect_app.web.api import problems
from inspect_app.web.fields import PageForm
from inspect_app.web.rail import place_of

bp = Blueprint("signin", __name__)

_UNSAID: Final = frozenset({"act", "expected_revision", "typed_by", "kept"})

_OPEN_TO_ALL: Final = (
    "static",
    "typeface.file",
    "signin.sign_in",
    "signin.help_page",
    "preferences.choose_theme",
    "preferences.choose_keys",
)


class SignInForm(PageForm):
    """Login and password."""

    login = StringField("Login", [InputRequired("Enter your login.")])
    password = PasswordField("Password", [InputRequired("Enter your password.")])


class PasswordForm(PageForm):
    """A new password for oneself."""

    current_password = PasswordField("Your password now", [InputRequired("Enter your password.")])
    new_password = PasswordField(
        "New password",
        [InputRequired("Enter a new password.")],
        description="15 characters or more; several words that do not belong together are easy to keep in mind",
    )


def admit() -> ResponseReturnValue | None:
    """Let the request pass, or ask to sign in; what was typed travels with the question.

    The interface looks at tokens and never at the session.
    """
    if problems.is_asked():
        return None
    g.person = session.person_of_cookie()
    if g.person is not None or request.endpoint in _OPEN_TO_ALL or request.blueprint == "phone":
        return None  # a phone proves its own right, on each of its few pages
    if request.accept_mimetypes.best == "application/json":
        return jsonify(message="You are signed out. Sign in again; what you typed is kept here."), 401
    if request.method == "POST" and session.is_from_our_own_page():
        lost = [file.filename for file in request.files.values() if file.filename]
        form = SignInForm(formdata=None)
        return _page(form, session.typed_fields(), request.path, lost), 401
    next_path = request.full_path.rstrip("?") if request.method == "GET" else None
    return redirect(url_for("signin.sign_in", next=next_path))


@bp.route("/sign-in", methods=["GET", "POST"])
def sign_in() -> ResponseReturnValue:
    """Ask for login and password; then go where the person wanted to go, with what they had typed."""
    kept, path = session.kept_fields(), session.local_path(request.form.get("kept_path"))
    if request.form.get("act") == "again":
        session.end()
        return _page(SignInForm(formdata=None), kept, path)
    form = SignInForm()
    if not form.validate_on_submit():
        return _page(form, kept, path), 422 if form.errors else 200
    person = form.accept(lambda: workflow.sign_in(here.workplace(), form.login.data, form.password.data))
    if person is None:
        return _page(form, kept, path), 422
    session.begin(person)
    g.person = person
    typist = session.typist(kept)
    if path and typist is not None and typist.id != person.id:
        return render_template("signin/not_yours.html", kept=kept, path=path, typist=typist)
    if path:
        return render_template("signin/carry_on.html", kept=kept, path=path, typed=_as_asked(kept, path))
    return redirect(session.local_path(request.args.get("next")) or url_for("dock.start"), 303)


def _as_asked(kept: Iterable[tuple[str, str]], path: str) -> tuple[tuple[str, str], ...]:
    """Return what was typed in the words of the step that had asked for it, as far as there is one."""
    asked = {one.field.name: one.field for one in _step_behind(path)}
    for name, value in kept:
        if name in asked:
            asked[name].data = value
    told = [(one.label.text, shown.field_text(one)) for one in asked.values()]
    told += [(wording.name_in_words(name), value) for name, value in kept if name not in asked and name not in _UNSAID]
    return tuple((label, text) for label, text in told if text)


def _step_behind(path: str) -> tuple[Asked, ...]:
    try:
        endpoint, where = current_app.url_map.bind("").match(path, method="POST")
    except HTTPException:
        return ()
    if endpoint != "bench.answer":
        return ()
    blank = answer_form(place_of(**where), is_sent=False)
    for one in blank.asked:
        one.field.data = None
    return blank.asked


@bp.post("/sign-out")
def sign_out() -> ResponseReturnValue:
    """End the session."""
    session.end()
    flash("You are signed out.")
    return redirect(url_for("signin.sign_in"), 303)


@bp.route("/password", methods=["GET", "POST"])
def change_password() -> ResponseReturnValue:
    """Change one's own password; the present one is asked for."""
    form = PasswordForm()
    if not form.validate_on_submit():
        return render_template("signin/password.html", form=form), 422 if form.errors else 200
    place, person = here.workplace(), here.person()
    is_proved = form.carries_out(
        lambda: workflow.prove_password(place, person, form.current_password.data), field="current_password"
    )
    if is_proved and form.carries_out(
        lambda: workflow.set_password(place, person, person.id, form.new_password.data), field="new_password"
    ):
        flash("Your password is changed.")
        return redirect(url_for("dock.start"), 303)
    return render_template("signin/password.html", form=form), 422


@bp.get("/help")
def help_page() -> str:
    """Tell how the pages are used with scanner, keyboard and gloves."""
    return render_template("help.html")


def _page(
    form: SignInForm, kept: tuple[tuple[str, str], ...] = (), path: str = "", lost_files: list[str] | None = None
) -> str:
    return render_template("signin/sign_in.html", form=form, kept=kept, path=path, lost_files=lost_files or [])
