"""A small workplace: one form, one contract, four accounts, three instruments, and a clock that stands still."""

import io
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
from argon2 import PasswordHasher
from PIL import Image

from inspect_app import workflow
from inspect_app.definitions import read_form_text
from inspect_app.model import Calibration, EntryState, Role
from inspect_app.workflow import StepAnswers
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


def record_edge(place, inspector, inspection_id=2):
    """Record the step with the slanted edge from a capture."""
    kept = workflow.keep_file(place, inspector, "edge.png", io.BytesIO(edge_png()))
    answers = StepAnswers(state=EntryState.RECORDED, evidence=(replace(kept, role="scene"),))
    workflow.record_step(place, inspector, inspection_id, "slanted-edge.1lx", answers, 0)


def edge_png(seed=7):
    """Make a slanted edge, 16 bit linear: the left side dark, the right side bright, tilted by five degrees."""
    y, x = np.mgrid[0:160, 0:160]
    distance_px = (x - 80) * np.cos(np.radians(5)) + (y - 80) * np.sin(np.radians(5))
    exposure = 0.1 + 0.6 / (1 + np.exp(-distance_px / 0.9))
    noise = np.random.default_rng(seed).normal(0, 0.002, exposure.shape)
    buffer = io.BytesIO()
    Image.fromarray(np.uint16(np.clip(exposure + noise, 0, 1) * 65535)).save(buffer, format="PNG")
    return buffer.getvalue()
