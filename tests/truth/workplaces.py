"""Workplaces with a small form, a small contract, people and a clock that ticks; no truth of its own but known answers.

The bar target is read at 10 m: G,E stands for 2 ** (G + (E - 1) / 6) lp/mm (MIL-STD-150A), times 10 m for cy/mrad.
So 1,1 is 20 cy/mrad, 2,1 is 40 and 0,1 is 10; the contract wants 20 at least, guarded.
"""

import io
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
from argon2 import PasswordHasher
from PIL import Image

from inspect_app import definitions, workflow
from inspect_app.model import (
    AnsweredRequest,
    Calibration,
    EntryState,
    Evidence,
    Instrument,
    Person,
    Role,
    Scope,
    StudyKind,
)
from inspect_app.model.device_past import LinkKind
from inspect_app.workflow import AcceptedArrival, NewStudy, Sender, StepAnswers, TypedReading, Workplace
from tests.truth import studies

PASSWORD = "copper lantern under ice"
DEVICE_CLASS = "bench monocular"
FORM = """
device_class = "bench monocular"
title = "Receiving inspection, bench monocular"
revision = "A"

[[step]]
id = "bar-target.{axis}"
check = "bar-target"
title = "Bar target, {axis}"
instruction = "Read the target."
instruments = ["illuminance meter"]
  [step.for_each]
  axis = ["horizontal", "vertical"]
  [step.condition]
  illuminance_lx = 1
  [step.fixed]
  axis = "{axis}"
  distance_m = 10
  [step.window]
  illuminance_lx = { within_percent = 10, before_and_after = true, label = "Illuminance at the target" }
  temperature_c = { from = 18, to = 28, label = "Air temperature" }
  [[step.question]]
  name = "reading"
  label = "Last element resolved"

[[step]]
id = "noise"
check = "noise"
title = "Noise of an even field"
instruction = "Capture frames of the even field."
wants_photos = true
  [[step.question]]
  name = "scene"
  label = "Frames of the even field"
  way = "from captures"
  [[step.question]]
  name = "snr_reading"
  label = "Ratio on the analyser"
  way = "from an analyser"
  [[step.question]]
  name = "reading_u"
  label = "Standard uncertainty of one reading"
  way = "from an analyser"
  optional = true
"""
CONTRACT = """
number = "TST-001"
revision = "1"
title = "Bench monoculars"
buyer = "Invented Buyer"
supplier = "Invented Maker"

[[limit]]
device_class = "bench monocular"
clause = "4.1"
title = "Resolution by eye"
check = "bar-target"
quantity = "angular_resolution"
unit = "cy/mrad"
at_least = 20
decision_rule = "guarded"
severity = "major"

[[limit]]
device_class = "bench monocular"
clause = "4.2"
title = "Signal to noise"
check = "noise"
quantity = "snr"
unit = "1"
at_least = 10
decision_rule = "simple"
severity = "minor"
"""
GOOD_READINGS, POOR_READINGS, DOUBTFUL_READINGS = ("2,1", "2,1"), ("0,1", "0,1"), ("1,1", "1,1")
START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


class Clock:
    """A clock that moves on by one second each time it is read."""

    def __init__(self, start: datetime = START) -> None:
        self.now = start

    def __call__(self) -> datetime:
        """Return the next second."""
        self.now += timedelta(seconds=1)
        return self.now


@dataclass(frozen=True, kw_only=True)
class Bench:
    """A workplace with people, a meter in calibration and an adopted contract."""

    place: Workplace
    clock: Clock
    inspector: Person
    second: Person
    approver: Person
    auditor: Person
    administrator: Person
    meter: Instrument


@contextmanager
def bench(folder: Path, database_url: str | None = None) -> Iterator[Bench]:
    """Open a workplace in a folder, on SQLite unless a URL is given; furnish it where it is empty."""
    place = workplace(folder, database_url)
    try:
        if not workflow.accounts(place):
            _furnish(place)
        yield _found(place)
    finally:
        workflow.close_workplace(place)


def workplace(folder: Path, database_url: str | None = None) -> Workplace:
    """Open a workplace with the small form, a ticking clock and hashes that cost little."""
    opened = workflow.open_workplace(folder, database_url)
    form = definitions.read_form_text(FORM, "bench.toml")
    hasher = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    return replace(opened, forms={form.device_class: form}, clock=Clock(), hasher=hasher)


