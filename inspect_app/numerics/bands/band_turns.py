"""Fits of a strobe's bands with misfits weighed by the texture behind them: texture and light are found in turn."""

import dataclasses
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from inspect_app.numerics.bands.band_doubt import weighted
from inspect_app.numerics.bands.band_model import (
    Profile,
    light_by_strips,
    misfit,
    refined,
    shaped,
    stretched,
    unlikeliness,
)
from inspect_app.numerics.bands.band_starts import around, further
from inspect_app.numerics.bands.strip_light import strip_light
from inspect_app.numerics.bands.strip_texture import Strips, Texture, texture_of

FloatArray = npt.NDArray[np.float64]

FEW_TRIES: Final = 20  #: of a fit that is begun near another
ROUNDS: Final = 3  #: of fits begun anew
BETTER: Final = 0.2  #: chi-squared by which a round must be better than the last one to be followed by another
HOPELESS: Final = 30.0  #: by how much less likely (logarithm) other fits may be and still be weighed
DECIDED: Final = 40.0  #: chi-squared by which rows alone must be worse for other fits to be out of the question
_WORST: Final = 4.0  # mean square of weighed misfits, up to which a fit describes the rows
_TURNS: Final = 2  # of texture and light in turn: a third moves the count by a tenth of its uncertainty at most
_APART: Final = 0.01  # of themselves, by which bands are others;
_ALIKE: Final = 0.002  # likewise, of fits that were begun where misfits were weighed;
_RIVALS: Final = 3  # how many at most, and
_STRETCHED: Final = (-0.12, -0.08, -0.04, 0.04, 0.08, 0.12)  # of the count, by which few bands are tried
_TOLD: Final = (0.01, 0.05)  # of a period and of itself, by which a fitted flash may be another than is told; by
_NOT_TOLD: Final = 3.0  # times as much it is not the strobe's: a texture that moves edges was off by 1.6 times
_TEMPER: Final = 0.25  # how much the evidence of strips counts among them: it is biased by up to 20 (one picture)


@dataclass(frozen=True, slots=True)
class WeighedFit:
    """A fit of a profile whose misfits are weighed, and minus the logarithm of how likely rows and strips are by it."""

    profile: Profile
    fit: optimize.OptimizeResult
    by_rows: float
    by_strips: float = 0.0

    @property
    def cost(self) -> float:
        """Return minus the logarithm by which fits are compared."""
        return self.by_rows + _TEMPER * self.by_strips


def weighed_fits(
    seen: Profile,
    fits: list[optimize.OptimizeResult],
    scanned: list[FloatArray],
    strips: Strips,
    most_cost: float,
    flash: float | None = None,
) -> list[WeighedFit]:
    """Return fits of the profile with its misfits weighed, begun at those of the profile as it is; the likeliest first.

    Others are begun where the weighed scan shows them, and kept where rows as they are cost no more than `most_cost`.
    Where the flash is told, band and ramp are fitted as if it was not, and fits of another flash are left out.
    """
    found = [_in_turn(seen, fit.x, strips) for fit in _distinct(seen, fits)]
    apart = [at for at in scanned if all(abs(at[0] / each.fit.x[0] - 1) > _ALIKE for each in found)]
    others = [_in_turn(seen, at, strips) for at in apart]
    likeliest = min(each.by_rows for each in found)
    found += [
        each
        for each in others
        if _misfit_cost(seen, each.fit.x) < most_cost or (each.by_rows < likeliest - DECIDED / 2 and _is_fit(each))
    ]
    found = found if flash is None else _as_told(found, flash)
    best = min(found, key=lambda each: each.cost)
    found = [each for each in found if each is not best] + [_settled(seen, best, strips)]
    return sorted(found, key=lambda each: each.cost)


def between(likely: list[WeighedFit]) -> float:
    """Return the variance of the count from other fits that are nearly as good."""
    odds = np.exp([likely[0].cost - each.cost for each in likely])
    away = np.array([float(each.fit.x[0] - likely[0].fit.x[0]) for each in likely])
    return float(odds @ away**2 / odds.sum())


