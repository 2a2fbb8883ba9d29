"""The web application: server-rendered pages over the workflow; nothing here decides or computes."""

from collections.abc import Mapping
from typing import Any, Final

from flask import Flask

from inspect_app.web import api, pages, security
from inspect_app.web.admin import bp as admin
from inspect_app.web.batches import bp as batches
from inspect_app.web.bench import bp as bench
from inspect_app.web.captures import bp as captures
from inspect_app.web.compare import bp as compare
from inspect_app.web.devices import bp as devices
from inspect_app.web.dock import bp as dock
from inspect_app.web.documents import bp as documents
from inspect_app.web.drift import bp as drift
from inspect_app.web.evidence import bp as evidence
from inspect_app.web.exports import bp as exports
from inspect_app.web.imports import bp as imports
from inspect_app.web.inspections import bp as inspections
from inspect_app.web.lots import bp as lots
from inspect_app.web.nonconformities import bp as nonconformities
from inspect_app.web.packs import bp as packs
from inspect_app.web.pairings import bp as pairings
from inspect_app.web.phone import bp as phone
from inspect_app.web.pictures import bp as pictures
from inspect_app.web.pointed import bp as pointed
from inspect_app.web.preferences import bp as preferences
from inspect_app.web.readiness import bp as readiness
from inspect_app.web.readings import bp as readings
from inspect_app.web.recalls import bp as recalls
from inspect_app.web.references import bp as references
from inspect_app.web.reports import bp as reports
from inspect_app.web.sampling import bp as sampling
from inspect_app.web.signin import bp as signin
from inspect_app.web.studies import bp as studies
from inspect_app.web.suppliers import bp as suppliers
from inspect_app.web.tokens import bp as tokens
from inspect_app.web.typeface import bp as typeface
from inspect_app.web.views import bp as views
from inspect_app.workflow import open_workplace, secret_key

_BLUEPRINTS: Final = (
    signin,
    preferences,
    dock,
    lots,
    sampling,
    captures,
    pairings,
    phone,
    batches,
    bench,
    readings,
    pictures,
    pointed,
    readiness,
    inspections,
    devices,
    compare,
    drift,
    evidence,
    recalls,
    documents,
    reports,
    nonconformities,
    suppliers,
    studies,
    references,
    packs,
    admin,
    tokens,
    exports,
    imports,
    views,
    typeface,
)
_MIB: Final = 1 << 20
_DEFAULTS: Final[Mapping[str, Any]] = {
    "SESSION_IDLE_S": 30 * 60,
    "SESSION_AT_MOST_S": 12 * 3600,
    "SESSION_COOKIE_HTTPONLY": True,
    "SESSION_COOKIE_SAMESITE": "Lax",
    "SESSION_COOKIE_SECURE": False,
    "WTF_CSRF_TIME_LIMIT": None,  # a token lives as long as its session
    "MAX_CONTENT_LENGTH": 2048 * _MIB,
    "MAX_FORM_MEMORY_SIZE": 4 * _MIB,
    "MAX_FORM_PARTS": 2000,
}


def create_app(config: Mapping[str, Any] | None = None) -> Flask:
    """Make the application; `config` may hold a WORKPLACE and any setting of Flask."""
    app = Flask(__name__)
    app.config.from_mapping(_DEFAULTS)
    app.config.from_mapping(config or {})
    place = app.config.get("WORKPLACE") or open_workplace()
    app.extensions["workplace"] = place
    app.secret_key = app.config["SECRET_KEY"] or secret_key(place)
    forgery = security.guard(app)
    pages.furnish(app)
    for blueprint in _BLUEPRINTS:
        app.register_blueprint(blueprint)
    api.furnish(app, forgery)
    security.limit_guessing(app)
    return app