def _furnish(place: Workplace) -> None:
    roles = {
        "ines": Role.INSPECTOR,
        "ivo": Role.INSPECTOR,
        "ada": Role.APPROVER,
        "otto": Role.AUDITOR,
        "anna": Role.ADMINISTRATOR,
    }
    for login, role in roles.items():
        workflow.add_account(place, None, login, login.title(), role, PASSWORD)
    workflow.adopt_contract(place, None, CONTRACT, "tst-001.toml")
    meter = workflow.add_instrument(place, None, "illuminance meter", "Lux meter", "LM-1")
    calibration = Calibration(
        certificate="K-1", laboratory="Lab", calibrated_on=date(2025, 9, 1), due_on=date(2026, 9, 1)
    )
    workflow.add_calibration(place, None, meter.id, calibration)


def _found(place: Workplace) -> Bench:
    people = {person.login: person for person in workflow.accounts(place)}
    assert isinstance(place.clock, Clock)
    return Bench(
        place=place,
        clock=place.clock,
        inspector=people["ines"],
        second=people["ivo"],
        approver=people["ada"],
        auditor=people["otto"],
        administrator=people["anna"],
        meter=workflow.instruments(place)[0],
    )


def receive(bench: Bench, *serials: str, reference: str = "DN-1") -> int:
    """Receive serials in one lot and return its key."""
    arrivals = [AcceptedArrival(serial=serial, device_class=DEVICE_CLASS) for serial in serials]
    shipment = workflow.receive_shipment(bench.place, bench.inspector, "TST-001", reference, arrivals)
    return workflow.lots_of_shipment(bench.place, shipment.id)[0].id


def open_first(bench: Bench, *serials: str) -> int:
    """Receive serials (one unless more are named), open the first one's inspection and return its key."""
    lot_id = receive(bench, *(serials or ("BM-001",)))
    device = workflow.lot_devices(bench.place, lot_id)[0].device
    return workflow.open_inspection(bench.place, bench.inspector, lot_id, device.id).id


def bar_answers(bench: Bench, readings: tuple[str, ...] = GOOD_READINGS, **changed: str) -> StepAnswers:
    """Return complete answers to a bar target step; named conditions are changed."""
    conditions = {"illuminance_lx_before": "1.02", "illuminance_lx_after": "0,98 lx", "temperature_c": "21"}
    return StepAnswers(
        state=EntryState.RECORDED,
        answers={"reading": readings},
        conditions={**conditions, **changed},
        instrument_ids=(bench.meter.id,),
    )


def noise_answers(snr: str = "40") -> StepAnswers:
    """Return complete answers to the noise step, read from an analyser."""
    answers = {"snr_reading": (snr,), "reading_u": ("1",)}
    return StepAnswers(state=EntryState.RECORDED, answers=answers)


def answer_all(bench: Bench, inspection_id: int, readings: tuple[str, ...] = GOOD_READINGS, snr: str = "40") -> None:
    """Record every step of an inspection."""
    for axis in ("horizontal", "vertical"):
        answers = bar_answers(bench, readings)
        workflow.record_step(bench.place, bench.inspector, inspection_id, f"bar-target.{axis}", answers, 0)
    workflow.record_step(bench.place, bench.inspector, inspection_id, "noise", noise_answers(snr), 0)


def sign(bench: Bench, inspection_id: int) -> None:
    """Sign an inspection as its inspector."""
    serial = workflow.inspection(bench.place, inspection_id).device.serial
    workflow.conclude(bench.place, bench.inspector, inspection_id, PASSWORD, serial)


def even_frame(seed: int) -> bytes:
    """Return a PNG of an even grey field of level 120 with noise of about 4 levels."""
    pixels = np.random.default_rng(seed).normal(120, 4, (48, 64)).round().clip(0, 255).astype(np.uint8)
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "PNG")
    return buffer.getvalue()


def keep(bench: Bench, name: str, content: bytes, role: str = "scene") -> Evidence:
    """Keep bytes as evidence with a role."""
    return replace(workflow.keep_file(bench.place, bench.inspector, name, io.BytesIO(content)), role=role)


