"""Contracts looked at before they go live: what the demands will meet, and what is wrong, in plain words."""

import json

import pytest

from inspect_app.cli import main
from inspect_app.definitions import look_ahead, prove_covered, read_contract_text, read_form_text
from inspect_app.documents.outlook_lines import outlook_lines
from inspect_app.errors import UnusableInput

FORM = """
device_class = "monocular"
title = "For tests"
revision = "A"

[[step]]
id = "latency"
check = "latency"
title = "Latency"
instruction = "Film it."
  [step.expected]
  latency_first_change = { frames_per_s = 60 }
  [[step.question]]
  name = "frames_counted"
  label = "Frames"
  way = "counted"
  [[step.question]]
  name = "frame_interval_ms"
  label = "Interval"
  way = "counted"

[[step]]
id = "edge"
check = "slanted-edge"
title = "Edge"
instruction = "Take it."
  [step.fixed]
  pixel_pitch_um = 5
  [step.expected]
  mtf50_lp_mm = { percent = 2, u = 1, unit = "lp/mm", basis = "trials" }
  [[step.question]]
  name = "scene"
  label = "Picture"

[[step]]
id = "bars"
check = "bar-target"
title = "Bars"
instruction = "Read them."
  [step.fixed]
  axis = "horizontal"
  [step.expected]
  resolution = { percent = 5 }
  [[step.question]]
  name = "reading"
  label = "Element"

[[step]]
id = "grid"
check = "distortion"
title = "Grid"
instruction = "Take it."
  [step.expected]
  distortion_max = { u = 1 }
  [[step.question]]
  name = "scene"
  label = "Picture"

[[step]]
id = "spots"
check = "blemish"
title = "Spots"
instruction = "Take it."
  [step.fixed]
  field_diameter_mm = 18
  zones = "5.6,14.7"
  [[step.question]]
  name = "scene"
  label = "Picture"
"""
HEAD = 'number = "T"\nrevision = "1"\ntitle = "T"\nbuyer = "B"\nsupplier = "S"\n'


def demand(check, quantity, unit, bounds, rule="guarded", more=""):
    return (
        f'[[limit]]\ndevice_class = "monocular"\nclause = "4"\ntitle = "Demand"\ncheck = "{check}"\n'
        f'quantity = "{quantity}"\nunit = "{unit}"\n{bounds}\ndecision_rule = "{rule}"\nseverity = "major"\n{more}\n'
    )


def spots(allowed):
    return (
        '[[spots]]\ndevice_class = "monocular"\nclause = "5"\ntitle = "Spots"\ncheck = "blemish"\npolarity = "dark"\n'
        'contrast_at_least = 0.3\ndecision_rule = "simple"\nseverity = "major"\n[[spots.row]]\nsize_mm = [0.1]\n'
        f"allowed = {allowed}\n"
    )


def forms(text=FORM):
    return {"monocular": read_form_text(text, "form.toml")}


def outlook(demands, form=FORM):
    contract = read_contract_text(HEAD + demands, "contract.toml")
    (found,) = look_ahead(contract, forms(form))
    (line,) = outlook_lines(contract, forms(form))
    return found, line


def test_a_camera_of_60_frames_a_second_is_told_to_be_slow_for_a_limit_of_50_ms():
    """T = 16.67 ms, u = T / √6 = 6.80 ms, U = 13.6 ms, acceptance limit 36.4 ms, C_m = 50 / (4 u) = 1.84."""
    found, line = outlook(demand("latency", "latency_first_change", "ms", "at_most = 50"))

    assert found.expected.standard_uncertainty == pytest.approx(6.804, abs=1e-3)
    assert found.capability == pytest.approx(1.837, abs=1e-3)
    assert found.accepted.at_most == pytest.approx(36.39, abs=5e-3)
    assert line.errors == ()
    (warning,) = line.warnings
    assert warning.startswith(
        "the expected U of 14 ms (frames counted at 60 1/s) is 27 % of the limit:"
        " only readings of at most 36.39 ms are accepted."
    )
    assert (line.expected, line.capability, line.passes) == ("6.8 ms", "1.8", "≤ 36 ms")


def test_expected_parts_combine_in_quadrature_at_the_limit():
    """2 % of 60 is 1.2, with 1 beside it √(1.2² + 1²) = 1.562 lp/mm; a guard band U leaves 60 + 3.124."""
    found, line = outlook(demand("slanted-edge", "mtf50_lp_mm", "lp/mm", "at_least = 60"))

    assert found.expected.standard_uncertainty == pytest.approx(1.562, abs=1e-3)
    assert line.passes == "≥ 63.1 lp/mm"
    assert line.basis == "trials"


def test_a_limit_beyond_nyquist_is_an_error():
    """Pixels of 5 µm: 0.5 cycles per pixel are 100 lp/mm."""
    _, line = outlook(demand("slanted-edge", "mtf50_lp_mm", "lp/mm", "at_least = 101"))

    assert line.errors[0].startswith(
        "at least 101 lp/mm is beyond the Nyquist frequency of step edge, 100 lp/mm: its pixels cannot show it"
    )
    assert outlook(demand("slanted-edge", "mtf50_lp_mm", "lp/mm", "at_least = 99"))[1].errors == ()
    assert outlook(demand("slanted-edge", "mtf50", "cy/px", "at_least = 0.51"))[1].errors != ()


