"""Being ready for a step: the cautions that were read in this session, and what is waited for, on every page."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import UTC, datetime

from flask import Blueprint, redirect, render_template, request, url_for
from flask import session as cookie
from flask.typing import ResponseReturnValue

from inspect_app import workflow
from inspect_app.definitions import CAUTIONS, HARMLESS, Step
from inspect_app.web import here, session
from inspect_app.workflow import WAITS, Wait

bp = Blueprint("readiness", __name__, url_prefix="/ready")


@dataclass(frozen=True, slots=True, kw_only=True)
class Running:
    """Something that is waited for: since when, until when in seconds of the epoch, and how long still, in words."""

    wait: Wait
    since: str
    ready_s: int
    left: str


@bp.get("/")
def page() -> str:
    """Show every caution that concerns people, and what may be waited for."""
    unread = unread_cautions(CAUTIONS.values())
    started = {one.wait.name for one in running()}
    waits = [wait for wait in WAITS.values() if wait.name not in started]
    cautions = [(name, text) for name, text in CAUTIONS.items() if name not in HARMLESS]
    return render_template("readiness.html", cautions=cautions, unread=unread, waits=waits)


@bp.post("/cautions")
def cautions() -> ResponseReturnValue:
    """Remember for this session that cautions were read."""
    read = {*cookie.get("cautions", ()), *request.form.getlist("caution")}
    cookie["cautions"] = sorted(name for name in read if name in CAUTIONS)
    return _back()


@bp.post("/waits")
def wait() -> ResponseReturnValue:
    """Start or end waiting for something."""
    name = request.form.get("name", "")
    started = {key: at for key, at in cookie.get("waits", {}).items() if key != name}
    if name in WAITS and request.form.get("act") == "start":
        started[name] = _now_s()
    cookie["waits"] = started
    return _back()


def unread_cautions(texts: Collection[str]) -> tuple[str, ...]:
    """Return the names of the cautions among texts that concern people and were not read in this session."""
    read = cookie.get("cautions", ())
    return tuple(name for name, text in CAUTIONS.items() if text in texts and name not in HARMLESS and name not in read)


def offered(step: Step) -> tuple[Wait, ...]:
    """Return what a step may wait for and does not yet."""
    started = cookie.get("waits", {})
    return tuple(one for one in workflow.waits_of(step) if one.name not in started)


def running() -> tuple[Running, ...]:
    """Return what is waited for, in the order in which it was started."""
    started = sorted((at, name) for name, at in cookie.get("waits", {}).items() if name in WAITS)
    return tuple(_running(WAITS[name], int(at)) for at, name in started)


def _running(wait: Wait, started_s: int) -> Running:
    ready_s = started_s + 60 * wait.minutes
    minutes = -((_now_s() - ready_s) // 60)
    return Running(
        wait=wait,
        since=datetime.fromtimestamp(started_s, UTC).strftime("%H:%M UTC"),
        ready_s=ready_s,
        left=f"{minutes} min left" if minutes > 0 else "ready",
    )


def _now_s() -> int:
    return int(here.workplace().clock().timestamp())


def _back() -> ResponseReturnValue:
    return redirect(session.local_path(request.form.get("back")) or url_for("readiness.page"), 303)
