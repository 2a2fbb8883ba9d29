"""The description of the interface is true: every route stands in it, and requests made from it are answered so."""

import re

import hypothesis
import pytest
import schemathesis
from hypothesis import HealthCheck
from schemathesis.specs.openapi.checks import positive_data_acceptance

from inspect_app.web import create_app
from inspect_app.web.api import OPERATIONS
from inspect_app.web.api.openapi import describe
from tests.truth import workplaces
from tests.web.api.program import ROOT, secret_of


@pytest.fixture(scope="module")
def asked(tmp_path_factory):
    """Serve a small record in which everything happened, and give a token's secret."""
    with workplaces.bench(tmp_path_factory.mktemp("asked") / "instance") as bench:
        workplaces.live_and_reject_one(bench)
        served.app = create_app({"WORKPLACE": bench.place, "RATELIMIT_ENABLED": False})
        yield secret_of(bench.place, "ada")


# That a contract is adopted or a cursor was given out is beyond a schema: 422 then answers what it allows.
BEYOND_A_SCHEMA = positive_data_acceptance


class Served:
    """The application that is served at the moment; the description is read before there is one."""

    app = None

    def __call__(self, environ, start_response):
        """Answer a request."""
        return self.app(environ, start_response)


served = Served()
schema = schemathesis.openapi.from_dict(describe(OPERATIONS, ROOT))
schema.app = served


@schema.parametrize()
@hypothesis.settings(
    derandomize=True, deadline=None, database=None, max_examples=6, suppress_health_check=list(HealthCheck)
)
def test_what_the_description_allows_is_answered_as_it_says_and_what_it_forbids_is_refused(case, asked):
    """Truth: the description; schemathesis makes the requests and compares the answers."""
    case.call_and_validate(headers={"Authorization": f"Bearer {asked}"}, excluded_checks=[BEYOND_A_SCHEMA])


def test_every_route_of_the_interface_stands_in_the_description(asked):
    """Truth: the routes of the application."""
    app = served.app
    described = app.test_client().get(f"{ROOT}/openapi.json").get_json()["paths"]
    routes = {
        (re.sub(r"<\w+:(\w+)>", r"{\1}", rule.rule), method.lower())
        for rule in app.url_map.iter_rules()
        for method in rule.methods - {"HEAD"}
        if rule.rule.startswith(ROOT)
    }

    told = {(path, method) for path, methods in described.items() for method in methods}
    assert routes - {(f"{ROOT}/openapi.json", "get")} == told
    assert len(told) == len(OPERATIONS)
