"""Forms: what is read from sound ones, and one error in words for every mistake.

They are proved against checks made for the purpose, so that only the reading is tested here.
"""

from types import MappingProxyType
from typing import Annotated, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import Field

from inspect_app.definitions import CAUTIONS, forms_folder, read_form, read_form_text, read_forms
from inspect_app.errors import UnusableInput
from inspect_app.measure import Check, CheckOptions, Needs
from inspect_app.measure._options import Repeated, Unit
from inspect_app.model import Measured

SOUND = """\
device_class = "test device"
title = "Form for tests"
revision = "A"

[[step]]
id = "lag.{mode}.{illuminance_lx}lx"
check = "lag"
title = "Lag in {mode} at {illuminance_lx} lux"
instruction = "Switch to {mode}."
cautions = ["strobe"]
instruments = ["illuminance meter"]
wants_photos = true

  [step.for_each]
  mode = ["live view", "recording"]
  illuminance_lx = [1, 0.005]

  [step.condition]
  lens = "standard"

  [step.fixed]
  side = "left"
  rows = 480

  [step.window]
  illuminance_lx = { within_percent = 10, before_and_after = true }
  temperature_c = { from = 18, to = 28, label = "Air at the bench" }

  [[step.question]]
  name = "strobe_hz"
  label = "Strobe frequency, {mode}"
  hint = "From the generator"

  [[step.question]]
  name = "scene"
  label = "Film"
  way = "from captures"

  [[step.question]]
  name = "frames"
  label = "Frames counted"
  optional = true
  way = "counted"

[[step]]
id = "look"
check = "seen"
title = "Look"
instruction = "Look."

  [[step.question]]
  name = "item"
  label = "As ordered?"
  items = ["Lens clean", "Serial legible"]
"""


class LagOptions(CheckOptions):
    """One option of every kind."""

    side: Annotated[Literal["left", "right"], Field(description="Side")]
    strobe_hz: Annotated[float, Field(gt=0, le=1000, description="Strobe frequency"), Unit("Hz")]
    rows: Annotated[int | None, Field(ge=2, description="Rows")] = None
    is_fast: Annotated[bool, Field(description="Fast")] = False
    remark: Annotated[str, Field(description="Remark")] = ""
    frames: Annotated[tuple[Annotated[int, Field(ge=0)], ...], Field(description="Frames"), Repeated()] = ()


class SeenOptions(CheckOptions):
    """A checklist."""

    item: Annotated[tuple[Annotated[str, Field(max_length=40)], ...], Field(description="Items"), Repeated()]


def sample(name, options, quantities, needs=None):
    return Check(
        name=name,
        title=name,
        method="",
        quantities=quantities,
        options=options,
        needs=MappingProxyType(needs or {}),
        run=lambda *_: Measured(check=name, method="", results=()),
    )


CHECKS = {
    "lag": sample("lag", LagOptions, {"lag": "ms"}, {"scene": Needs(kinds=("film",), at_least=0)}),
    "seen": sample("seen", SeenOptions, {"items": "1"}),
}


def read(text=SOUND, name="test.toml"):
    return read_form_text(text, name, checks=CHECKS)


def changed(old, new):
    assert old in SOUND
    return SOUND.replace(old, new, 1)


def test_a_step_is_repeated_for_each_combination():
    assert [step.id for step in read().steps] == [
        "lag.live-view.1lx",
        "lag.live-view.0.005lx",
        "lag.recording.1lx",
        "lag.recording.0.005lx",
        "look",
    ]


def test_placeholders_take_the_values_of_their_step():
    step = read().step("lag.live-view.0.005lx")

    assert step.title == "Lag in live view at 0.005 lux"
    assert step.instruction == "Switch to live view."
    assert step.questions[0].label == "Strobe frequency, live view"
    assert step.condition == {"mode": "live view", "illuminance_lx": 0.005, "lens": "standard"}


def test_a_placeholder_alone_keeps_the_kind_of_its_value():
    text = changed("rows = 480", 'rows = "{rows}"').replace('mode = ["live view", "recording"]', "rows = [480, 600]")
    text = text.replace("{mode}", "{rows}")

    step = read(text).step("lag.600.1lx")

    assert step.fixed["rows"] == 600
    assert isinstance(step.fixed["rows"], int)


def test_windows_are_read_about_the_condition_or_between_bounds():
    near, plain = read().step("lag.recording.0.005lx").windows

    assert (near.name, near.unit, near.label, near.before_and_after) == ("illuminance_lx", "lx", "Illuminance", True)
    assert (near.low, near.high) == (pytest.approx(0.0045), pytest.approx(0.0055))
    assert (plain.name, plain.unit, plain.label, plain.before_and_after) == (
        "temperature_c",
        "°C",
        "Air at the bench",
        False,
    )
    assert (plain.low, plain.high) == (18, 28)


