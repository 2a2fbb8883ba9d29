"""A small workplace of its own: one form of three steps, one contract, four accounts, three instruments."""

import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from argon2 import PasswordHasher
from jinja2 import FileSystemBytecodeCache

from inspect_app import storage, workflow
from inspect_app.definitions import read_form_text
from inspect_app.model import Calibration, Role
from inspect_app.storage import EvidenceStore
from inspect_app.web import create_app
from inspect_app.workflow import AcceptedArrival
from tests.web.texts import CONTRACT, FORM
from tests.web.visitor import Visitor

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


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture(scope="session")
def prepared(tmp_path_factory):
    """Prepare a workplace once; each test works on a copy of its own."""
    form = read_form_text(FORM, "test.toml")
    made = replace(
        workflow.open_workplace(instance=tmp_path_factory.mktemp("prepared") / "instance"),
        forms={form.device_class: form},
        clock=Clock(),
        hasher=PasswordHasher(time_cost=1, memory_cost=8, parallelism=1),
    )
    for login, (name, role) in LOGINS.items():
        workflow.add_account(made, None, login, name, role, PASSWORD)
    workflow.adopt_contract(made, None, CONTRACT, "contract.toml")
    _add_instruments(made)
    workflow.secret_key(made)
    workflow.close_workplace(made)
    return made


@pytest.fixture
def place(prepared, tmp_path, clock):
    folder = tmp_path / "instance"
    shutil.copytree(prepared.settings.instance, folder)
    settings = replace(prepared.settings, instance=folder, database_url=f"sqlite:///{folder / 'record.db'}")
    made = replace(
        prepared,
        settings=settings,
        database=storage.connect(settings.database_url),
        evidence=EvidenceStore(folder=settings.evidence_folder),
        clock=clock,
    )
    yield made
    workflow.close_workplace(made)


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


@pytest.fixture(scope="session")
def compiled_templates(tmp_path_factory):
    """Compile each template once for all tests."""
    return FileSystemBytecodeCache(str(tmp_path_factory.mktemp("templates")))


@pytest.fixture
def app(place, compiled_templates):
    made = create_app({"WORKPLACE": place, "RATELIMIT_ENABLED": False})
    made.jinja_env.bytecode_cache = compiled_templates
    made.testing = False  # refusals are shown as pages, as they are to people
    return made


@pytest.fixture
def visitor(app):
    return Visitor(app.test_client())


@pytest.fixture
def as_role(app):
    """Sign somebody in by login."""

    def signed_in(login):
        visitor = Visitor(app.test_client())
        visitor.sign_in(login, PASSWORD)
        return visitor

    return signed_in


@pytest.fixture
def inspector(as_role):
    return as_role("ina")


@pytest.fixture
def people(place):
    return {account.login: account for account in workflow.accounts(place)}


@pytest.fixture
def lot(place, people):
    """Receive three devices."""
    arrivals = [
        AcceptedArrival(serial=serial, device_class="test monocular") for serial in ("TM-0001", "TM-0002", "TM-0003")
    ]
    shipment = workflow.receive_shipment(place, people["ina"], "TST-1", "DN-100", arrivals)
    return workflow.lots_of_shipment(place, shipment.id)[0]


@pytest.fixture
def inspection(place, people, lot):
    """Open the inspection of the first device."""
    device = workflow.lot_devices(place, lot.id)[0].device
    return workflow.open_inspection(place, people["ina"], lot.id, device.id)