@pytest.mark.parametrize(
    ("check", "quantity", "unit", "missing"),
    [
        ("slanted-edge", "mtf50_cy_mrad", "cy/mrad", "pixel_angle_mrad"),
        ("bar-target", "angular_resolution", "cy/mrad", "distance_m or collimator_mm"),
    ],
)
def test_a_quantity_that_the_form_never_yields_is_an_error(check, quantity, unit, missing):
    _, line = outlook(demand(check, quantity, unit, "at_least = 1"))

    assert line.errors[0].startswith(
        f"step {line_step(check)} yields no {quantity}: it neither fixes nor asks {missing}"
    )


def line_step(check):
    return {"slanted-edge": "edge", "bar-target": "bars"}[check]


def test_a_spot_table_with_zones_that_the_form_does_not_measure_is_an_error():
    _, line = outlook(spots([0, 1, 2]))

    assert line.errors[0].startswith("the table has 3 zones, step spots measures 2")
    assert outlook(spots([0, 1]))[1].errors == ()


@pytest.mark.parametrize(
    ("rule", "more"), [("guarded", ""), ("guard-U", ""), ("iso14253-supplier", ""), ("probability", "p_min = 0.95")]
)
def test_two_limits_that_the_expected_uncertainty_uses_up_cannot_be_adopted(rule, more):
    """±1 % with u = 1 %: neither 2 u nor 1.645 u at both ends, nor a chance of 68 % in the middle, leaves anything."""
    text = HEAD + demand("distortion", "distortion_max", "%", "at_least = -1\nat_most = 1", rule, more)
    contract = read_contract_text(text, "contract.toml")

    with pytest.raises(UnusableInput, match=r"contract T, clause 4: with the expected U of 2 % .* leave nothing"):
        prove_covered(contract, forms())


def test_two_limits_with_room_can_be_adopted():
    text = HEAD + demand("distortion", "distortion_max", "%", "at_least = -5\nat_most = 5")

    prove_covered(read_contract_text(text, "contract.toml"), forms())


def test_on_a_bar_target_the_reading_that_passes_is_an_element():
    """6,2 is 71.84 lp/mm; with U = 10 % the guard band asks for 79.02, which 6,3 (80.63) is the first to resolve."""
    guarded = demand("bar-target", "resolution", "lp/mm", 'at_least_element = "6,2"')
    simple = demand("bar-target", "resolution", "lp/mm", 'at_least_element = "6,2"', "simple")

    assert outlook(guarded)[1].passes == "at least element 6,3 (80.63 lp/mm)"
    assert outlook(simple)[1].passes == "at least element 6,2 (71.84 lp/mm)"


def test_what_the_form_does_not_expect_is_left_open_and_not_invented():
    found, line = outlook(demand("latency", "latency_half", "ms", "at_most = 50"))

    assert (found.expected, found.capability, found.accepted) == (None, None, None)
    assert (line.expected, line.passes) == ("", "")


@pytest.mark.parametrize(
    ("expected", "words"),
    [
        ("latency = { u = 1 }", r"line \d+, step 1, expected, latency: latency yields no such quantity"),
        ("latency_half = { u = -1 }", r"expected, latency_half: says no uncertainty above 0"),
        ("latency_half = {}", r"says no uncertainty above 0. Write \{ percent = 3 \}"),
        ('latency_half = { u = 1, unit = "mm" }', r"latency_half, unit: mm measures length"),
        ("latency_half = { frames_per_s = 0 }", r"frames_per_s: 0 is not above 0"),
        ("latency_half = { frames_per_s = 60, u = 1 }", r"latency_half, u: there is no such field"),
    ],
)
def test_an_impossible_expectation_is_told(expected, words):
    with pytest.raises(UnusableInput, match=words):
        forms(FORM.replace("latency_first_change = { frames_per_s = 60 }", expected))


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "forms").mkdir()
    (tmp_path / "forms" / "monocular.toml").write_text(FORM, encoding="utf-8")
    return tmp_path


def checked(folder, capsys, demands, *more):
    (folder / "order.toml").write_text(HEAD + demands, encoding="utf-8")
    status = main(["contract", "check", str(folder / "order.toml"), "--forms", str(folder / "forms"), *more])
    return status, *capsys.readouterr()


def test_the_command_tells_a_fit_contract_from_an_unfit_one(folder, capsys):
    fit = checked(folder, capsys, demand("latency", "latency_first_change", "ms", "at_most = 50"))
    unfit = checked(folder, capsys, demand("slanted-edge", "mtf50_lp_mm", "lp/mm", "at_least = 101"))

    assert fit[0] == 0
    assert "The contract can go live: 0 wrong, 1 to know." in fit[1]
    assert unfit[0] == 2
    assert "wrong: at least 101 lp/mm is beyond the Nyquist frequency" in unfit[1]


def test_the_command_prints_numbers_as_json(folder, capsys):
    status, out, err = checked(
        folder, capsys, demand("latency", "latency_first_change", "ms", "at_most = 50"), "--json"
    )

    (told,) = json.loads(out)["demands"]
    assert (status, err) == (0, "")
    assert told["capability_index"] == pytest.approx(1.837, abs=1e-3)
    assert told["accepted_at_most"] == pytest.approx(36.39, abs=5e-3)


def test_the_command_tells_a_rounded_element_with_its_line(folder, capsys):
    """72 is the trade's name of element 6,2, which is 71.84 lp/mm."""
    status, out, err = checked(folder, capsys, demand("bar-target", "resolution", "lp/mm", "at_least = 72", "simple"))

    assert (status, out) == (2, "")
    assert err.startswith("order.toml, line 13, limit 1, at_least: 72 lp/mm is the rounded name of element 6,2")


def test_the_command_explains_itself_with_an_example(capsys):
    main(["contract", "check", "--help"])

    assert "inspect-app contract check" in capsys.readouterr().out.split("Examples:")[1]
