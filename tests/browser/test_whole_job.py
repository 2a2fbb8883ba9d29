"""The whole job once, from scan to certificate, with captures of the simulated bench.

By keyboard alone in each theme, and with scripts switched off. Photographs of the pages lie in build/screenshots
afterwards.
"""

import io
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pypdf
import pytest
from PIL import Image
from playwright.sync_api import expect

from demo_fleet.fleet import standard_truth
from demo_fleet.simulator import label_photo, perform
from demo_fleet.simulator.truth import Spot
from inspect_app import workflow
from inspect_app.definitions import read_form_text
from tests.browser.hands import Keyboard, Plain
from tests.browser.looks import wear
from tests.web.texts import CONTRACT, FORM
from tests.web.workbench import PASSWORD

pytestmark = pytest.mark.browser

SCREENSHOTS = Path(__file__).parents[2] / "build" / "screenshots"
DUST = Spot(x_mm=0.3, y_mm=0.2, diameter_mm=0.11, contrast=0.55)
WHY = "dust on the outer lens of the bench"
BLEMISH_STEP = """
[[step]]
id = "blemish"
check = "blemish"
title = "Blemish map"
instruction = "Capture an even bright field and dark frames."

  [step.fixed]
  field_diameter_mm = 6

  [[step.question]]
  name = "scene"
  label = "Bright frame"

  [[step.question]]
  name = "dark"
  label = "Dark frame"
"""
NO_DARK_SPOTS = """
[[spots]]
device_class = "test monocular"
clause = "4.3"
title = "Dark spots"
check = "blemish"
polarity = "dark"
contrast_at_least = 0.2
decision_rule = "simple"
severity = "major"

  [[spots.row]]
  size_mm = [0.075]
  allowed = [0, 0]
"""


@pytest.fixture
def place(place):
    """Add the map of blemishes to the form, and its demand to the contract."""
    form = read_form_text(FORM.replace('revision = "A"', 'revision = "B"') + BLEMISH_STEP, "test.toml")
    made = replace(place, forms={form.device_class: form})
    contract = CONTRACT.replace('revision = "1"', 'revision = "2"') + NO_DARK_SPOTS
    workflow.adopt_contract(made, None, contract, "contract.toml")
    return made


@pytest.fixture(scope="module")
def captures(tmp_path_factory):
    """Capture the device at the simulated bench: a good one, with dust on the outer lens of the bench."""
    folder = tmp_path_factory.mktemp("captures")
    good = standard_truth(7)
    device = replace(good, view=replace(good.view, spots=(DUST,)))
    edge = perform(device, "slanted-edge", {"axis": "horizontal", "illuminance_lx": 1}, folder)
    field = perform(device, "blemish", {}, folder)
    (folder / "photo.png").write_bytes(label_photo("Test Supplier (invented)", "TM-0001"))
    return {
        "photo": folder / "photo.png",
        "edge": edge.files["scene"][0],
        "bright": field.files["scene"][0],
        "dark": field.files["dark"][0],
    }


class Watched:
    """Photographs pages in a theme, and sees that the dark-room one sends red light alone."""

    def __init__(self, page, theme):
        self.page, self.theme = page, theme

    def look(self, name):
        """Photograph the page as it stands."""
        folder = SCREENSHOTS / self.theme
        folder.mkdir(parents=True, exist_ok=True)
        png = self.page.screenshot(path=folder / f"{name}.png", full_page=True)
        if self.theme == "dark-room":
            codes = np.asarray(Image.open(io.BytesIO(png)).convert("RGB"))
            assert (name, codes[..., 1:].max()) == (name, 0)


@pytest.mark.parametrize(
    ("way", "theme"),
    [(Keyboard, "light"), (Keyboard, "dark"), (Keyboard, "dark-room"), (Plain, "light")],
    ids=["by keyboard, light", "by keyboard, dark", "by keyboard, dark room", "without scripts, light"],
)
def test_a_device_goes_from_the_dock_to_its_certificate(open_page, place, captures, way, theme):
    page = open_page(viewport={"width": 1280, "height": 900}, java_script_enabled=way.has_scripts)
    hands, watched = way(page), Watched(page, theme)

    sign_in(page, hands, "ina", theme)
    receive(page, hands)
    inspect(page, hands, captures, watched)
    correct(page, hands, watched)
    sign(page, hands, watched)
    approve(page, hands, watched)
    read_certificate(page, hands)
    look_up(page, hands, watched)

    assert [one.document.number for one in workflow.issued_documents(place)] == ["C-2026-0001"]
    assert workflow.verify(place).problems == ()


def sign_in(page, hands, login, theme):
    page.goto("/sign-in")
    wear(page, theme)
    page.reload()
    expect(page.locator("html")).to_have_attribute("data-theme", theme)
    hands.fill("Login", login)
    hands.scan("Password", PASSWORD)
    expect(page).to_have_title(re.compile("Dock"))


