"""What limits resolution: optics in good light, sensor or tube near starlight, the rows of the sensor always."""

import dataclasses

import pytest

from demo_fleet.fleet import intensifier_truth, large_truth, standard_truth
from demo_fleet.simulator import Blur, perform
from demo_fleet.simulator.optics import edge_frequency_cy_px
from inspect_app.measure import measure

MAKERS = {"standard": standard_truth, "large": large_truth, "intensifier": intensifier_truth}


def edge(truth, illuminance_lx, folder):
    """Measure a vertical edge."""
    done = perform(truth, "slanted-edge", {"illuminance_lx": illuminance_lx, "axis": "horizontal"}, folder)
    return measure("slanted-edge", done.files, {})


def quantity(found, name):
    """Return the quantity of the one horizontal result of a name."""
    (result,) = (r for r in found.results if r.quantity_name == name and r.condition["axis"] == "horizontal")
    return result.quantity


@pytest.mark.parametrize("kind", MAKERS)
def test_the_lens_limits_at_1_lux_and_the_sensor_or_tube_near_starlight(kind, tmp_path):
    """Common practice, no source; truth at 1 lux: the closed-form MTF of the lens blur and the pixel."""
    truth = MAKERS[kind](7)

    bright, dim = (quantity(edge(truth, light, tmp_path), "mtf50") for light in (1, 0.005))

    lens = edge_frequency_cy_px(truth.blur(1), "horizontal", 0.5)
    assert bright.value == pytest.approx(lens, abs=3 * bright.standard_uncertainty)
    assert bright.value - dim.value > 3 * (bright.standard_uncertainty + dim.standard_uncertainty)


@pytest.mark.parametrize("sigma_px", [0.3, 0.45, 0.9])
def test_a_sensor_of_600_rows_shows_at_most_600_line_widths_per_picture_height(sigma_px, tmp_path):
    """Nyquist: half a cycle per pixel, two line widths per cycle, 600 pixels of height (ISO 12233, from memory).

    The edge method sees the response of lens and pixel beyond that; what lies there is told as such in a warning.
    """
    sharp = (Blur(illuminance_lx=1, sigma_x_px=sigma_px, sigma_y_px=sigma_px),)
    truth = dataclasses.replace(standard_truth(3), blurs=sharp)

    found = edge(truth, 1, tmp_path)

    beyond = [name for name in ("mtf50", "mtf10") if 2 * 600 * quantity(found, name).value > 600]
    assert "mtf50" not in beyond
    assert bool(beyond) == any("Nyquist" in warning for warning in found.warnings)
