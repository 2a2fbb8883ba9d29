"""Patches of a film that switch, drawn cell by cell."""

import numpy as np
import pytest

from inspect_app.numerics.changes.switching import liveliest_patch, parts, switching_patches


def cells(moments):
    """Draw fields side by side, five cells wide, that light up at their moments: partly in the frame that holds one."""
    frames = np.arange(60)
    light = [100 * np.clip(frames + 1 - moment, 0, 1) for moment in moments]
    row = np.stack([trace for trace in light for _ in range(5)], axis=1)
    film = np.pad(np.repeat(row[:, None, :], 6, axis=1), ((0, 0), (4, 4), (4, 4)))
    return (film + 0.3 * np.random.default_rng(1).standard_normal(film.shape)).astype(np.float32)


def test_a_light_that_touches_its_picture_is_one_patch_of_two_parts():
    """By construction 1.6 frames apart."""
    film = cells([20.0, 21.6])
    (whole,) = switching_patches(film)

    found = sorted(parts(film, whole), key=lambda part: part.first)

    assert [int(part.mask.sum()) for part in found] == [30, 30]
    assert found[1].first - found[0].first == pytest.approx(1.6, abs=0.4)


def test_one_field_is_one_part():
    film = cells([20.3, 20.3])
    (whole,) = switching_patches(film)

    assert len(parts(film, whole)) == 1


def test_a_lamp_is_livelier_than_a_larger_counter_drawn_into_the_picture():
    """Truth by construction: 25 cells that blink by 40 codes as one, beside 80 that change by 100, each by itself."""
    rng = np.random.default_rng(3)
    cells = rng.normal(60, 1, (90, 30, 40)).astype(np.float32)
    cells[:, 18:23, 10:15] += 40 * (np.arange(90) // 9 % 2)[:, None, None]
    cells[:, 2:10, 25:35] += 100 * rng.integers(0, 2, (90, 8, 10))

    found = liveliest_patch(cells)

    assert found is not None
    lamp = np.zeros((30, 40), dtype=bool)
    lamp[18:23, 10:15] = True
    assert (found == lamp).all()
