"""Surfaces whose orders are known: what stands out of the noise stays, what does not adds none."""

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.fields.calmed_surface import CalmedSurface, calmed
from inspect_app.numerics.fields.smooth_field import smooth_field

FloatArray = npt.NDArray[np.float64]
ROWS, COLS = 200, 240
MIDDLE, REACH_PX = (119.5, 99.5), 80.0


def calm(picture: FloatArray) -> tuple[CalmedSurface, FloatArray]:
    """Return the surface of a picture over places within a circle, and its light there as it was fitted."""
    smooth = smooth_field(picture, np.ones(picture.shape, dtype=bool))
    assert smooth is not None
    y, x = np.mgrid[0:ROWS:4, 0:COLS:4].astype(float)
    within = np.hypot(x - MIDDLE[0], y - MIDDLE[1]) < REACH_PX
    x, y = x[within], y[within]
    own = (x - MIDDLE[0]) / REACH_PX, (y - MIDDLE[1]) / REACH_PX
    return calmed(smooth, x, y, own=own, area=len(x)), smooth.at(x, y)


def light_of(order: int) -> FloatArray:
    y, x = np.mgrid[0:ROWS, 0:COLS].astype(float)
    return 1 - 0.3 * (np.hypot(x - MIDDLE[0], y - MIDDLE[1]) / REACH_PX) ** order


def test_a_surface_without_noise_is_left_as_it_is() -> None:
    """By algebra: where noise has no power (but of rounding) nothing is taken off; the light is of order 4."""
    surface, fitted = calm(light_of(4))

    np.testing.assert_allclose(surface.light, fitted, atol=1e-5)
    np.testing.assert_allclose(surface.light_of_low_order, fitted, atol=1e-5)


def test_the_sixth_power_of_the_radius_lies_above_the_low_orders() -> None:
    surface, fitted = calm(light_of(6))

    np.testing.assert_allclose(surface.light, fitted, atol=1e-5)
    assert np.ptp(fitted - surface.light_of_low_order) > 0.01


def test_noise_is_calmed_and_what_stands_out_of_it_stays() -> None:
    """Of 30 pictures: a fall by 30 % is kept, and of the variance of the surface's error a quarter or more is gone."""
    left, before = [], []
    for seed in range(30):
        picture = light_of(2) + np.random.default_rng(seed).normal(0, 0.05, (ROWS, COLS))
        surface, fitted = calm(picture)
        y, x = np.mgrid[0:ROWS:4, 0:COLS:4]
        truth = light_of(2)[::4, ::4][np.hypot(x - MIDDLE[0], y - MIDDLE[1]) < REACH_PX]
        left.append(np.var(surface.light - truth))
        before.append(np.var(fitted - truth))

    assert np.mean(left) < 0.75 * np.mean(before)


def test_uncertainty_is_that_of_the_scatter_between_pictures() -> None:
    """Of 40 pictures of noise alone: departures from the mean, root mean square, as stated within 25 %."""
    stated, seen = [], []
    for seed in range(40):
        surface, fitted = calm(1 + np.random.default_rng(seed).normal(0, 0.05, (ROWS, COLS)))
        stated.append(surface.departure_u() ** 2)
        seen.append(np.square(fitted - fitted.mean()).mean())

    assert 0.75 < np.sqrt(np.mean(stated) / np.mean(seen)) < 1.25