def left_open(seen: Profile, found: optimize.OptimizeResult) -> float:
    """Return the variance of the count of few bands by fits that are begun at other counts and end nearly as well.

    Bands that are stretched about the edges in the middle fit a strong texture about as well over a wide, rough range
    of counts, and the slopes at its lowest place tell of that place alone: one picture of 1.71 bands was off by 13 %,
    21 u, and is by 2.7 u with the largest share of its distance that each of these fits leaves open. Of 46 others u
    grew by a quarter and more in four, and stayed in 40.
    """
    least, most = float(found.cost), 0.0
    for away in _STRETCHED:
        for start in stretched(found.x, float(found.x[0]) * (1 + away)):
            other = refined(seen, start, tries=FEW_TRIES)
            share = float(special.expit((least - float(other.cost)) / seen.scatter**2))
            most = max(most, share * float(other.x[0] - found.x[0]) ** 2)
    return most


def _as_told(found: list[WeighedFit], flash: float) -> list[WeighedFit]:
    """Return fits without those of another flash than is told: all of them where none has it within its tolerance.

    Either length may be the flash. Its odds do not decide, for those of strips are too sure by far.
    """
    least, share = _TOLD
    away = [float(np.abs(shaped(each.fit.x)[2:4] - flash).min()) / (least + share * flash) for each in found]
    return [each for each, off in zip(found, away, strict=True) if off < _NOT_TOLD or min(away) > 1]


def _is_fit(found: WeighedFit) -> bool:
    """Say whether rows are off by about as much as noise and texture are: what nothing describes, decides nothing."""
    rest = found.fit.fun[: len(found.profile.values)] / found.profile.scatter
    return float(np.mean(rest**2)) < _WORST


def cost_of(fit: optimize.OptimizeResult) -> float:
    """Return half of the sum of squares that a fit leaves."""
    return float(fit.cost)


def _misfit_cost(seen: Profile, parameters: FloatArray) -> float:
    return float(np.square(misfit(seen, parameters)).sum()) / 2


def _distinct(seen: Profile, fits: list[optimize.OptimizeResult]) -> list[optimize.OptimizeResult]:
    """Return the best of fits, and others with other numbers of bands that are not much worse."""
    kept = fits[:1]
    for fit in (each for each in fits if each.cost < fits[0].cost + HOPELESS * seen.scatter**2):
        if len(kept) < _RIVALS and all(abs(fit.x[0] / other.x[0] - 1) > _APART for other in kept):
            kept.append(fit)
    return kept


def _settled(seen: Profile, found: WeighedFit, strips: Strips) -> WeighedFit:
    """Return what is found from around a weighed fit, and from around that, as long as it gains."""
    for _ in range(ROUNDS):
        starts = (*further(found.fit.x), *around(found.fit.x))
        beside = min((refined(found.profile, start, tries=FEW_TRIES) for start in starts), key=cost_of)
        if beside.cost > found.fit.cost - BETTER * seen.scatter**2:
            break
        found = _again(seen, beside.x, found.profile, strips)
    return found


def _in_turn(seen: Profile, start: FloatArray, strips: Strips) -> WeighedFit:
    """Return the fit to rows and strips that is near one of rows alone: texture and light are found in turn."""
    light = seen.values + misfit(seen, start)[: len(seen.values)]
    found = _turned(seen, start, texture_of(strips, light), strips)
    for _ in range(0 if strips.is_clipped else _TURNS - 1):
        found = _again(seen, found.fit.x, found.profile, strips)
    return found


def _again(seen: Profile, start: FloatArray, last: Profile, strips: Strips) -> WeighedFit:
    """Return the fit before the texture in the light of a fit to the `last` profile; it has no strips if clipped."""
    if strips.is_clipped:
        return _in_turn(seen, start, strips)
    return _turned(seen, start, texture_of(strips, light_by_strips(last, start), has_black=False), strips)


def _turned(seen: Profile, start: FloatArray, texture: Texture, strips: Strips) -> WeighedFit:
    """Return the fit to rows and strips before a texture; of clipped ones to rows alone."""
    rows = weighted(seen, texture)
    by_rows = unlikeliness(rows, start)
    if strips.is_clipped:
        return WeighedFit(rows, refined(rows, start), by_rows)
    apart = strip_light(strips, texture)
    both = dataclasses.replace(rows, strips=apart)
    return WeighedFit(both, refined(both, start), by_rows, apart.cost)
