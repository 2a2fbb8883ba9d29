"""How many bands there are where a strobe's flash is told: one edge of each kind, and the length of a band, tell it."""

import dataclasses
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import optimize

from inspect_app.numerics.bands.band_doubt import count_variance
from inspect_app.numerics.bands.band_model import FALL, FLASH, Profile, bright, misfit, refined, shaped, stretched
from inspect_app.numerics.bands.band_starts import as_told
from inspect_app.numerics.bands.band_turns import FEW_TRIES, cost_of
from inspect_app.numerics.bands.fitted_bands import Bands

FloatArray = npt.NDArray[np.float64]

_STRETCHED_TO: Final = (0.6, 0.9, 1.1, 1.3, 1.5, 1.8)  # bands, from which fits to the same edges begin
_HOPEFUL: Final = 3  # of the fits that are begun, how many are brought to their end


def bands_told(found: Bands, flash: float) -> Bands:
    """Return bands that are seen once each, with the number that a told flash asks for.

    Parameters
    ----------
    found : Bands
        The fit without it, in which the distance of bands is not seen.
    flash : float
        Share of the strobe's period for which it is lit.

    Returns
    -------
    Bands
        The same, with one of the two lengths held to the flash.

    Notes
    -----
    Noise and texture are weighed as in the fit without the flash, and the best of many starts is kept. Of 3 pictures of
    1.08 to 1.25 bands that are refused without it all are within 2.0 u (3, 0.9 and 0.1 %; own draw).

    Breaks down where the flash is not as told: the number goes with it in proportion.
    """
    weighed = dataclasses.replace(found.weighed, flash=flash)
    best = _told(weighed, found.parameters, found.by_rows)
    alone = dataclasses.replace(weighed, strips=None)
    by_rows = min((refined(alone, start) for start in as_told(shaped(best.x)[:FALL], flash)), key=cost_of)
    seen = dataclasses.replace(found.seen, flash=flash)
    rows = seen.values + misfit(seen, best.x)[: len(seen.values)]
    return dataclasses.replace(
        found,
        count=float(best.x[0]),
        count_sd=float(np.sqrt(count_variance(weighed, best, by_rows.x, found.strips))),
        gain_below_one=np.inf,
        parameters=bright(weighed, best.x),
        by_rows=by_rows.x,
        seen=seen,
        weighed=weighed,
        fitted=rows * seen.scale,
    )


def count_told(found: Bands, flash: float) -> float:
    """Return how many the same bands are where the strobe is lit for another share of its period."""
    start = found.parameters.copy()
    start[FLASH] = flash
    return float(refined(dataclasses.replace(found.weighed, flash=flash), start).x[0])


def _told(weighed: Profile, *near: FloatArray) -> optimize.OptimizeResult:
    """Return the best fit with a told flash from around others, and from the same edges at other distances."""
    flash = float(weighed.flash or 0.0)
    starts = [start for each in near for start in as_told(shaped(each)[:FALL], flash)]
    for count in _STRETCHED_TO:
        for number, middle, *lengths, _, _ in stretched(near[0], count):
            starts += [np.array([number, middle, length, flash]) for length in lengths]
    begun = sorted((refined(weighed, start, tries=FEW_TRIES) for start in starts), key=cost_of)
    return min((refined(weighed, fit.x) for fit in begun[:_HOPEFUL]), key=cost_of)
