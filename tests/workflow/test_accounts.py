"""Accounts: hashes, roles, good passwords, one neutral refusal."""

from collections.abc import Callable
from dataclasses import replace

import pytest
from argon2 import PasswordHasher

from inspect_app import workflow
from inspect_app.errors import NotAllowed, UnusableInput
from inspect_app.model import Calibration, Person, Role
from inspect_app.storage import people
from inspect_app.workflow import AcceptedArrival
from tests.truth.workplaces import CONTRACT, DEVICE_CLASS, PASSWORD, Bench, open_first


def test_the_right_password_signs_in_whatever_the_case_of_the_login(bench: Bench) -> None:
    assert workflow.sign_in(bench.place, " Ines ", PASSWORD) == bench.inspector


def test_every_refusal_to_sign_in_is_worded_alike(bench: Bench) -> None:
    workflow.set_active(bench.place, None, bench.second.id, is_active=False)

    messages = set()
    for login, password in (("ines", "wrong password here"), ("nobody", PASSWORD), ("ivo", PASSWORD), ("", "")):
        with pytest.raises(NotAllowed) as refused:
            workflow.sign_in(bench.place, login, password)
        messages.add(str(refused.value))

    assert len(messages) == 1


def test_passwords_are_kept_as_argon2id_hashes_that_differ_for_the_same_password(bench: Bench) -> None:
    with bench.place.database.reading() as session:
        hashes = [people.account(session, login=login).password_hash for login in ("ines", "ivo")]  # type: ignore[union-attr]  # both exist

    assert all(text.startswith("$argon2id$") for text in hashes)
    assert hashes[0] != hashes[1]


def test_a_hash_of_old_parameters_is_renewed_on_signing_in(bench: Bench) -> None:
    stronger = replace(bench.place, hasher=PasswordHasher(time_cost=2, memory_cost=16, parallelism=1))

    workflow.sign_in(stronger, "ines", PASSWORD)

    with bench.place.database.reading() as session:
        account = people.account(session, login="ines")
    assert account is not None
    assert not stronger.hasher.check_needs_rehash(account.password_hash)
    assert workflow.sign_in(stronger, "ines", PASSWORD) == bench.inspector


@pytest.mark.parametrize(
    "password",
    ["short", "fourteen chars", "x" * 201, "aaaaaaaaaaaaaaaaaaaa", "i am nora the inspector", "NORA-NORA-NORA-NORA"],
)
def test_a_password_that_is_easy_to_guess_is_refused(bench: Bench, password: str) -> None:
    """At least 15 characters, none of the account's own words (NIST SP 800-63B-4, 3.1.1.2, from memory)."""
    with pytest.raises(UnusableInput, match="password"):
        workflow.add_account(bench.place, None, "nora", "Nora Example", Role.INSPECTOR, password)

    assert "nora" not in {person.login for person in workflow.accounts(bench.place)}


def test_random_passwords_are_admitted_and_differ(bench: Bench) -> None:
    passwords = {workflow.new_password() for _ in range(50)}

    assert len(passwords) == 50
    workflow.add_account(bench.place, None, "nora", "Nora Example", Role.INSPECTOR, passwords.pop())


@pytest.mark.parametrize("login", ["", "a", "with space", "-dash", "console", "Ünal", "x" * 65])
def test_a_login_that_cannot_be_typed_everywhere_is_refused(bench: Bench, login: str) -> None:
    with pytest.raises(UnusableInput, match="login"):
        workflow.add_account(bench.place, None, login, "Name", Role.INSPECTOR, PASSWORD)


def test_a_login_is_given_once(bench: Bench) -> None:
    with pytest.raises(UnusableInput, match="taken"):
        workflow.add_account(bench.place, None, "INES", "Another", Role.AUDITOR, PASSWORD)


def test_one_may_set_ones_own_password_and_then_signs_in_with_it(bench: Bench) -> None:
    workflow.set_password(bench.place, bench.auditor, bench.auditor.id, "seven green bicycles")

    assert workflow.sign_in(bench.place, "otto", "seven green bicycles") == bench.auditor
    with pytest.raises(NotAllowed):
        workflow.sign_in(bench.place, "otto", PASSWORD)


def test_only_an_administrator_sets_the_password_of_another(bench: Bench) -> None:
    with pytest.raises(NotAllowed, match="administrator"):
        workflow.set_password(bench.place, bench.approver, bench.inspector.id, "seven green bicycles")

    workflow.set_password(bench.place, bench.administrator, bench.inspector.id, "seven green bicycles")


def test_a_disabled_account_can_do_nothing_more_even_when_signed_in(bench: Bench) -> None:
    workflow.set_active(bench.place, bench.administrator, bench.inspector.id, is_active=False)

    with pytest.raises(NotAllowed, match="not active"):
        open_first(bench)
    with pytest.raises(NotAllowed):
        workflow.prove_password(bench.place, bench.inspector, PASSWORD)


def test_the_last_administrator_cannot_be_disabled(bench: Bench) -> None:
    with pytest.raises(NotAllowed, match="last active administrator"):
        workflow.set_active(bench.place, bench.administrator, bench.administrator.id, is_active=False)


def keep_acts(bench: Bench, person: Person) -> list[Callable[[], object]]:
    meter = bench.meter
    calibration = Calibration(
        certificate="K-2",
        laboratory="Lab",
        calibrated_on=meter.calibrations[0].calibrated_on,
        due_on=meter.calibrations[0].due_on,
    )
    return [
        lambda: workflow.add_account(bench.place, person, "nora", "Nora", Role.INSPECTOR, PASSWORD),
        lambda: workflow.set_active(bench.place, person, bench.second.id, is_active=False),
        lambda: workflow.adopt_contract(bench.place, person, CONTRACT.replace("TST-001", "TST-002"), "two.toml"),
        lambda: workflow.add_instrument(bench.place, person, "tape", "Tape", "T-1"),
        lambda: workflow.add_calibration(bench.place, person, meter.id, calibration),
    ]


@pytest.mark.parametrize("role", ["inspector", "approver", "auditor"])
@pytest.mark.parametrize("act", range(5))
def test_only_an_administrator_keeps_accounts_contracts_and_instruments(bench: Bench, role: str, act: int) -> None:
    person: Person = getattr(bench, role)

    with pytest.raises(NotAllowed, match="administrator"):
        keep_acts(bench, person)[act]()

    keep_acts(bench, bench.administrator)[act]()


@pytest.mark.parametrize("role", ["auditor", "administrator"])
def test_only_inspectors_and_approvers_receive(bench: Bench, role: str) -> None:
    person: Person = getattr(bench, role)
    arrivals = [AcceptedArrival(serial="BM-1", device_class=DEVICE_CLASS)]

    with pytest.raises(NotAllowed, match="may not do this"):
        workflow.receive_shipment(bench.place, person, "TST-001", "DN-1", arrivals)

    assert workflow.lots(bench.place) == ()
