"""A bench whose form has one step, the blemish map, and a contract that allows no larger dark spot in the middle."""

import io
from dataclasses import replace
from functools import lru_cache

import numpy as np
from PIL import Image

from inspect_app import workflow
from inspect_app.definitions import read_form_text
from inspect_app.model import EntryState
from inspect_app.workflow import AcceptedArrival, StepAnswers
from tests.truth.fields import Spot, round_field

STEP = "blemish"
CENTRE, RADIUS_PX = (256.8, 244.9), 200.0  # of the field that `round_field` draws here
SPOT = Spot(CENTRE[0] + 20, CENTRE[1] + 10, 6.0, 0.6)  # 6 px of 45 µm are 0.27 mm, in zone 1
SMALL = replace(SPOT, diameter_px=1.5, contrast=0.9)  # 0.068 mm: too small to be counted
FORM = """
device_class = "test monocular"
title = "Map of a test monocular"
revision = "M"

[[step]]
id = "blemish"
check = "blemish"
title = "Blemish map"
instruction = "Capture an even bright field."

  [step.fixed]
  field_diameter_mm = 18

  [[step.question]]
  name = "scene"
  label = "Bright frames"
"""
CONTRACT = """
number = "TST-M"
revision = "1"
title = "Test monoculars, by map"
buyer = "Test Buyer (invented)"
supplier = "Test Supplier (invented)"
note = "Invented for tests."

[[spots]]
device_class = "test monocular"
clause = "5.1"
title = "Dark spots"
check = "blemish"
polarity = "dark"
contrast_at_least = 0.2
decision_rule = "simple"
severity = "major"

  [[spots.row]]
  size_mm = [0.15, 0.4]
  allowed = [0, 1, 2]

  [[spots.row]]
  size_mm = [0.4]
  allowed = [0, 0, 0]
"""


@lru_cache(maxsize=2)
def bright_frame(spot=SPOT):
    """Return a PNG of an even field with one dark spot, 16 bit."""
    field = round_field(np.random.default_rng(4), size_px=(500, 500), radius_px=RADIUS_PX, spots=(spot,))
    buffer = io.BytesIO()
    Image.fromarray(np.uint16(np.clip(field.exposure, 0, 1) * 65535)).save(buffer, "PNG")
    return buffer.getvalue()


def with_map_form(place):
    """Give a workplace the form with the map, and the contract."""
    form = read_form_text(FORM, "map.toml")
    made = replace(place, forms={form.device_class: form})
    workflow.adopt_contract(made, None, CONTRACT, "map-contract.toml")
    return made


def mapped_inspection(place, spot=SPOT):
    """Receive one device, capture its field with one spot and return the key of its inspection."""
    inspector = next(one for one in workflow.accounts(place) if one.login == "ina")
    arrivals = [AcceptedArrival(serial="TM-0001", device_class="test monocular")]
    shipment = workflow.receive_shipment(place, inspector, "TST-M", "DN-1", arrivals)
    lot = workflow.lots_of_shipment(place, shipment.id)[0]
    device = workflow.lot_devices(place, lot.id)[0].device
    opened = workflow.open_inspection(place, inspector, lot.id, device.id)
    kept = workflow.keep_file(place, inspector, "field.png", io.BytesIO(bright_frame(spot)))
    answers = StepAnswers(state=EntryState.RECORDED, evidence=(replace(kept, role="scene"),))
    workflow.record_step(place, inspector, opened.id, STEP, answers, 0)
    return opened.id
