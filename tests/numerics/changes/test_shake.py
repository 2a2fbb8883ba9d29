"""Films that sway, laid over one another: truth is the scene itself, drawn anew at each shift."""

import numpy as np
import pytest
from scipy import ndimage

from inspect_app.numerics.changes.shake import steadied_frames


def scene(shift, lamp=1.0, screen=0.0):
    """Draw texture, a lamp and a screen, all moved down and right by a shift in points; smooth, so without aliasing."""
    y, x = np.mgrid[:80, :120].astype(float)
    y, x = y - shift[0], x - shift[1]
    texture = 60 + 12 * np.sin(x / 3.1) * np.cos(y / 4.3) + 8 * np.sin((x + 2 * y) / 5.7)
    spot = 1 / (1 + np.exp(np.hypot(x - 25, y - 40) - 6))
    field = 1 / (1 + np.exp(np.maximum(np.abs(x - 80) - 20, np.abs(y - 40) - 15)))
    return texture + 100 * lamp * spot + 90 * screen * field


def film(path, lamps, screens, noise=1.0):
    rng = np.random.default_rng(1)
    frames = [scene(*each) for each in zip(path, lamps, screens, strict=True)]
    return np.rint(frames + noise * rng.standard_normal((len(frames), 80, 120))).clip(0, 255).astype(np.uint8)


def swaying(frames, size):
    rng = np.random.default_rng(2)
    turns = rng.uniform(0, 2 * np.pi, 2)
    return size * np.sin(np.arange(frames)[:, None] / 7 + turns) - size * np.sin(turns)


@pytest.mark.parametrize("size", [0.5, 2.5])
def test_a_film_that_sways_is_laid_over_its_first_frame(size):
    """Beside texture alone, a tenth of a point off is 0.4 codes here; codes are rounded twice and have noise of 1."""
    path, lamps = swaying(60, size), np.repeat([0.0, 1.0], 30)
    screens = np.roll(lamps, 6) * (np.arange(60) > 6)

    steady = steadied_frames(film(path, lamps, screens)).astype(float)

    still = np.array([scene(path[0], *each) for each in zip(lamps, screens, strict=True)])
    off = (steady - still)[:, 14:-14, 14:-14]
    assert np.sqrt(np.mean(off**2)) < 1.3
    assert np.abs(off.mean(axis=0)).max() < 3


def small_lights(shift, light, glow):
    """Draw a lamp and a screen of five points each, on even ground."""
    y, x = np.mgrid[:80, :120].astype(float)
    y, x = y - shift[0], x - shift[1]
    lamp = 1 / (1 + np.exp(3 * (np.hypot(x - 25, y - 40) - 2.5)))
    screen = 1 / (1 + np.exp(3 * (np.maximum(np.abs(x - 80), np.abs(y - 40)) - 2.5)))
    return 50 + 0.2 * x + 100 * light * lamp + 60 * glow * screen


@pytest.mark.parametrize("seed", [5, 7])
def test_lights_that_come_back_out_of_the_dark_lie_where_they_were(seed):
    """Nothing tells the sway while all is dark, least of all an afterglow that has gone."""
    lit = np.repeat([1.0, 0.0, 1.0], [45, 60, 45])
    glow = np.where(lit > 0, 1.0, 0.4 * np.exp(-(np.arange(len(lit)) - 45) / 8))
    path, noise = swaying(len(lit), 1.5), np.random.default_rng(seed).normal(0, 2.5, (len(lit), 80, 120))
    frames = np.rint([small_lights(*each) for each in zip(path, lit, glow, strict=True)] + noise).clip(0, 255)

    steady = steadied_frames(frames.astype(np.uint8)).astype(float)

    late = np.median(steady[-25:], axis=0)
    y, x = np.nonzero(late > 100)
    assert np.hypot(*np.subtract([25, 40], [x[x < 60].mean(), y[x < 60].mean()])) < 0.3
    assert np.hypot(*np.subtract([80, 40], [x[x > 60].mean(), y[x > 60].mean()])) < 0.3


def test_a_film_that_stands_still_is_left_as_it_is_however_its_lights_go():
    lamps, screens = np.repeat([0.0, 1.0, 0.0], 20), np.repeat([0.0, 1.0, 0.0], [25, 20, 15])
    frames = film(np.zeros((60, 2)), lamps, screens)

    steady = steadied_frames(frames)

    assert steady is frames


def test_noise_without_a_scene_is_not_taken_for_sway():
    frames = np.random.default_rng(3).integers(20, 60, (50, 80, 120)).astype(np.uint8)

    assert steadied_frames(frames) is frames


def test_noise_that_interpolation_calms_is_not_taken_for_sway():
    """Truth by construction: a still scene whose texture is weaker than the noise of a frame."""
    rng = np.random.default_rng(10)
    texture = ndimage.gaussian_filter(rng.standard_normal((60, 80)), 1.5)
    frames = 40 + 4.5 * texture / texture.std() + 7 * rng.standard_normal((60, 60, 80))
    codes = np.rint(frames).clip(0, 255).astype(np.uint8)

    assert steadied_frames(codes) is codes


def test_a_picture_too_small_to_search_in_is_left_as_it_is():
    frames = np.random.default_rng(4).integers(0, 255, (20, 12, 16)).astype(np.uint8)

    assert steadied_frames(frames) is frames


def test_frames_farther_apart_than_a_search_reaches_are_laid_over_one_another():
    """A hand that jumps by seven points and back: neither place is farther than five from where it usually is."""
    path = np.zeros((60, 2))
    path[::2] = -3.5
    path[1::2] = 3.5
    path[30:36] = 0.0

    steady = steadied_frames(film(path, np.zeros(60), np.zeros(60))).astype(float)

    still = scene(path[0], 0.0)
    assert np.sqrt(np.mean((steady - still)[:, 14:-14, 14:-14] ** 2, axis=(1, 2))).max() < 3
