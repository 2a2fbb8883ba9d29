"""How far bands lean, against a strobe's, which lie level, and a weave that leans by a known angle."""

import dataclasses

import numpy as np
import pytest
from scipy import linalg

from inspect_app.numerics.bands.band_lean import lean_of
from inspect_app.numerics.bands.fitted_bands import fit_bands
from tests.truth.strobe import patterned, strobe_picture


@pytest.mark.parametrize(("lean_deg", "grain_px"), [(1.2, 25.0), (-3.0, 37.0)])
def test_a_weave_leans_by_its_angle_over_the_width(lean_deg, grain_px):
    """Truth by construction: no strobe; over 160 columns stripes are lower by 160 times the tangent."""
    rng = np.random.default_rng(3)
    even = strobe_picture(rng, duty=1.0, rows=240, cols=160, snr=100, fall_off=0.1)
    picture = even * patterned(rng, 240, 160, "weave", depth=0.3, grain_px=grain_px, lean_deg=lean_deg)

    found = fit_bands(picture)
    lean = lean_of(picture, found).rows

    assert lean == pytest.approx(160 * np.tan(np.deg2rad(lean_deg)), rel=0.2)
    assert lean_of(picture[:, ::-1], found).rows == pytest.approx(-lean)


@pytest.mark.parametrize(("snr", "depth"), [(8, 0.0), (40, 0.1), (100, 0.35)])
def test_a_strobes_bands_do_not_lean_whatever_stands_behind_them(snr, depth):
    """Truth by construction: bands along the rows before blobs half as coarse as they are high, and noise."""
    for seed in range(2):
        rng = np.random.default_rng(seed)
        picture = strobe_picture(rng, readout_s=0.0085, rows=240, cols=160, snr=snr, fall_off=0.4, level=0.3)
        picture *= patterned(rng, 240, 160, "blobs", depth=depth, grain_px=15.0)

        assert lean_of(picture, fit_bands(picture)).rows == 0


@pytest.mark.parametrize(("depth", "turns", "leans"), [(0.04, 0.6, False), (0.3, 0.6, True), (0.04, 0.1, False)])
def test_faint_stripes_that_lean_are_told_only_where_they_may_carry_the_bands_along(depth, turns, leans):
    """By construction: level bands before leaning stripes that misfits weighed against a coarse texture see alone."""
    rng = np.random.default_rng(8)
    down, right = np.arange(200)[:, None] / 200, np.linspace(-0.5, 0.5, 120)
    bands = 0.3 + 2 * np.abs((3.4 * down) % 1 - 0.5) + 0.02 * rng.standard_normal((200, 120))
    stripes = (3.4 * down - turns * right) % 1 < 0.5
    coarse = linalg.toeplitz(1e4 * np.exp(-((np.arange(200) / 25) ** 2))) + np.eye(200)
    found = fit_bands(bands)
    weighed = dataclasses.replace(found.weighed, whitener=linalg.cholesky(coarse, lower=True))
    sharp = np.concatenate([found.parameters[:2], [0.5, 0.02], found.parameters[4:]])
    found = dataclasses.replace(found, parameters=sharp, weighed=weighed)

    assert (lean_of(bands + depth * stripes, found).rows != 0) is leans
