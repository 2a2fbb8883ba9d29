"""Light between pixels, against a general library."""

import numpy as np
from scipy import ndimage

from inspect_app.numerics.between_pixels import bilinear


def test_light_is_that_of_a_general_library_within_a_picture_on_its_border_and_beyond() -> None:
    """Against `scipy.ndimage.map_coordinates`, linear, which continues a picture by the nearest pixel."""
    rng = np.random.default_rng(5)
    image = rng.normal(size=(7, 11))
    y, x = rng.uniform(-3, 10, (40, 30)), rng.uniform(-3, 14, (40, 30))
    y[0], x[1] = np.arange(30) % 7, np.arange(30) % 11  # on pixels, the last row and column among them

    light = bilinear(image, y, x)

    np.testing.assert_allclose(light, ndimage.map_coordinates(image, [y, x], order=1, mode="nearest"), atol=1e-12)


def test_a_part_of_a_picture_is_read_like_a_copy_of_it() -> None:
    part = np.arange(60.0).reshape(6, 10)[1:4, 2:7]

    assert bilinear(part, np.array([0.5, 2.0]), np.array([1.25, 4.0])).tolist() == [18.25, 36.0]