def test_questions_take_kind_unit_and_range_from_the_option():
    strobe, film, frames = read().steps[0].questions

    assert (strobe.kind, strobe.unit, strobe.low, strobe.high, strobe.hint) == (
        "number",
        "Hz",
        0,
        1000,
        "From the generator",
    )
    assert (film.kind, film.way, film.is_optional) == ("captures", "from captures", False)
    assert (frames.kind, frames.is_optional) == ("list", True)


@pytest.mark.parametrize(("option", "kind", "choices"), [("is_fast", "choice", ("yes", "no")), ("remark", "text", ())])
def test_every_kind_of_option_can_be_asked(option, kind, choices):
    question = read(changed('name = "frames"', f'name = "{option}"')).steps[0].questions[2]

    assert (question.kind, question.choices) == (kind, choices)


def test_a_choice_offers_its_words():
    text = changed('side = "left"\n', "").replace('name = "frames"', 'name = "side"').replace("optional = true\n", "")

    question = read(text).steps[0].questions[2]

    assert (question.kind, question.choices) == ("choice", ("left", "right"))


def test_cautions_are_given_in_full_words():
    step = read().steps[0]

    assert step.cautions == (CAUTIONS["strobe"],)
    assert step.instruments == ("illuminance meter",)
    assert step.wants_photos


def test_a_checklist_knows_which_of_its_items_are_left():
    question = read().step("look").questions[0]

    assert (question.kind, question.items) == ("list", ("Lens clean", "Serial legible"))
    assert question.items_left(["lens clean = yes"]) == ("Serial legible",)
    assert question.items_left(["Lens clean=no", "Serial legible=cannot tell"]) == ()


def test_an_unknown_step_is_a_programming_mistake():
    with pytest.raises(KeyError):
        read().step("nowhere")


def test_the_text_is_kept_with_its_digest():
    """SHA-256 by the standard's test vector holds for the library; here that it is of the very text."""
    form = read()

    assert form.source == SOUND
    assert len(form.digest) == 64
    assert form.digest != read(SOUND + "\n").digest


@pytest.mark.parametrize("text", ["\ufeff" + SOUND, SOUND.replace("\n", "\r\n"), SOUND.replace("  ", "\t")])
def test_byte_order_mark_line_ends_and_tabs_do_not_matter(text):
    assert [step.id for step in read(text).steps] == [step.id for step in read().steps]


