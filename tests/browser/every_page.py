"""A workplace in which every page has something to show, and the addresses of all its pages by who opens them."""

import io
from dataclasses import replace

from inspect_app import workflow
from inspect_app.definitions import read_form_text
from inspect_app.model import Disposition, Scope, StudyKind
from inspect_app.workflow import NewStudy, TypedReading
from tests.browser.conftest import fill
from tests.truth import studies
from tests.web.test_readings import THREE_READERS
from tests.web.test_sampling import inspect, receive
from tests.web.workbench import edge_png, record_edge

EDGE = "slanted-edge.1lx"
BARS = "bar-target.horizontal.1lx"
INSPECTOR = (
    "/",
    "/due",
    "/receive",
    "/lots/",
    "/lots/1",
    "/lots/2",
    "/bench/2/captures",
    "/bench/2/look",
    f"/bench/2/{BARS}",
    f"/bench/3/{BARS}/reading",
    f"/bench/2/{EDGE}",
    f"/bench/3/{EDGE}/picture",
    f"/bench/3/{EDGE}/result",
    f"/bench/1/{BARS}/result",
    "/inspections/1",
    "/inspections/2",
    "/inspections/2/sign",
    "/inspections/1/why/1",
    "/devices",
    "/devices/1",
    "/devices/1/changes",
    "/compare?of=1&of=2",
    "/lots/1/documents/",
    "/nonconformities/",
    "/nonconformities/NC-2026-0001",
    "/nonconformities/returns",
    "/suppliers/",
    "/documents/",
    "/documents/R-2026-0001",
    "/documents/verify",
    "/studies/",
    "/studies/RS-2026-001",
    "/studies/trials?parts=P1,P2&readers=Ann,Bea&repeats=2&seed=7",
    "/drift/",
    "/drift/1",
    "/drift/device/1",
    "/reports/",
    "/references/",
    "/references/1",
    "/views/",
    "/packs/",
    "/imports/",
    "/imports/arrivals",
    "/ready/",
    "/instruments",
    "/instruments/1",
    "/instruments/1/touched",
    "/contracts",
    "/contracts/TST-1",
    "/tokens/",
    "/help",
    "/password",
    "/nothing-here",
)
APPROVER = (
    "/documents/",
    "/inspections/4",
    "/lots/2/documents/",
    "/nonconformities/NC-2026-0002",
    "/documents/R-2026-0001",
    "/reports/?lot=2",
    "/suppliers/",
    "/references/",
    "/references/1",
    "/studies/RS-2026-001",
    "/devices/1",
)
ADMINISTRATOR = ("/instruments", "/instruments/1", "/contracts", "/accounts", "/accounts/1")
PAGES = {"ina": INSPECTOR, "app": APPROVER, "adm": ADMINISTRATOR}
# Looked at in tests of their own, for one comes to them otherwise than by an address, or needs a capture that waits.
ELSEWHERE = {"signin.sign_in", "phone.page", "pointed.look"}
NO_PAGES = {
    "static",
    "typeface.file",
    "bench.go_on",
    "phone.enter",
    "devices.find",
    "evidence.file",
    "evidence.frame",
    "evidence.picture",
    "evidence.preview",
    "evidence.waiting",
    "compare.drawings",
    "documents.pdf",
    "reports.draft",
    "studies.table",
    "studies.kept_table",
    "batches.archive",
    "batches.merged",
    "batches.progress",
    "packs.file",
    "packs.progress",
    "captures.waiting",
    "exports.send",
}


def furnish(place):
    """Fill the workplace, and let something stand on every page; the third device is read by three readers."""
    fill(place)
    people = {one.login: one for one in workflow.accounts(place)}
    inspector, approver = people["ina"], people["app"]
    form = read_form_text(THREE_READERS.replace('revision = "A"', 'revision = "B"'), "test.toml")
    made = replace(place, forms={form.device_class: form})
    third = workflow.lot_devices(made, 1)[2].device
    workflow.open_inspection(made, inspector, 1, third.id)
    record_edge(made, inspector, 3)
    _sample(place, people)
    workflow.dispose(place, approver, "NC-2026-0001", Disposition.RETURN, "to the maker")
    study = NewStudy(kind=StudyKind.ELEMENTS, title="Bar target", table_name="study.csv", table=studies.elements())
    workflow.keep_study(place, inspector, study)
    _watch(place, inspector, approver)
    workflow.save_view(place, inspector, "rejected", "/devices?verdict=rejected")
    workflow.make_token(place, inspector, inspector, "bench computer", [Scope.READ], days=30)
    sender = workflow.Sender(person=inspector, inspection_id=2)
    workflow.send_capture(place, sender, "edge.png", io.BytesIO(edge_png()))
    workflow.pair_phone(place, inspector, 2, EDGE)
    return made


def _sample(place, people):
    """Draw the sample of a second lot, and sign its first device as rejected; its notice waits for an approver."""
    sampled = receive(place, people, "SA")
    workflow.draw_sample(place, people["ina"], sampled)
    inspect(place, people, sampled, reading="-2,1")


def _watch(place, inspector, approver):
    """Read a reference until it signals."""
    watched = workflow.add_reference(
        place, approver, name="Even field 1", check="noise", quantity_name="snr", condition="", options=""
    )
    for value in ("30.1", "29.8", "30.3", "30.0", "29.7", "30.2", "30.1", "29.9", "30.0", "30.2"):
        workflow.read_reference(place, inspector, watched.id, TypedReading(value=value))
    workflow.set_limits(place, approver, watched.id, 1, 10, "ten quiet days")
    workflow.read_reference(place, inspector, watched.id, TypedReading(value="26"))
