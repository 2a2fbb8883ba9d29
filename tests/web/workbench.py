"""A small workplace: one form, one contract, four accounts, three instruments, and a clock that stands still."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from argon2 import PasswordHasher

from inspect_app import workflow
from inspect_app.definitions import read_form_text
from inspect_app.model import Calibration, Role
from tests.web.texts import CONTRACT, FORM

PASSWORD = "correct horse battery staple"
NOON = datetime(2026, 6, 1, 12, 0, tzinfo=UTC)
LOGINS = {
    "ina": ("Ina Vestergard", Role.INSPECTOR),
    "app": ("Apelle Moor", Role.APPROVER),
    "aud": ("Audo Lint", Role.AUDITOR),
    "adm": ("Adma Kree", Role.ADMINISTRATOR),
}


class Clock:
    """Stands still until it is moved."""

    def __init__(self, now=NOON):
        self.now = now

    def __call__(self):
        """Return the time."""
        return self.now

    def move(self, **span):
        """Let time pass."""
        self.now += timedelta(**span)


def prepare(folder):
    """Make the workplace in a folder and return it."""
    form = read_form_text(FORM, "test.toml")
    made = replace(
        workflow.open_workplace(instance=folder),
        forms={form.device_class: form},
        clock=Clock(),
        hasher=PasswordHasher(time_cost=1, memory_cost=8, parallelism=1),
    )
    for login, (name, role) in LOGINS.items():
        workflow.add_account(made, None, login, name, role, PASSWORD)
    workflow.adopt_contract(made, None, CONTRACT, "contract.toml")
    _add_instruments(made)
    workflow.secret_key(made)
    return made


def _add_instruments(made):
    today = NOON.date()
    for kind, name, due in (
        ("illuminance meter", "Lumo 3", today + timedelta(days=90)),
        ("illuminance meter", "Lumo 1", today - timedelta(days=30)),
        ("bar target", "T-20 positive", today + timedelta(days=200)),
    ):
        instrument = workflow.add_instrument(made, None, kind, name, f"SN-{name[-1]}{due:%j}")
        calibration = Calibration(
            certificate="K-1", laboratory="Bench Lab", calibrated_on=due - timedelta(days=365), due_on=due
        )
        workflow.add_calibration(made, None, instrument.id, calibration)
