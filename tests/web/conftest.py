"""What the tests of the pages share: a workplace each, visitors, a lot and an inspection."""

import shutil
from dataclasses import replace

import pytest
from jinja2 import FileSystemBytecodeCache

from inspect_app import storage, workflow
from inspect_app.storage import EvidenceStore
from inspect_app.web import create_app
from inspect_app.workflow import AcceptedArrival
from tests.web.visitor import Visitor
from tests.web.workbench import PASSWORD, Clock, prepare


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture(scope="session")
def prepared(tmp_path_factory):
    """Prepare a workplace once; each test works on a copy of its own."""
    made = prepare(tmp_path_factory.mktemp("prepared") / "instance")
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
        visitor.read_cautions()
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
