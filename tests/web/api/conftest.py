"""What the tests of the interface share: programs with tokens over a workplace of their own."""

import pytest

from inspect_app.model import Scope
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
