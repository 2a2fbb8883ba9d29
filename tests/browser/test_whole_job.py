"""The whole job once, from scan to certificate: by keyboard alone, and again with scripts switched off."""

import io
import re

import numpy as np
import pypdf
import pytest
from PIL import Image
from playwright.sync_api import expect

from inspect_app import workflow
from tests.browser.hands import Keyboard, Plain
from tests.web.workbench import PASSWORD

pytestmark = pytest.mark.browser


@pytest.fixture
def captures(tmp_path):
    """Write a slanted edge in 16 bit, blurred as a good lens does, and a photograph."""
    y, x = np.mgrid[0:160, 0:200]
    distance_px = (x - 100) * np.cos(np.radians(5)) + (y - 80) * np.sin(np.radians(5))
    exposure = 0.1 + 0.6 / (1 + np.exp(-distance_px / 0.6))
    noise = np.random.default_rng(3).normal(0, 0.002, exposure.shape)
    Image.fromarray(np.uint16(np.clip(exposure + noise, 0, 1) * 65535)).save(tmp_path / "edge.png")
    Image.new("RGB", (640, 480), (90, 120, 150)).save(tmp_path / "photo.jpg")
    return tmp_path


@pytest.mark.parametrize("way", [Keyboard, Plain], ids=["by keyboard alone", "without scripts"])
def test_a_device_goes_from_the_dock_to_its_certificate(open_page, place, captures, way):
    page = open_page(viewport={"width": 1280, "height": 900}, java_script_enabled=way.has_scripts)
    hands = way(page)

    page.goto("/")
    hands.fill("Login", "ina")
    hands.scan("Password", PASSWORD)
    expect(page).to_have_title(re.compile("Dock"))

    receive(page, hands)
    inspect(page, hands, captures)
    sign(page, hands)
    approve(page, hands)
    prove_certificate(page)
    look_up(page, hands, way)

    assert [one.document.number for one in workflow.issued_documents(place)] == ["C-2026-0001"]
    assert workflow.verify(place).problems == ()


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


def inspect(page, hands, captures):
    hands.scan("Serial of the device in your hand", "tm-0001")
    expect(page.get_by_role("heading", level=1)).to_have_text("Look and function")
    hands.mark("Housing undamaged", "Yes, as ordered")
    hands.mark("Markings readable", "Yes, as ordered")
    hands.upload("Photographs (optional)", captures / "photo.jpg")
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

    hands.upload("Picture of the edge", captures / "edge.png")
    hands.press("Save and continue")
    expect(page.get_by_role("img", name=re.compile("^Modulation transfer"))).to_be_visible()
    expect(page.locator(".outcome").first).to_contain_text("✓ Conforms")
    hands.press("Review and sign")


def sign(page, hands):
    expect(page.get_by_role("heading", level=1)).to_have_text("Review of TM-0001")
    hands.press("To the signature")
    hands.fill("Scan the serial again", "TM-0001")
    hands.fill("Your password", PASSWORD)
    hands.press("Sign as accepted")
    expect(page.get_by_text("Its document waits for an approver.")).to_be_visible()


def approve(page, hands):
    page.context.clear_cookies()
    page.goto("/")
    hands.fill("Login", "app")
    hands.scan("Password", PASSWORD)
    expect(page).to_have_title(re.compile("Dock"))
    page.goto("/documents/")
    hands.press("Review TM-0001")
    hands.fill("Your password", PASSWORD)
    hands.press("Approve and issue the certificate")
    expect(page.get_by_role("heading", level=1)).to_have_text("Certificate C-2026-0001")


def prove_certificate(page):
    response = page.request.get("/documents/C-2026-0001.pdf")
    text = "".join(sheet.extract_text() for sheet in pypdf.PdfReader(io.BytesIO(response.body())).pages)
    assert response.headers["content-type"] == "application/pdf"
    assert "TM-0001" in text
    assert "C-2026-0001" in text


def look_up(page, hands, way):
    if way is Keyboard:
        page.keyboard.press("F2")
        page.keyboard.type("tm-0001")
        page.keyboard.press("Enter")
    else:
        hands.scan("Serial, whole or in part", "tm-0001")
    expect(page.get_by_role("heading", level=1)).to_have_text("TM-0001")
    expect(page.get_by_text("certificate C-2026-0001")).to_be_visible()
    preview = page.locator(".shots img").first
    preview.scroll_into_view_if_needed()
    assert page.request.get(preview.get_attribute("src")).ok