def receive(page, hands):
    hands.press("Receive a shipment")
    hands.choose("Contract", "TST-1")
    hands.fill("Delivery note", "DN-7")
    for serial in ("TM-0001", "TM-0002"):
        hands.scan("Scan a serial (optional)", serial)
        expect(page.get_by_text("on the list", exact=False).first).to_be_visible()
    expect(page.get_by_label("Serials that came")).to_have_value(re.compile("TM-0001\\s+TM-0002"))
    hands.press("Show what came")
    expect(page.get_by_role("heading", level=1)).to_have_text("What came with DN-7")
    hands.press("Receive")
    expect(page.get_by_text("Shipment DN-7 is received.")).to_be_visible()


def inspect(page, hands, captures, watched):
    hands.scan("Serial of the device in your hand", "tm-0001")
    expect(page.get_by_role("heading", level=1)).to_have_text("Look and function")
    hands.mark("Housing undamaged", "Yes, as ordered")
    hands.mark("Markings readable", "Yes, as ordered")
    hands.upload("Photographs (optional)", captures["photo"])
    hands.press("Save and continue")
    hands.press("Next: Bar target by eye")
    hands.press("I have read these cautions")

    hands.fill("Illuminance at the target, before, in lx", "1.0")
    hands.fill("Air temperature at the bench, in °C", "21")
    hands.choose("Illuminance meter", "SN-3242")
    hands.choose("Bar target", "SN-e")
    hands.fill("Last element resolved, as group,element", "1,4\n1,3\n1,4")
    hands.fill("Distance from target to the front lens, in m", "1,0")
    hands.fill("Illuminance at the target, after, in lx", "0.98")
    hands.press("Save and continue")
    expect(page.locator(".outcome").first).to_contain_text("✓ Conforms")
    hands.press("Next: Slanted edge")

    hands.upload("Picture of the edge", captures["edge"])
    hands.press("Save and continue")
    expect(page.get_by_role("img", name=re.compile("^Modulation transfer"))).to_be_visible()
    expect(page.locator(".outcome").first).to_contain_text("✓ Conforms")
    watched.look("1 slanted edge")
    hands.press("Next: Blemish map")

    hands.upload("Bright frame", captures["bright"])
    hands.upload("Dark frame", captures["dark"])
    watched.look("2 blemish map asked")
    hands.press("Save and continue")
    expect(page.locator(".outcome").first).to_contain_text("✗ Does not conform")


def correct(page, hands, watched):
    """Take a spot off the map that is dust of the bench, with the reason; the computed result stays beside it."""
    hands.press("Look at the picture")
    hands.choose("Spot 1 counts as", "no")
    if hands.has_scripts:  # the page measures anew by itself
        expect(page.get_by_role("columnheader", name="With your change")).to_be_visible()
    hands.fill("Why the computed result is not right", WHY)
    watched.look("3 spot taken off")
    hands.press("Let the corrected result count")
    expect(page.get_by_text("The corrected result counts now.")).to_be_visible()
    expect(page.locator(".outcome").first).to_contain_text("✓ Conforms")
    watched.look("4 corrected")
    hands.press("Review and sign")


def sign(page, hands, watched):
    expect(page.get_by_role("heading", level=1)).to_have_text("Review of TM-0001")
    watched.look("5 review")
    hands.press("To the signature")
    hands.fill("Scan the serial again", "TM-0001")
    hands.fill("Your password", PASSWORD)
    hands.press("Sign as accepted")
    expect(page.get_by_text("Its document waits for an approver.")).to_be_visible()


def approve(page, hands, watched):
    page.context.clear_cookies()
    sign_in(page, hands, "app", watched.theme)
    page.goto("/documents/")
    hands.press("Review TM-0001")
    hands.fill("Your password", PASSWORD)
    hands.press("Approve and issue the certificate")
    expect(page.get_by_role("heading", level=1)).to_have_text("Certificate C-2026-0001")
    watched.look("6 certificate")


def read_certificate(page, hands):
    """Open the PDF, read the bytes behind the page that the browser shows, and go back."""
    hands.press("Open the PDF")
    expect(page).to_have_url(re.compile("C-2026-0001.pdf$"))
    response = page.request.get(page.url)
    text = "".join(sheet.extract_text() for sheet in pypdf.PdfReader(io.BytesIO(response.body())).pages)
    page.go_back()
    assert response.headers["content-type"] == "application/pdf"
    assert "TM-0001" in text
    assert "C-2026-0001" in text
    assert WHY in " ".join(text.split())


def look_up(page, hands, watched):
    hands.find("tm-0001")
    expect(page.get_by_role("heading", level=1)).to_have_text("TM-0001")
    expect(page.get_by_role("link", name="certificate C-2026-0001", exact=True)).to_be_visible()
    preview = page.locator(".shots img").first
    preview.scroll_into_view_if_needed()
    assert page.request.get(preview.get_attribute("src")).ok
    watched.look("7 history")
