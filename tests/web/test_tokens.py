"""The colours stand off their grounds: contrast ratios after WCAG 2.2 (relative luminance, 1.4.3 and 1.4.11)."""

import re
from pathlib import Path

import pytest

STATIC = Path(__file__).parents[2] / "inspect_app" / "web" / "static"
TOKENS = (STATIC / "tokens.css").read_text()
TEXT = ("ink", "quiet", "pass", "fail", "doubt")
LINES = ("line", "focus")
TEXT_AT_LEAST, LINES_AT_LEAST = 4.5, 3.0
COLOUR = re.compile(r"--([a-z]+): (?:light-dark\((#[0-9a-f]{6}), (#[0-9a-f]{6})\)|(#[0-9a-f]{6}));")


def luminance(colour):
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    brighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (brighter + 0.05) / (darker + 0.05)


def themes():
    plain, _, dark_room = TOKENS.partition('[data-theme="dark-room"]')
    both = {name: (light or single, dark or single) for name, light, dark, single in COLOUR.findall(plain)}
    light = {name: pair[0] for name, pair in both.items()}
    dark = {name: pair[1] for name, pair in both.items()}
    red = {name: single for name, _, _, single in COLOUR.findall(dark_room)}
    return {"light": light, "dark": dark, "dark-room": {**dark, **red}}


def test_the_contrast_formula_gives_the_published_extremes():
    """WCAG 2.2: black on white is 21:1, equal colours are 1:1; pure red on black is 5.25:1."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0, abs=1e-9)
    assert contrast("#336699", "#336699") == 1.0
    assert contrast("#ff0000", "#000000") == pytest.approx(5.25, abs=0.005)


@pytest.mark.parametrize("theme", ["light", "dark", "dark-room"])
@pytest.mark.parametrize("ground", ["ground", "panel"])
def test_text_stands_at_four_and_a_half_to_one(theme, ground):
    colours = themes()[theme]

    ratios = {name: contrast(colours[name], colours[ground]) for name in TEXT}

    assert {name: ratio for name, ratio in ratios.items() if ratio < TEXT_AT_LEAST} == {}


@pytest.mark.parametrize("theme", ["light", "dark", "dark-room"])
@pytest.mark.parametrize("ground", ["ground", "panel"])
def test_lines_of_fields_and_the_focus_stand_at_three_to_one(theme, ground):
    colours = themes()[theme]

    ratios = {name: contrast(colours[name], colours[ground]) for name in LINES}

    assert {name: ratio for name, ratio in ratios.items() if ratio < LINES_AT_LEAST} == {}


def test_the_dark_room_has_one_ink_and_no_light_but_red():
    """Long-wave light spares the eye's adaptation: green and blue stay off."""
    colours = themes()["dark-room"]

    inks = {colours[name] for name in TEXT}
    others = {name: colour for name, colour in colours.items() if colour[3:] != "0000"}

    assert len(inks) == 1
    assert others == {}


def test_no_colour_is_written_outside_the_tokens():
    found = {
        path.name: re.findall(r"#[0-9a-fA-F]{3,8}\b|\brgba?\(|\bhsla?\(|\boklch\(", path.read_text())
        for path in STATIC.glob("*.css")
        if path.name != "tokens.css"
    }

    assert {name: colours for name, colours in found.items() if colours} == {}


def test_no_template_carries_style_or_script_of_its_own():
    templates = STATIC.parent / "templates"
    own = re.compile(r"<style|\sstyle=|\son[a-z]+=\"|<script(?![^>]*\ssrc=)")

    assert [path.name for path in templates.rglob("*.html") if own.search(path.read_text())] == []


def test_every_script_is_shorter_than_eighty_lines():
    lengths = {path.name: len(path.read_text().splitlines()) for path in STATIC.glob("*.js")}

    assert lengths
    assert {name: length for name, length in lengths.items() if length >= 80} == {}
