"""What the tests of the interface share: programs with tokens over a workplace of their own."""

import shutil
from dataclasses import replace

import pytest

from inspect_app import storage, workflow
from inspect_app.model import Scope
from inspect_app.web import create_app
from tests.web.api.program import Program, secret_of


@pytest.fixture
def program_of(app, place):
    """Give somebody's program by login and scopes."""
    return lambda login, *scopes: Program(app.test_client(), secret_of(place, login, *scopes))


@pytest.fixture
def program(program_of):
    """Give an inspector's program that may do everything."""
    return program_of("ina")


@pytest.fixture
def reader(program_of):
    """Give an auditor's program, which only reads."""
    return program_of("aud", Scope.READ)


@pytest.fixture(scope="module")
def idle_place(prepared, tmp_path_factory):
    """Give a workplace that nothing is done to: for requests that are refused."""
    folder = tmp_path_factory.mktemp("idle") / "instance"
    shutil.copytree(prepared.settings.instance, folder)
    settings = replace(prepared.settings, instance=folder, database_url=f"sqlite:///{folder / 'record.db'}")
    made = replace(prepared, settings=settings, database=storage.connect(settings.database_url))
    yield made
    workflow.close_workplace(made)


@pytest.fixture(scope="module")
def idle_program(idle_place):
    """Give a program whose requests are refused."""
    app = create_app({"WORKPLACE": idle_place, "RATELIMIT_ENABLED": False})
    app.testing = False
    return Program(app.test_client(), secret_of(idle_place, "ina"))
