"""Instruments, contracts and accounts are kept by the administrator and read by the others."""

import io

import pytest

from inspect_app import workflow
from tests.web.texts import CONTRACT
from tests.web.workbench import PASSWORD


@pytest.fixture
def admin(as_role):
    return as_role("adm")


def test_the_instruments_show_which_are_past_their_calibration(inspector):
    inspector.get("/instruments")

    words = inspector.words()
    assert "✓ Calibrated 2026-08-30" in words
    assert "✗ Past due 2026-05-02" in words
    assert "Register an instrument" not in words


def test_an_instrument_is_registered_and_calibrated(admin, place):
    admin.get("/instruments")
    page = admin.post("/instruments", {"kind": "thermometer", "name": "Thermo 2", "serial": "TH-7"})
    assert admin.heading() == "Thermo 2"
    assert "Never calibrated" in admin.words()

    admin.post(
        page.request.path,
        {"certificate": "K-77", "laboratory": "Lab", "calibrated_on": "2026-05-01", "due_on": "2027-05-01"},
    )

    assert "✓ Calibrated , due 2027-05-01" in admin.words()
    made = next(one for one in workflow.instruments(place) if one.serial == "TH-7")
    assert made.calibrations[0].certificate == "K-77"


@pytest.mark.parametrize("day", ["1.5.2026", "2026-13-01", "soon"])
def test_a_day_that_is_none_is_refused_with_an_example(admin, place, day):
    instrument = workflow.instruments(place)[0]
    admin.get(f"/instruments/{instrument.id}")

    page = admin.post(
        f"/instruments/{instrument.id}",
        {"certificate": "K", "laboratory": "L", "calibrated_on": day, "due_on": "2027-05-01"},
    )

    assert page.status_code == 422
    assert "Write the day as year-month-day, like 2026-11-25." in admin.words()
    assert admin.value_of("certificate") == "K"


def test_a_calibration_that_is_due_before_it_was_made_is_refused(admin, place):
    instrument = workflow.instruments(place)[0]
    admin.get(f"/instruments/{instrument.id}")

    page = admin.post(
        f"/instruments/{instrument.id}",
        {"certificate": "K", "laboratory": "L", "calibrated_on": "2026-05-01", "due_on": "2025-05-01"},
    )

    assert page.status_code == 422


def test_a_contract_shows_its_limits_as_a_table(inspector):
    inspector.get("/contracts/TST-1")

    assert "4.1 Resolution by eye at 1 lux" in inspector.words()
    assert "≥ 0.9 cy/mrad simple acceptance major worst" in inspector.words()
    assert "guarded acceptance" in inspector.words()


def test_a_contract_shows_what_its_demands_meet_at_the_bench(inspector):
    """The form of these tests says no expected uncertainty: by the simple rule the limit itself just passes."""
    inspector.get("/contracts/TST-1")

    assert "What its demands meet at the bench" in inspector.words()
    assert "4.1 – – ≥ 0.9 cy/mrad" in inspector.words()


def test_a_contract_that_is_not_there_is_not_found(inspector):
    assert inspector.get("/contracts/NONE-1").status_code == 404


def test_a_new_revision_of_a_contract_is_adopted(admin, place):
    text = CONTRACT.replace('revision = "1"', 'revision = "2"').replace("0.9", "0.8")
    admin.get("/contracts")

    admin.post("/contracts", {"source": (io.BytesIO(text.encode()), "contract.toml")})

    assert workflow.contract(place, "TST-1").revision == "2"
    assert "revision 2, is in force" in admin.words()


@pytest.mark.parametrize(
    "content", [b"", b"not toml at all [", b"\xff\xfe\x00", CONTRACT.replace("bar-target", "no-such-check").encode()]
)
def test_a_contract_with_a_mistake_is_refused_at_the_file(admin, place, content):
    admin.get("/contracts")

    page = admin.post("/contracts", {"source": (io.BytesIO(content), "contract.toml")})

    assert page.status_code == 422
    assert 'id="source-error"' in admin.text()
    assert workflow.contract(place, "TST-1").revision == "1"


def test_without_a_file_the_file_is_asked_for(admin):
    admin.get("/contracts")

    assert admin.post("/contracts", {}).status_code == 422
    assert "Choose the contract's TOML file." in admin.words()


def test_an_account_is_opened_and_can_sign_in(admin, as_role, place):
    admin.get("/accounts")

    admin.post("/accounts", {"login": "new", "name": "Newa Holm", "role": "auditor", "password": PASSWORD})

    assert workflow.sign_in(place, "new", PASSWORD).name == "Newa Holm"


def test_a_login_that_is_taken_is_refused_and_the_rest_stays_typed(admin):
    admin.get("/accounts")

    page = admin.post("/accounts", {"login": "ina", "name": "Other", "role": "auditor", "password": PASSWORD})

    assert page.status_code == 422
    assert admin.value_of("name") == "Other"
    assert PASSWORD not in admin.text()


def test_an_account_is_closed_and_opened_again(admin, place, people):
    account = f"/accounts/{people['ina'].id}"
    admin.get(account)
    admin.post(f"{account}/active", {"is_active": "no"})
    assert workflow.person(place, people["ina"].id).is_active is False

    admin.post(f"{account}/active", {"is_active": "yes"})

    assert workflow.person(place, people["ina"].id).is_active is True


def test_a_lost_password_is_set_anew(admin, place, people):
    account = f"/accounts/{people['ina'].id}"
    admin.get(account)

    admin.post(f"{account}/password", {"new_password": "seven grey geese asleep"})

    assert workflow.sign_in(place, "ina", "seven grey geese asleep").login == "ina"


def test_an_account_that_is_not_there_is_not_found(admin):
    assert admin.get("/accounts/999").status_code == 404
    assert admin.get("/instruments/999").status_code == 404
