"""Bands that a strobe draws across a rolling shutter: their period, by a fit of the trapezoid that physics makes."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import linalg, optimize

from inspect_app.numerics.bands.band_doubt import count_variance, long_run, memory_of, texture_scatter, weighted
from inspect_app.numerics.bands.band_model import (
    Profile,
    bright,
    depth_of,
    misfit,
    profile_of,
    refined,
    stretched,
)
from inspect_app.numerics.bands.band_starts import BELOW_ONE, around, scanned, scanned_through
from inspect_app.numerics.bands.band_turns import (
    BETTER,
    DECIDED,
    FEW_TRIES,
    HOPELESS,
    ROUNDS,
    between,
    cost_of,
    left_open,
    weighed_fits,
)
from inspect_app.numerics.bands.band_valley import valley_about
from inspect_app.numerics.bands.strip_light import strip_light
from inspect_app.numerics.bands.strip_texture import Strips, Texture, strips_of, texture_of

FloatArray = npt.NDArray[np.float64]

_MOST_ROWS: Final = 640  # longer profiles are averaged down: an edge spans many rows
_FEWEST_ROWS: Final = 16
_STRETCHED_TO: Final = (0.9, 0.6)  # bands, from which a fit with less than one begins
_TIGHTENED_TO: Final = (1.1, 1.3, 1.5, 1.8)  # bands, from which a fit with few begins again
_FEW_BANDS: Final = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Bands:
    """Bands in a profile.

    Parameters
    ----------
    count : float
        Periods over the whole profile.
    count_sd : float
        Its standard uncertainty from the fit.
    gain : float
        Drop of the sum of squares against a profile without bands, in units of the scatter's variance: chi-squared.
    gain_below_one : float
        How much better (chi-squared) the fit is than the best one with less than one band, of two bands and more with
        misfits weighed as well; tells whether a full period is in the picture. Infinite where a told flash is held.
    gain_by_rows, gain_by_strips : float
        Chi-squared by which bands and a texture make the rows' means, and what upright strips differ by, likelier than
        a texture alone does.
    parameters : ndarray of shape (6,)
        Of the model, as `inspect_app.numerics.bands.band_model` has them, of bright bands: as dark ones, a fit of 2.46
        bands seemed to lean by more than a period, and was refused.
    by_rows : ndarray of shape (6,)
        Likewise, of the fit to the means of the rows as they are.
    variance : float
        Of the scatter in the long run, over the range of the profile squared.
    seen, weighed : Profile
        What was fitted, and with misfits weighed by noise and texture.
    strips : Strips
        Upright strips of the picture, by which the noise and texture are known.
    fitted : ndarray of shape (n,)
        The fitted profile, at the places of what was fitted, in its own unit.
    is_distance_seen : bool
        False where the count was not fitted but weighed by `inspect_app.numerics.bands.one_band.likely_count`.
    """

    count: float
    count_sd: float
    gain: float
    gain_below_one: float
    gain_by_rows: float
    gain_by_strips: float
    parameters: FloatArray
    by_rows: FloatArray
    variance: float
    seen: Profile
    weighed: Profile
    strips: Strips
    fitted: FloatArray
    is_distance_seen: bool = True

    @property
    def places(self) -> FloatArray:
        """Return positions from 0 to 1 along the profile, shape (n,)."""
        return self.seen.places

    @property
    def depth(self) -> float:
        """Return by what share of the brightest light the bands change it."""
        return depth_of(self.seen, self.parameters)

    def phase_at(self, place: float) -> float:
        """Return where in a period, 0 to 1 from the middle of a band, a place from 0 to 1 along the profile lies."""
        return float((place * self.parameters[0] - self.parameters[1]) % 1.0)

    @property
    def profile(self) -> FloatArray:
        """Return what was fitted, in its own unit, shape (n,)."""
        return self.seen.values * self.seen.scale


def fit_bands(
    picture: FloatArray, flash: float | None = None, *, is_clipped: bool = False, least_gain: float = 0.0
) -> Bands | None:
    """Fit a strobe's bands to the mean of each row.

    Parameters
    ----------
    picture : ndarray of shape (rows, cols)
        Proportional to exposure, bands along its rows.
    flash : float, optional
        Share of the strobe's period for which it is lit, where it is known: fits of another are left out.
    is_clipped : bool
        Whether a part of the picture is: columns then differ by less where there is more light.
    least_gain : float
        Chi-squared by which bands must be better than none; by half of it in a scan in which misfits are weighed.

    Returns
    -------
    Bands or None
        None where the means of the rows are flat, or bands are better than none by less than that.

    Notes
    -----
    Model: pedestal + (light + height x trapezoid) x (1 + a t + b t²), the last factor for the fall-off of lens and
    light, which the black level of the camera does not share. Weak priors hold a and b where few bands leave them open:
    the light falls off to both sides. Starts come from a scan over periods, places, widths and ramps, so no prior value
    of the period is needed; the best starts are refined by least squares, and the best of those again from either side
    and with other ramps, until that gains nothing, because the corners of a trapezoid hold a fit up.

    More than 640 rows are averaged by twos, threes and so on, and the model is as well. Taken at the middle of each
    mean it moved borders that are a few rows long: of 47 pictures of 2 to 30 bands in 641 to 1080 rows 94 in 100 held,
    two of them off by 4 and 5 u (rms 1.3 u); averaged it held all (0.6), with half of the error. Of a clipped picture,
    whose borders clipping moves by more, it is taken at the middle still: averaged, two of another hand's 110 pictures
    came out with another count of bands and were refused, and of the others one came nearer, from 3.0 to 2.8 u. The 47
    were drawn before that was left out.

    With few bands the search is made again from the same edges at other periods: of 60 profiles with triangles (a flash
    about as long as the exposure) and 1.05 to 1.5 bands, 17 were left with less than one, 11 of them in error.

    Whether a full period is seen is told by a second fit: the same edges with a period longer than the profile. Where
    only one rising and one falling edge are seen, it is as good, and nothing tells the period.

    Texture behind the bands is multiplied by their light. The best fits are made anew, with misfits weighed by the
    covariance of noise and texture (`inspect_app.numerics.bands.strip_texture.texture_of`), and to the light under
    which what strips differ by is likeliest (`inspect_app.numerics.bands.strip_light.strip_light`): edges of bands are
    steps in that as well, and noise that whole rows share is not in it. Of two draws of 60 pictures each with two bands
    and more, 90 % are within 0.27 % so (0.54 to 0.57 by rows alone), and half within 0.06 (0.13). Texture and light are
    found in turn. Of fits far apart the likeliest is kept, and the others widen its doubt. What rows alone make worse
    by a chi-squared of 40 is none of them, unless they are likelier by as much with misfits weighed: a lamp in view,
    whose light the strobe does not share, made less than one band likelier by strips in a picture of 2.2. Strips of a
    clipped picture, which differ by less where there is more light, tell the covariance alone.

    A told flash leaves out fits of another one, and holds none to it: a texture moves the edges, so that bands look lit
    for up to 4 % less than they are, and in one of 12 pictures for 12 %. Held to it, their distance moved instead (see
    `inspect_app.measure.readout.readout`). Odds by how far their flash is off, added to the others, lost: of half as
    many bands, with half of the flash, a fit was the likeliest by strips still, and doubted by 50 %; it is within 0.7 %
    as it is.

    A texture as coarse as the bands, and as strong, hides their minimum from a scan of the rows as they are: of 27 such
    pictures the bands found were others in 7, half as many in three. So a second scan weighs misfits by the covariance
    of noise and a texture that explains all that strips differ by, as if there were no bands; its first start led to
    the right number in 22 of them. By the same scan a field without bands is told in half of the time: a chi-squared of
    52 at most in 54 of them, of 58 at least in 156 with bands. Weighed, the likeliest fit is begun again from around it
    and from further to its sides, and its texture is found again in the light of what is better there, as long as that
    gains. Of 65 pictures with one to two bands before a texture that changes 6, of which one was off by 12 u (2.7 %):
    92 of 100 held before, and 94 do now; rms 1.8 and 1.0 u but for one, in which a texture that darkens the middle
    hides bands of a long exposure (off by 14 %). It takes a quarter longer. Rivals that were begun again likewise
    changed none of six.

    Where a corner of the bands crosses a row, chi-squared has a minimum of its own, and a fit that ends there seems
    sure of it. The number of bands is therefore the mean over all of the valley that chi-squared has about the fit,
    unless light is clipped (`inspect_app.numerics.bands.band_valley.valley_about`, which has the figures).

    The covariance of the parameters is that of the weighed fit over secants of one standard uncertainty, or one with
    the autocovariance of what remains of the rows, if that is more. Widened by 38 % below two bands, as before strips
    were fitted, it held 99 of 100 there (291 fits of 280 pictures); as it is, 96 of 100 (380 of 340). What rows
    without strips say otherwise is in it, for a round border and a thing in the field are no texture that is alike
    everywhere: two pictures that were off by 7.5 and 2.8 u are within 1.5 and 1.8. Of those with 1.02 to 2 bands 85 of
    100 held before that and before the model was averaged (55, off by up to 40 u), and 98 do now (54, rms 0.8 u); of 55
    others all did (0.65), and none of either was off by 3 u. One that was off by 17 % is refused.

    What lost, in prototypes of 600 rows at a row SNR of 10 (standard deviation of the readout time), for 1.84 and 3.7
    bands: peak of the spectrum 2.6 and 0.39 %, autocorrelation 4.5 and 0.40 %, four harmonics of one phase 5.5 and
    0.105 %, a trapezoid 0.11 and 0.087 %. Harmonics are as good once several periods are seen and never better. A
    free parabola for the light of the bands and one between them: p90 7 % against 3 % below two bands, for bands could
    vanish. No pedestal: 25 % off where the light fell off by 80 %.
    Rows that are clipped left out: four in ten of 60 clipped pictures refused, and no fewer of the others off.
    """
    together = -(-len(picture) // _MOST_ROWS)
    averaged = picture[: len(picture) // together * together].mean(axis=1).reshape(-1, together).mean(axis=1)
    if float(np.ptp(averaged)) <= 0 or len(averaged) < _FEWEST_ROWS:
        return None
    strips = strips_of(picture, together, is_clipped=is_clipped)
    reach = len(averaged) * together / len(picture)
    scatter = texture_scatter(texture_of(strips, averaged))
    seen = profile_of(averaged, None, scatter, reach, together=1 if strips.is_clipped else together)
    bare = _bare(seen, strips)
    if bare.gain < least_gain / 2:
        return None
    *starts, below = scanned(seen.values)
    fits = _searched(seen, starts)
    best = min(fits, key=cost_of)
    if best.x[0] < _FEW_BANDS:
        more = [start for count in _TIGHTENED_TO for start in stretched(best.x, count)]
        fits += _searched(seen, more)
        best = min(fits, key=cost_of)
    kept = [start for count in _STRETCHED_TO for start in stretched(best.x, count)]
    fewer = [refined(seen, start, most=BELOW_ONE) for start in (below, *kept)]
    return _described(bare, fits, fewer, strips, least_gain, flash)


def _searched(seen: Profile, starts: list[FloatArray]) -> list[optimize.OptimizeResult]:
    """Return fits from every start, and from around the best as long as that gains."""
    fits = [refined(seen, start) for start in starts]
    for _ in range(ROUNDS):
        best = min(fits, key=cost_of)
        anew = [refined(seen, start, tries=FEW_TRIES) for start in around(best.x)]
        fits += anew
        if 2 * (best.cost - min(anew, key=cost_of).cost) < BETTER * seen.noise**2:
            break
    return fits


@dataclass(frozen=True, slots=True)
class _Bare:
    """A profile as one of even light, before a texture that explains all that its strips differ by.

    `weighed` has its misfits weighed by that texture; `starts` are those of fits to it, and by `gain` (chi-squared) the
    first of them is better than light that falls off.
    """

    seen: Profile
    texture: Texture
    weighed: Profile
    starts: list[FloatArray]
    gain: float

    def fits(self) -> list[FloatArray]:
        """Return the parameters of the best fits that begin there."""
        fits = sorted((refined(self.weighed, start) for start in self.starts), key=cost_of)
        return [fit.x for fit in fits if fit.cost < fits[0].cost + HOPELESS * self.seen.scatter**2]

    def by_rows(self) -> float:
        """Return minus the logarithm of how likely the rows are, but for what `unlikeliness` leaves out."""
        root = np.eye(len(self.seen.values)) if self.weighed.whitener is None else self.weighed.whitener
        falls = np.stack(
            [np.ones_like(self.seen.places), self.seen.places, self.seen.places**2, self.seen.values], axis=1
        )
        falls = linalg.solve_triangular(root, falls, lower=True)
        rest = falls[:, 3] - falls[:, :3] @ np.linalg.lstsq(falls[:, :3], falls[:, 3], rcond=None)[0]
        return float(rest @ rest) / self.seen.scatter**2 / 2 + float(np.log(np.diag(root)).sum())


def _bare(seen: Profile, strips: Strips) -> _Bare:
    texture = texture_of(strips, np.ones_like(seen.values), has_black=False)
    weighed = weighted(seen, texture)
    return _Bare(seen, texture, weighed, *scanned_through(weighed))


def _described(
    bare: _Bare,
    fits: list[optimize.OptimizeResult],
    fewer: list[optimize.OptimizeResult],
    strips: Strips,
    least_gain: float,
    flash: float | None,
) -> Bands | None:
    seen = bare.seen
    best = min([*fits, *fewer], key=cost_of)
    remainder = best.fun[: len(seen.values)]
    variance = long_run(memory_of(seen.values + remainder, remainder))
    gain = (_flat_cost(seen) - 2 * best.cost) / variance
    if gain < least_gain and bare.gain < least_gain:
        return None
    gain_below_one = 2 * float(min(map(cost_of, fewer), default=np.inf) - best.cost) / variance
    rivals = [fit for fit in (*fits, *fewer) if 2 * (fit.cost - best.cost) < DECIDED * variance]
    most_cost = best.cost + DECIDED * variance / 2
    likely = weighed_fits(seen, sorted(rivals, key=cost_of), bare.fits(), strips, most_cost, flash)
    weighed, final = likely[0].profile, likely[0].fit
    if fewer and final.x[0] >= _FEW_BANDS:
        below = [refined(weighed, fit.x, most=BELOW_ONE, tries=FEW_TRIES) for fit in fewer]
        gain_below_one = max(gain_below_one, 2 * float(min(map(cost_of, below)) - final.cost) / seen.scatter**2)
    count, within = float(final.x[0]), count_variance(weighed, final, best.x, strips)
    count_sd = float(np.sqrt(within))
    if count < _FEW_BANDS:
        within += left_open(weighed, final)
    if not strips.is_clipped:
        valley = valley_about(weighed, final.x, count_sd)
        final = refined(weighed, valley.likeliest)
        count = valley.count
        within = max(within, valley.variance, count_variance(weighed, final, best.x, strips))
    within += between(likely)
    fitted = seen.values + misfit(seen, final.x)[: len(seen.values)]
    return Bands(
        count=count,
        count_sd=float(np.sqrt(within)),
        gain=gain,
        gain_below_one=gain_below_one,
        gain_by_rows=2 * (bare.by_rows() - likely[0].by_rows),
        gain_by_strips=0.0 if strips.is_clipped else 2 * (strip_light(strips, bare.texture).cost - likely[0].by_strips),
        parameters=bright(weighed, final.x),
        by_rows=best.x,
        variance=variance,
        seen=seen,
        weighed=weighed,
        strips=strips,
        fitted=fitted * seen.scale,
    )


def _flat_cost(seen: Profile) -> float:
    columns = np.stack([np.ones_like(seen.places), seen.places, seen.places**2], axis=1)
    rest = seen.values - columns @ np.linalg.lstsq(columns, seen.values, rcond=None)[0]
    return float(rest @ rest)
