"""A bench whose form has one step, latency from a film, and a film whose two lights switch together."""

import io
from dataclasses import replace

import numpy as np

from inspect_app import workflow
from inspect_app.definitions import read_form_text
from inspect_app.errors import NothingToMeasure
from inspect_app.model import EntryState
from inspect_app.workflow import AcceptedArrival, StepAnswers
from tests.truth.films import latency_film

STEP = "latency"
LIGHT, PICTURE = "24,40,17,17", "80,24,56,48"  # where `latency_film` draws them
FORM = """
device_class = "test monocular"
title = "Latency of a test monocular"
revision = "L"

[[step]]
id = "latency"
check = "latency"
title = "Latency"
instruction = "Film the light and its picture."

  [[step.question]]
  name = "scene"
  label = "Film of the light and its picture"
  way = "from a film"

  [[step.question]]
  name = "stimulus_roi"
  label = "Region of the light"
  optional = true
  way = "from a film"

  [[step.question]]
  name = "response_roi"
  label = "Region of its picture"
  optional = true
  way = "from a film"

  [[step.question]]
  name = "frames_counted"
  label = "Frames from the light to its picture"
  way = "counted"

  [[step.question]]
  name = "frame_interval_ms"
  label = "Time between two frames"
  way = "counted"
"""


def with_film_form(place):
    """Give a workplace the form with the film."""
    form = read_form_text(FORM, "film.toml")
    return replace(place, forms={form.device_class: form})


def refused_film(place, folder):
    """Receive one device, record a film that is refused, and return the key of its inspection and the refusal."""
    inspector = next(one for one in workflow.accounts(place) if one.login == "ina")
    arrivals = [AcceptedArrival(serial="TM-0001", device_class="test monocular")]
    shipment = workflow.receive_shipment(place, inspector, "TST-1", "DN-1", arrivals)
    lot = workflow.lots_of_shipment(place, shipment.id)[0]
    device = workflow.lot_devices(place, lot.id)[0].device
    opened = workflow.open_inspection(place, inspector, lot.id, device.id)
    film = latency_film(folder / "twins.mp4", np.random.default_rng(12), lag_s=0.0, frames=60)
    kept = workflow.keep_file(place, inspector, film.name, io.BytesIO(film.read_bytes()))
    answers = StepAnswers(state=EntryState.RECORDED, evidence=(replace(kept, role="scene"),))
    try:
        workflow.record_step(place, inspector, opened.id, STEP, answers, 0)
    except NothingToMeasure as refusal:
        return opened.id, refusal
    raise AssertionError("a light and its reflection passed for a light and its picture")