MISTAKES = {
    "no TOML": ('revision = "A"', "revision = A", r"test\.toml: is no TOML: .*line 3.*quotation marks"),
    "field twice": ('revision = "A"', 'revision = "A"\nrevision = "B"', r"is no TOML: .*overwrite"),
    "missing field": ('title = "Form for tests"\n', "", r"test\.toml, title: is missing\. Give text"),
    "unknown field": (
        'revision = "A"',
        'revision = "A"\nauthor = "x"',
        r"test\.toml, line \d+, author: there is no such field here\. Use",
    ),
    "empty text": ('revision = "A"', 'revision = " "', r"revision: is empty"),
    "number as text": ('revision = "A"', "revision = 1", r"revision: is a number where text belongs: 1"),
    "date as text": ('revision = "A"', "revision = 2026-01-01", r"revision: is a date or time where text belongs"),
    "control character": (
        'title = "Look"',
        'title = "Lo\\u0000ok"',
        r"title: holds a character that cannot be printed",
    ),
    "no step": (SOUND[SOUND.index("[[step]]") :], "", r"test\.toml, step: the form has no step"),
    "step not a list": (
        SOUND[SOUND.index("[[step]]") :],
        "step = 3",
        r"step: is a number where a list of tables belongs",
    ),
    "list of no tables": (SOUND[SOUND.index("[[step]]") :], "step = [1]", r"step: is not a list of tables"),
    "unknown field of step": (
        "wants_photos = true",
        "wants_fotos = true",
        r"step 1, wants_fotos: there is no such field",
    ),
    "text as true": (
        "wants_photos = true",
        'wants_photos = "yes"',
        r"wants_photos: is text where true or false belongs",
    ),
    "unknown check": (
        'check = "lag"',
        'check = "lagg"',
        r"step 1, check: 'lagg' is none of its words\. Use one of lag, seen",
    ),
    "bad id": ('id = "look"', 'id = "Look here"', r"step 2, id: 'Look here' is no name for a step"),
    "step twice": (
        "lag.{mode}.{illuminance_lx}lx",
        "lag.{mode}",
        r"step 1, id: two steps are called 'lag\.live-view'.*for_each",
    ),
    "unknown placeholder": (
        "Switch to {mode}.",
        "Switch to {mood}.",
        r"step 1, instruction: \{mood\} stands for nothing.*\{mode\}",
    ),
    "placeholder without for_each": (
        'instruction = "Look."',
        'instruction = "{x}"',
        r"step 2, instruction: \{x\}.*no for_each",
    ),
    "placeholder in a question": (
        "frequency, {mode}",
        "frequency, {moode}",
        r"step 1, question, label: \{moode\} stands",
    ),
    "empty for_each": (
        'mode = ["live view", "recording"]',
        "mode = []",
        r"for_each, mode: is not a list of texts or numbers",
    ),
    "repeated value": (
        '"live view", "recording"',
        '"live view", "live view"',
        r"for_each, mode: names something twice",
    ),
    "infinite value": (
        "illuminance_lx = [1, 0.005]",
        "illuminance_lx = [1, inf]",
        r"illuminance_lx: inf is no finite number",
    ),
    "condition twice": ('lens = "standard"', 'mode = "x"', r"condition, mode: stands in for_each too"),
    "condition of a strange kind": (
        'lens = "standard"',
        "lens = true",
        r"condition, lens: is true or false where a text or a number",
    ),
    "condition of fractions": ('lens = "standard"', "lens = [1.5]", r"condition, lens: is not a list of whole numbers"),
    "condition with a bad name": (
        'lens = "standard"',
        '"Lens Type" = "x"',
        r"condition, Lens Type: is no name for a condition",
    ),
    "condition not a number": ('lens = "standard"', "lens = nan", r"condition, lens: nan is no finite number"),
    "unknown option fixed": (
        "rows = 480",
        "columns = 480",
        r"fixed, columns: lag has no such option\. Use one of side, strobe_hz",
    ),
    "fixed out of range": (
        "rows = 480",
        "rows = 1",
        r"step 1, fixed: option --rows: .*greater than or equal to 2.*you gave 1",
    ),
    "fixed of the wrong kind": ("rows = 480", 'rows = "many"', r"step 1, fixed: option --rows"),
    "fixed to a wrong word": (
        'side = "left"',
        'side = "middle"',
        r"step 1, fixed: option --side.*Use one of left, right",
    ),
    "fixed to a table": ("rows = 480", "rows = { a = 1 }", r"fixed, rows: is a table where a number belongs"),
    "fixed and asked": ("rows = 480", "strobe_hz = 50", r"question 1, name: strobe_hz is asked twice or fixed as well"),
    "asked twice": ('name = "frames"', 'name = "strobe_hz"', r"question 3, name: strobe_hz is asked twice"),
    "unknown option asked": (
        'name = "frames"',
        'name = "frame"',
        r"question 3, name: lag has no option 'frame'\. Use one of side",
    ),
    "needed option not asked": ('side = "left"', "is_fast = true", r"step 1, question: lag needs side\. Ask it"),
    "needed option optional": (
        'label = "Strobe',
        'optional = true\nlabel = "Strobe',
        r"step 1, question: lag needs strobe_hz",
    ),
    "question without label": ('label = "Film"\n', "", r"question 2, label: is missing"),
    "unknown field of question": (
        'label = "Film"',
        'label = "Film"\nkind = "x"',
        r"question 2, kind: there is no such field here",
    ),
    "unknown caution": (
        'cautions = ["strobe"]',
        'cautions = ["fire"]',
        r"cautions: 'fire' is none of the cautions\. Use one of dark",
    ),
    "cautions not a list": (
        'cautions = ["strobe"]',
        'cautions = "strobe"',
        r"cautions: is text where a list of texts belongs",
    ),
    "numbers as cautions": ('cautions = ["strobe"]', "cautions = [1]", r"cautions: is not a list of texts: \[1\]"),
    "window without unit": (
        "temperature_c = ",
        "temperature = ",
        r"window, temperature: does not end in a unit\. End it in one of _lx",
    ),
    "window upside down": (
        "from = 18, to = 28",
        "from = 28, to = 18",
        r"window, temperature_c, from: 28 is not below 18",
    ),
    "window half open": ("from = 18, to = 28", "from = 18", r"window, temperature_c, to: is missing"),
    "window of no width": ("within_percent = 10", "within_percent = 0", r"within_percent: 0 is not between 0 and 100"),
    "window about nothing": (
        "from = 18, to = 28",
        "within_percent = 5",
        r"temperature_c, within_percent: the step has no condition",
    ),
    "unknown field of window": (
        "from = 18, to = 28",
        "from = 18, to = 28, at = 2",
        r"temperature_c, at: there is no such field",
    ),
    "window not a table": (
        '{ from = 18, to = 28, label = "Air at the bench" }',
        "20",
        r"temperature_c: is a number where a table",
    ),
    "item twice": ('"Serial legible"', '"lens  clean"', r"step 2, question 1, items: names an item twice"),
    "item too long for the check": ('"Serial legible"', f'"{"x" * 50}"', r"question 1, items: .*40 characters"),
}


