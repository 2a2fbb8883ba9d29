"""Drawings of set-ups: every check has one, and it says in words what it shows."""

import xml.etree.ElementTree as ET

import pytest

from inspect_app.documents.figures import setup_figure
from inspect_app.measure import CHECKS


@pytest.mark.parametrize("check", sorted(CHECKS))
def test_every_check_has_a_drawing_that_names_its_parts_inside_its_frame(check):
    figure = setup_figure(check)

    root = ET.fromstring(figure.svg)  # noqa: S314 (our own drawing)
    _, _, width, height = map(float, root.attrib["viewBox"].split())
    texts = root.findall("{http://www.w3.org/2000/svg}text")
    assert "device" in {text.text for text in texts}
    assert all(text.text in figure.text_alternative or text.text == "distance" for text in texts)
    assert all(0 < float(text.attrib["x"]) < width and 0 < float(text.attrib["y"]) < height for text in texts)


def test_a_check_that_is_not_known_has_no_drawing():
    assert setup_figure("nothing") is None
