"""Points of a grid that are placed worse than others."""

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.grids.grid_fit import GridFit, powers_of, solved, solved_near
from inspect_app.numerics.grids.grid_spread import relative_spread

FloatArray = npt.NDArray[np.float64]

HALF_PX = 650.0
NOISE_PX = 0.02
K1 = -0.06
INDEX = np.stack(np.meshgrid(np.arange(-7, 8), np.arange(-5, 6)), axis=-1).reshape(-1, 2).astype(np.float64)
AT_RIM = (np.abs(INDEX) == [7, 5]).any(axis=1)


def grids(spread: FloatArray, draws: int) -> list[tuple[FloatArray, GridFit]]:
    """Draw the grid seen with noise of such a spread, and its fit with all points alike."""
    rng = np.random.default_rng(7)
    flat = INDEX * 68 / HALF_PX
    ideal = flat * (1 + K1 * powers_of(np.hypot(*flat.T), 1))
    each = NOISE_PX / HALF_PX * spread[:, None]
    views = [ideal + rng.normal(size=ideal.shape) * each for _ in range(draws)]
    return [(seen, solved(seen, INDEX, terms=1, keystone_scatter=0.05)) for seen in views]


def test_a_rim_that_is_placed_worse_is_told_by_how_it_lies_off() -> None:
    """Truth by construction: points of the rim have twice the noise of those within, and then the same.

    What is usual draws either towards itself.
    """
    for truth, least, most in ((2.0, 1.6, 2.1), (1.0, 0.9, 1.2)):
        told = [
            float(np.mean(spread[AT_RIM]) / np.mean(spread[~AT_RIM]))
            for seen, fit in grids(np.where(AT_RIM, truth, 1.0), 20)
            for spread in [relative_spread(fit, seen, INDEX)]
        ]
        assert least < np.mean(told) < most
        assert np.std(told) < 0.15 * truth


def test_a_rim_that_is_placed_worse_makes_the_distortion_no_more_certain() -> None:
    """Truth by construction: k1; taken as placed alike its error is 1.3 times its uncertainty."""
    pulls: dict[str, list[float]] = {"alike": [], "apart": []}
    for seen, fit in grids(np.where(AT_RIM, 2.5, 1.0), 60):
        apart = solved_near(fit, seen, INDEX, spread=relative_spread(fit, seen, INDEX))
        for name, found in (("alike", fit), ("apart", apart)):
            pulls[name].append((found.parameters[-1] - K1) / float(np.sqrt(found.covariance[-1, -1])))
    alike, apart_ = (float(np.sqrt(np.mean(np.square(pulls[name])))) for name in ("alike", "apart"))

    assert apart_ < 1.15
    assert alike > apart_ + 0.15


def test_a_fit_from_near_by_is_that_from_afar() -> None:
    """The same points and the same keystone: the start changes nothing."""
    seen, fit = grids(np.ones(len(INDEX)), 1)[0]
    afar = solved(seen, INDEX, terms=1, keystone_scatter=0.0)
    near = solved_near(fit, seen, INDEX, keystone_scatter=0.0)

    assert np.allclose(near.parameters, afar.parameters, atol=1e-9)
    assert np.isclose(near.log_evidence, afar.log_evidence, atol=1e-6)
