"""What a coder hides of a region of a film."""

import numpy as np
import pytest

from inspect_app.capture.film import read_film
from inspect_app.measure._films.coded_regions import coded_share
from inspect_app.measure._films.light import watch
from tests.truth.films import write_film


@pytest.mark.parametrize(("quality", "hides"), [(0, False), (26, True)])
def test_a_coder_hides_a_code_of_a_region_that_it_holds_still(tmp_path, quality, hides):
    """Truth by construction: steps from 60 to 140 of 255, in studio range, in noise of 1.5, kept whole or not."""
    rng = np.random.default_rng(2)
    level = np.where(np.arange(40) < 20, 60.0, 140.0)
    frames = level[:, None, None] + 1.5 * rng.standard_normal((40, 64, 96))
    path = write_film(tmp_path / "step.mp4", frames, np.arange(40) / 60, quality=quality)
    film = read_film(path, name=path.name, role="scene", transfer="linear", sha256="")
    seen = watch(film, ((20, 10, 40, 30),), with_samples=True)

    share = coded_share(film, seen.samples, (20, 10, 40, 30), seen.light[:, 0])

    assert share == (pytest.approx(255 / 219 / 80, rel=0.05) if hides else 0.0)