def live_through_everything(bench: Bench) -> None:
    """Fill every table: one device accepted, its certificate revoked later; one held, signed and taken up again.

    A reader study counts meanwhile, and a phone sends a capture that is left out.
    """
    let_a_program_act(bench)
    workflow.save_view(bench.place, bench.auditor, "held", "/devices?verdict=held")
    study = NewStudy(kind=StudyKind.ELEMENTS, title="Bar target", table_name="study.csv", table=studies.elements())
    number = workflow.keep_study(bench.place, bench.inspector, replace(study, instrument_id=bench.meter.id))
    workflow.adopt_study(bench.place, bench.approver, number, "the readers of this bench")
    lot_id = receive(bench, "BM-001", "BM-002")
    accepted, held = (one.device.id for one in workflow.lot_devices(bench.place, lot_id))
    first = workflow.open_inspection(bench.place, bench.inspector, lot_id, accepted).id
    answer_all(bench, first)
    photo = keep(bench, "look.png", even_frame(7), role="photo")
    frames = tuple(keep(bench, f"frame{seed}.png", even_frame(seed)) for seed in (1, 2))
    captured = StepAnswers(state=EntryState.RECORDED, evidence=(*frames, photo), reason="frames instead of readings")
    workflow.record_step(bench.place, bench.inspector, first, "noise", captured, 1)
    edge_left_out = {"roi": ("8,8,48,32",)}
    workflow.correct_result(bench.place, bench.inspector, first, "noise", edge_left_out, "dust at the edge", (2, 0))
    sign(bench, first)
    issued = workflow.issue_document(bench.place, bench.approver, first)
    workflow.revoke_document(bench.place, bench.approver, issued.number, "the target was read from the wrong distance")
    second = workflow.open_inspection(bench.place, bench.inspector, lot_id, held).id
    paired = workflow.pair_phone(bench.place, bench.inspector, second, "noise").pairing
    phone = Sender(person=bench.inspector, inspection_id=second, pairing=paired)
    workflow.send_capture(bench.place, phone, "IMG_1.png", io.BytesIO(even_frame(9)))
    workflow.place_captures(bench.place, bench.inspector, second, {1: None})
    workflow.end_pairing(bench.place, bench.inspector, paired.id)
    answer_all(bench, second, DOUBTFUL_READINGS)
    sign(bench, second)
    watch_a_reference(bench, frames)
    read_apart(bench)
    workflow.link_devices(bench.place, bench.approver, held, accepted, LinkKind.REMARKED, "a new label")
    workflow.reopen(bench.place, bench.approver, second, "the buyer wants it read again")


def read_apart(bench: Bench) -> None:
    """Read a device as a form wants it that asks two readers."""
    text = FORM.replace('revision = "A"', 'revision = "B"')
    text = text.replace('name = "reading"', 'name = "reading"\n  readers = 2')
    place = replace(bench.place, forms={DEVICE_CLASS: definitions.read_form_text(text, "apart.toml")})
    lot_id = receive(bench, "BM-003", reference="DN-2")
    device = workflow.lot_devices(place, lot_id)[0].device
    opened = workflow.open_inspection(place, bench.inspector, lot_id, device.id)
    for reader, element in ((bench.inspector, "2,1"), (bench.approver, "1,6")):
        workflow.take_reading(place, reader, opened.id, "bar-target.horizontal", element)


def watch_a_reference(bench: Bench, frames: tuple[Evidence, ...]) -> None:
    """Read a reference from frames and by numbers, set its limits, and clear a signal."""
    given = {"name": "Even field 1", "check": "noise", "quantity_name": "snr", "condition": "", "options": ""}
    reference = workflow.add_reference(bench.place, bench.approver, **given)
    workflow.read_reference(bench.place, bench.inspector, reference.id, TypedReading(files=frames))
    for value in ("30.1", "29.8", "30.3", "30.0", "29.7", "30.2", "30.1", "29.9", "30.0", "30.2"):
        workflow.read_reference(bench.place, bench.inspector, reference.id, TypedReading(value=value))
    workflow.set_limits(bench.place, bench.approver, reference.id, 2, 11, "ten quiet days")
    workflow.read_reference(bench.place, bench.inspector, reference.id, TypedReading(value="26"))
    workflow.clear_signal(bench.place, bench.approver, reference.id, 12, "the lamp was exchanged")


def let_a_program_act(bench: Bench) -> None:
    """Make a token, answer a request to it, and revoke it."""
    made = workflow.make_token(bench.place, bench.inspector, bench.inspector, "bench computer", [Scope.READ], days=30)
    answer = AnsweredRequest(request_digest="0" * 64, status=201, location=None, body="{}")
    workflow.keep_answer(bench.place, made.token, "key-1", answer)
    workflow.revoke_token(bench.place, bench.administrator, made.token.id)


def live_and_reject_one(bench: Bench) -> int:
    """Live through everything, reject one of two more devices, and return the key of its inspection."""
    live_through_everything(bench)
    lot_id = receive(bench, "BM-910", "BM-911", reference="DN-REJECTED")
    device = workflow.lot_devices(bench.place, lot_id)[0].device
    rejected = workflow.open_inspection(bench.place, bench.inspector, lot_id, device.id).id
    answer_all(bench, rejected, POOR_READINGS)
    sign(bench, rejected)
    return rejected