@pytest.mark.parametrize(("old", "new", "message"), MISTAKES.values(), ids=MISTAKES.keys())
def test_a_mistake_is_told_with_file_place_field_and_way_out(old, new, message):
    with pytest.raises(UnusableInput, match=message) as caught:
        read(changed(old, new))

    assert caught.value.where.startswith("test.toml")
    assert caught.value.remedy
    assert "\n" not in str(caught.value)


def test_a_slip_in_for_each_cannot_make_endless_steps():
    many = ", ".join(map(str, range(1, 300)))

    with pytest.raises(UnusableInput, match="more than 200 steps"):
        read(changed("illuminance_lx = [1, 0.005]", f"illuminance_lx = [{many}]"))


@pytest.mark.parametrize(
    "deep", ["x = " + "[" * 5000 + "]" * 5000, ".".join(["a"] * 5000) + " = 1", "x = " + "[" * 30 + "]" * 30]
)
def test_deep_nesting_is_refused(deep):
    with pytest.raises(UnusableInput, match=r"test\.toml, line 1: is nested too deeply"):
        read(deep)


def test_a_number_of_too_many_digits_is_refused():
    with pytest.raises(UnusableInput, match=r"no TOML|no finite number"):
        read(changed("from = 18", f"from = {'9' * 5000}"))


def test_a_number_beyond_floats_is_refused():
    with pytest.raises(UnusableInput, match="no finite number"):
        read(changed("from = 18", f"from = {'9' * 400}"))


def test_half_a_character_is_refused():
    with pytest.raises(UnusableInput, match="is not Unicode text"):
        read(changed("Form for tests", "Form \ud800"))


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (SOUND.encode("utf-16"), r"bad\.toml: line 1 is not UTF-8 text\. Save the file as UTF-8"),
        (changed("Look.", "Größe").encode("latin-1"), r"bad\.toml: line \d\d is not UTF-8 text"),
        (b"#" * 10_000_000, r"bad\.toml: is larger than 1 MB"),
        (b"", r"bad\.toml, step: the form has no step|bad\.toml, device_class: is missing"),
        (b"\x89PNG\r\n\x1a\n\x00", r"bad\.toml: line 1 is not UTF-8 text"),
    ],
    ids=["UTF-16", "Latin-1", "10 MB", "empty", "a picture"],
)
def test_a_file_that_is_no_definition_is_refused(tmp_path, content, message):
    path = tmp_path / "bad.toml"
    path.write_bytes(content)

    with pytest.raises(UnusableInput, match=message):
        read_form(path, checks=CHECKS)


def test_a_file_that_is_not_there_is_told(tmp_path):
    with pytest.raises(UnusableInput, match=r"gone\.toml: cannot be read"):
        read_form(tmp_path / "gone.toml", checks=CHECKS)


def test_the_forms_of_a_folder_are_read_by_class(tmp_path):
    (tmp_path / "one.toml").write_text(SOUND, encoding="utf-8")
    (tmp_path / "two.toml").write_text(changed("test device", "other device"), encoding="utf-8")

    assert sorted(read_forms(tmp_path, checks=CHECKS)) == ["other device", "test device"]


def test_two_forms_for_one_class_are_refused(tmp_path):
    (tmp_path / "one.toml").write_text(SOUND, encoding="utf-8")
    (tmp_path / "two.toml").write_text(SOUND, encoding="utf-8")

    with pytest.raises(UnusableInput, match=r"two\.toml, device_class: another form is for 'test device' too"):
        read_forms(tmp_path, checks=CHECKS)


def test_a_folder_without_forms_is_told(tmp_path):
    with pytest.raises(UnusableInput, match="holds no form"):
        read_forms(tmp_path, checks=CHECKS)


def test_the_folder_of_the_forms_is_there():
    assert list(forms_folder().glob("*.toml"))


@given(st.text(max_size=200))
def test_any_text_is_a_form_or_an_error_in_words(text):
    with pytest.raises(UnusableInput):
        read(text)


@given(st.data())
def test_a_form_with_a_piece_cut_out_is_read_or_refused_in_words(data):
    start = data.draw(st.integers(0, len(SOUND)))
    end = data.draw(st.integers(start, len(SOUND)))
    outcome = None

    try:
        outcome = read(SOUND[:start] + SOUND[end:])
    except UnusableInput as error:
        outcome = error.remedy

    assert outcome
