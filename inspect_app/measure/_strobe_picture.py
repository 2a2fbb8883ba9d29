"""Bands of a strobe in a picture: found, proven to be a strobe's, and weighed where their distance is not seen."""

import math
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import numpy as np
import numpy.typing as npt

from inspect_app.capture import Still
from inspect_app.errors import NothingToMeasure
from inspect_app.numerics.bands.band_courses import in_courses
from inspect_app.numerics.bands.band_lean import lean_of
from inspect_app.numerics.bands.band_repeats import columns_apart, lopsided
from inspect_app.numerics.bands.clipped_noise import unclipped, without_lift
from inspect_app.numerics.bands.common_rows import is_shared
from inspect_app.numerics.bands.fitted_bands import Bands, fit_bands
from inspect_app.numerics.bands.lit_field import LitField, lit_field
from inspect_app.numerics.bands.one_band import likely_count
from inspect_app.numerics.bands.row_texture import certainty, certainty_weighed, strip_differences, without_fall_off
from inspect_app.numerics.bands.told_flash import bands_told

FloatArray = npt.NDArray[np.float64]

_WANTED_BANDS: Final = 3.0
_LEAST_GAIN: Final = 60.0  # chi-squared of seven more parameters; a texture reached 53 in 100 pictures (own bench)
_USUAL_BANDS: Final = 15.0  # beyond, there are as many more places for chance, and for what a coder leaves behind
_LEAST_GAIN_BELOW_ONE: Final = 9.0  # chi-squared; at most 6.5 in 240 pictures with less than one band (own bench)
_LEAST_GAINS_CLIPPED: Final = ((0.3, 35.0), (0.05, _LEAST_GAIN_BELOW_ONE))
"""Likewise by the share of the picture that is clipped; fields without bands reached 29 there (own bench)."""
_MUCH_CLIPPED: Final = 0.05  # of what is lit, at black or white: less makes no bands of a texture
_OTHER_COUNT: Final = 4.0  # standard uncertainties; 3.0 at most in 149 pictures (own bench)
_CLIPPED: Final = 0.01  # of the picture, from which on it changes what columns differ by
_LEAST_CERTAINTY: Final = 0.75  # of a full period where its edges leave that open, and
_MOST_DOUBT_UNSEEN: Final = 0.2  # of the readout time: 3 in 1000 with less than one band pass (simulated)
_MOST_WEIGHED: Final = 2.0  # bands: more are seen, or too faint
_LEAST_BEYOND: Final = 0.5
"""Of the height of few bands, which a fall-off of the light does not make: bands had 0.77 and more, light that fades
over less than one band 0.33 at most (own bench)."""
_MOST_DOUBT: Final = 0.1  # of the readout time: with a told duty, but noise or an edge too few, nothing is measured
_WIDEST_USUAL, _SHARPEST_USUAL = 0.6, 0.03  # of a period: a band, and both its borders from 1/4 to 3/4 (flash: 0.05)
_LEAST_ROWS: Final = 32
_LEAST_DEPTH: Final = 0.35  # of the light where bands stand upright, or are many and may lean: stripes are fainter
_LEVEL: Final = 0.001  # rows a column: things set up by hand lean by less in 5 of 100 (from a degree, normal)
_CODER_ROWS: Final = 17  # up to so many a band, blocks of a coder make level stripes as well
_LEAST_OUT: Final = 11.0  # standard deviations of texture and noise; 5 at most without bands, 16 with (own bench)
_LEAST_GAIN_BY_ROWS: Final = 50.0
"""Chi-squared, misfits weighed: textures that reached 60 as they are had 34 at most, bands 59 at least (own bench)."""
_LEAST_GAIN_UNSEEN: Final = 200.0  # likewise where no distance is seen; clipped noise reached 66, bands 2400 and more
_LEAST_OUT_THROUGH: Final = 5.0  # likewise where they are seen in the texture as well: patterns reached 3,
_LEAST_GAIN_BY_STRIPS: Final = 20.0  # and textures 15 by strips where they reached 50 by rows (own bench)
_LEAST_OUT_WEIGHED: Final = 11.0
"""Likewise with misfits weighed. Of 650 pictures without bands one had two or more fitted and reached as much (15),
with a gain of 4 by strips. A weave that leans reached 94, mostly with 30 by strips at most: alone it is no proof (own
bench)."""
_MOST_APART: Final = 0.3  # variance of columns' shares over their squared mean; bands had 0.02, dots 2.1 (own bench);
_MOST_APART_CLIPPED: Final = 1.0  # likewise, where bright columns lose their bands (half of them: 0.7, algebra)
_MOST_LOPSIDED: Final = (0.02, 5.0)
"""Of the squared height of bands, and standard deviations: bands had 0.001 and 2 at most, a wedge 0.06 and 13."""
_STANDING: Final = 0.01  # of a period, by which bands that stand still may seem to move
_UPRIGHT: Final = 4.0  # times as likely are bands along rows: the picture was not turned
_STRIP_GAIN: Final = 15.0  # chi-squared of the bands in each upright strip that must show them;
_STRIP_GAIN_WEIGHED: Final = 45.0  # misfits weighed, in all of them, for a strip has more texture than they have


@dataclass(frozen=True, slots=True)
class Strobe:
    """A strobe's frequency, and the share of its period for which it is lit, where that is known."""

    hz: float
    duty: float | None = None

    def wanted_hz(self, count: float) -> float:
        """Return the lowest frequency that shows three bands, where `count` are seen at this one."""
        return self.hz * _WANTED_BANDS / max(min(count, 1.0), 0.1)


@dataclass(frozen=True, slots=True)
class StrobePicture:
    """A picture, the bands in what of it is lit, and whether they lie along its rows or its columns.

    `most_lean` is by how much they may lean (k = 2), as a slope. `is_moving` says whether they lie elsewhere in another
    picture; None where no other shows them. `is_brought_back` says whether noise was measured as before it was clipped,
    `most_depth` how deep the bands are at most, as a share of the light.
    """

    taken: Still
    found: Bands
    axis: str
    lit: LitField
    most_lean: float = 0.0
    is_moving: bool | None = None
    is_brought_back: bool = False
    most_depth: float = math.inf

    @property
    def depth(self) -> float:
        """Return by what share of the brightest light the bands change it."""
        return min(self.found.depth, self.most_depth)

    @property
    def lines(self) -> int:
        """Return how many lines of the sensor the picture has."""
        return int(self.taken.exposure.shape[0 if self.axis == "rows" else 1])

    @property
    def whole(self) -> float:
        """Return by how much the picture is longer than what of it is lit."""
        return self.lines / self.lit.height

    @property
    def black(self) -> float:
        """Return the share of pixels at black in what is lit."""
        exposure = self.taken.exposure if self.axis == "rows" else self.taken.exposure.T
        return float(np.mean(self.lit.of(exposure) <= 0))

    @property
    def is_level(self) -> bool:
        """Say whether the bands surely lie as level as a strobe's, and those of a pattern only by chance."""
        return self.most_lean < _LEVEL

    @property
    def phase(self) -> float:
        """Return where in a period of the bands the middle line of the picture is, from 0 to 1."""
        return self.found.phase_at((self.lines / 2 - self.lit.rows.start) / self.lit.height)

    def is_other_count_than(self, other: "StrobePicture") -> bool:
        """Say whether there are more bands, or fewer, than in the same picture as it is, beyond the doubt of both."""
        doubt = float(np.hypot(self.found.count_sd, other.found.count_sd))
        return abs(self.found.count - other.found.count) > _OTHER_COUNT * doubt

    def is_elsewhere_in(self, other: "StrobePicture") -> bool:
        """Say whether the bands lie elsewhere in another picture, further than their places are in doubt."""
        away = abs(self.phase - other.phase)
        return min(away, 1 - away) > _STANDING + 2 * max(self.found.count_sd, other.found.count_sd)


def clearest(pictures: list[Still], strobe: Strobe) -> StrobePicture:
    """Return the bands of the picture that leaves the least doubt; refuse where none can be measured."""
    seen, refusals = [], []
    for taken in pictures:
        try:
            seen.append(_proven(taken, strobe))
        except NothingToMeasure as refusal:
            refusals.append(refusal)
    if not seen:
        raise refusals[0]
    best = min(seen, key=lambda each: each.found.count_sd / each.found.count)
    others = [each for each in seen if each is not best and each.axis == best.axis]
    return replace(best, is_moving=any(map(best.is_elsewhere_in, others)) if others else None)


def _proven(taken: Still, strobe: Strobe) -> StrobePicture:
    """Return the bands of a picture; refuse those that are not there any more once clipped noise is brought back.

    Noise that is clipped makes more of a texture than it is: of 83 pictures with less than one band or without a
    strobe, noise of single pixels up to four times as strong as the bands, three were given a number, and one is now,
    whose texture is as level as bands. Of 71 that were read of 100 with one to two bands one was off by 11 u; it is
    refused now, and so are two that were right by 2 u. Bands of 28 pictures with more stay as they were.
    One to two bands are measured in whichever leaves less doubt, and what both differ by beyond their doubts is added:
    noise that is cut off at white makes bands narrower, and the count of some far less. Of 115 such pictures the error
    was 1.8 % as they are (rms), furthest off by 3.9 u; by this rule, worked out from both readings, it is 0.73 % and
    3.4 u, 96 of 100 were held and are (rms 1.01 and 0.96 u), and half are within 0.1 % either way. What lost: always as
    brought back (0.53 %, but of 43 fresh ones 93 in 100 held, the furthest off by 3.8 u), as they are with what both
    differ by in the doubt (1.8 %). More bands are measured so only where they are another count beyond doubt: distances
    are kept by clipping.
    """
    seen = _bands(taken, strobe)
    if _noise_brought_back(taken, seen.axis, seen.lit) is not None:
        proof = _bands(taken, strobe, is_brought_back=True)
        if seen.found.count < _MOST_WEIGHED:
            return _surer(seen, proof)
        return proof if proof.is_other_count_than(seen) else seen
    return seen


def _surer(seen: StrobePicture, proof: StrobePicture) -> StrobePicture:
    """Return the one of two readings of a picture that leaves less doubt, with what both differ by beyond theirs.

    Bands are no deeper than the picture shows them as it is: stripes behind the field look deep when brought back.
    """
    best = min(seen, proof, key=lambda each: each.found.count_sd)
    beyond = (seen.found.count - proof.found.count) ** 2 - seen.found.count_sd**2 - proof.found.count_sd**2
    count_sd = float(np.hypot(best.found.count_sd, np.sqrt(max(beyond, 0.0))))
    found, most_lean = replace(best.found, count_sd=count_sd), max(seen.most_lean, proof.most_lean)
    return replace(best, found=found, most_lean=most_lean, most_depth=seen.found.depth)


def _bands(taken: Still, strobe: Strobe, *, is_brought_back: bool = False) -> StrobePicture:
    """Fit the bands along rows; along columns where the picture was turned."""
    if min(taken.exposure.shape) < _LEAST_ROWS:
        raise NothingToMeasure(
            taken.name, f"only {min(taken.exposure.shape)} rows are there", "Use the full picture of the sensor."
        )
    seen = _level(taken, strobe, is_brought_back=is_brought_back)
    best = _as_told(taken, seen.found, strobe)
    _prove_whole(taken, best, strobe)
    if best.count < _WANTED_BANDS and not _is_plain(best):
        raise _too_few(taken, best.count, strobe)
    if best.gain_below_one < _LEAST_GAIN_BELOW_ONE:
        return replace(seen, found=_likely_bands(taken, best, strobe))
    if best.count < 1:
        raise _too_few(taken, best.count, strobe)
    return replace(seen, found=best)


def _level(taken: Still, strobe: Strobe, *, is_brought_back: bool) -> StrobePicture:
    """Return the bands of a strobe that lie along rows or columns; refuse where there are none, or all of them lean."""
    views = {"rows": taken.exposure, "columns": taken.exposure.T}
    unrest = {axis: _unrest(view.mean(axis=1)) * (_UPRIGHT if axis == "rows" else 1.0) for axis, view in views.items()}
    leaning = ""
    for axis in sorted(unrest, key=lambda axis: -unrest[axis]):
        seen = _seen(taken, axis, strobe, is_brought_back=is_brought_back)
        if seen is None:
            continue
        lean = lean_of(seen.lit.of(views[axis]), seen.found)
        if lean.rows == 0:
            seen = replace(seen, most_lean=lean.most_rows / (seen.lit.cols.stop - seen.lit.cols.start))
            if seen.is_level or seen.found.count <= _USUAL_BANDS or seen.depth >= _LEAST_DEPTH:
                return seen
            continue
        if abs(lean.rows) * seen.found.count < seen.lit.height:  # further, it is chance
            leaning = leaning or f"{abs(lean.rows):.1f} {axis}"
    if leaning:
        raise NothingToMeasure(
            taken.name,
            f"the bands that are seen lean by {leaning} from one side to the other, as a pattern behind the field does,"
            " and those of a strobe lie level",
            "Take an even field without a pattern; if the picture was turned a little, give it as it was taken.",
        )
    raise NothingToMeasure(
        taken.name,
        "no bands are seen that are surely a strobe's, so either no strobe lights the field, the exposure is a"
        " multiple of its period, or too little of a period is in the picture",
        f"Shorten the exposure; if none come, use a strobe of {_WANTED_BANDS * strobe.hz:.0f} Hz.",
    )


def _seen(taken: Still, axis: str, strobe: Strobe, *, is_brought_back: bool) -> StrobePicture | None:
    """Fit the bands along one axis of what is lit in a picture; None where there are none, or none of a strobe."""
    view, lit = _lit(taken, axis)
    is_clipped = float(taken.clipped.mean()) > _CLIPPED
    shown = lit.of(view) if is_clipped else without_lift(lit.of(view))
    brought_back = _noise_brought_back(taken, axis, lit) if is_brought_back else None
    if brought_back is not None:
        is_clipped, shown = False, brought_back
    found = fit_bands(shown, strobe.duty, is_clipped=is_clipped, least_gain=_LEAST_GAIN)
    is_strobe = found is not None and _is_strobe(found, shown, axis, strobe.duty, is_clipped=is_clipped)
    if found is None or not is_strobe:
        return None
    return StrobePicture(taken, found, axis, lit, is_brought_back=brought_back is not None)


def _lit(taken: Still, axis: str) -> tuple[FloatArray, LitField]:
    """Return a picture with the bands along its rows, and what of it is lit; all of it where that is a strip."""
    view = taken.exposure if axis == "rows" else taken.exposure.T
    lit = lit_field(view)
    if min(lit.of(view).shape) < _LEAST_ROWS:
        lit = LitField(slice(0, view.shape[0]), slice(0, view.shape[1]))
    return view, lit


def _noise_brought_back(taken: Still, axis: str, lit: LitField) -> FloatArray | None:
    """Return what is lit as it was before noise was clipped; None where little was, or light itself is clipped."""
    exposure, clipped = (taken.exposure, taken.clipped) if axis == "rows" else (taken.exposure.T, taken.clipped.T)
    shown, is_white = lit.of(exposure), lit.of(clipped)
    return unclipped(shown, is_white) if float(np.mean((shown <= 0) | is_white)) > _MUCH_CLIPPED else None


def _prove_whole(taken: Still, found: Bands, strobe: Strobe) -> None:
    """Refuse few bands in a clipped picture unless they are plain: a field brighter in the middle looks alike."""
    if found.gain_below_one < _needed_if_clipped(taken, found):
        raise NothingToMeasure(
            taken.name,
            f"{100 * float(taken.clipped.mean()):.0f} % of the picture is clipped, and fewer than two bands are seen",
            f"Expose less, and use a strobe of at least {strobe.wanted_hz(found.count):.0f} Hz.",
        )


def _needed_if_clipped(taken: Still, found: Bands) -> float:
    """Return by how much few bands in a clipped picture must be better than less than one to be told from it."""
    if found.count >= _MOST_WEIGHED:
        return 0.0
    return next((gain for share, gain in _LEAST_GAINS_CLIPPED if float(taken.clipped.mean()) > share), 0.0)


def _as_told(taken: Still, found: Bands, strobe: Strobe) -> Bands:
    """Return bands whose distance is not seen with the number that a told flash asks for, where that is sure.

    Of two periods or more the distance would be seen: a texture of 1.8 bands was read as 3.2 of them (77 %, 11 u).
    """
    needed = max(_LEAST_GAIN_BELOW_ONE, _needed_if_clipped(taken, found))
    if strobe.duty is None or found.gain_below_one >= needed:
        return found
    told = bands_told(found, strobe.duty)
    is_sure = told.count_sd <= _MOST_DOUBT * told.count and told.count < _MOST_WEIGHED
    return told if is_sure else found


def _likely_bands(taken: Still, found: Bands, strobe: Strobe) -> Bands:
    """Return bands whose distance is not seen, with the count that a strobe's usual shares leave open."""
    is_plain = found.count < _MOST_WEIGHED and found.gain_by_rows >= _LEAST_GAIN_UNSEEN
    likely = likely_count(found) if is_plain else None
    is_whole = likely is not None and likely.one_or_more >= _LEAST_CERTAINTY and likely.count >= 1
    if likely is None or not is_whole or likely.count_sd > _MOST_DOUBT_UNSEEN * likely.count:
        raise _too_few(taken, found.count, strobe)
    return replace(found, count=likely.count, count_sd=likely.count_sd, is_distance_seen=False)


def _too_few(taken: Still, count: float, strobe: Strobe) -> NothingToMeasure:
    hz = strobe.wanted_hz(min(count, 1.0))
    also = "; or give --strobe-duty, if it is known" if strobe.duty is None else ""
    return NothingToMeasure(
        taken.name,
        "less than one full period of bands is seen",
        f"Use a strobe of at least {hz:.0f} Hz, so that three bands are seen{also}; or give several pictures, in which"
        " the bands lie elsewhere.",
    )


def _is_strobe(found: Bands, view: FloatArray, axis: str, strobe_duty: float | None, *, is_clipped: bool) -> bool:
    """Tell whether what was fitted is more than chance, and modulates all of the picture as only a strobe does.

    Stripes that stand behind the field and are shared by all rows look like bands of a turned picture, but are fainter;
    so are the finest stripes along the rows. A strong texture that is as coarse as the bands drowns them in the means
    of rows, unless its misfits are weighed; bands make it stronger and fainter too, as nothing in a picture does.
    """
    is_fine = found.count > _USUAL_BANDS or axis == "columns"
    is_doubtful = axis == "columns" or found.count * _CODER_ROWS > len(view)
    if is_fine and is_doubtful and found.depth < _LEAST_DEPTH:
        return False
    if (strobe_duty is None and found.count < _MOST_WEIGHED and _is_frame(found)) or in_courses(view, found):
        return False
    most_apart = _MOST_APART_CLIPPED if is_clipped else _MOST_APART
    if columns_apart(view, found) > most_apart or np.all(np.greater(lopsided(found), _MOST_LOPSIDED)):
        return False
    down = (np.arange(len(view)) + 0.5) / len(view)
    out = certainty(strip_differences(view), np.interp(down, found.places, found.fitted))
    needed = _LEAST_GAIN * max(1.0, found.count / _USUAL_BANDS)
    is_out = (
        found.gain >= needed and found.gain_by_rows >= _LEAST_GAIN_BY_ROWS and (found.count < 1 or out > _LEAST_OUT)
    )
    is_through = not is_fine and found.count >= _MOST_WEIGHED and _is_seen_through(found, view, out)
    shared = partial(is_shared, view, found.places, found.fitted)
    return (is_out and shared(int(found.gain / _STRIP_GAIN))) or (
        is_through and shared(int(found.gain_by_rows / _STRIP_GAIN_WEIGHED), _whitener(found))
    )


def _is_seen_through(found: Bands, view: FloatArray, out: float) -> bool:
    """Say whether a texture that bands drown in leaves no doubt of them.

    They are in the means of rows, and in how strong the texture is, each by itself, and further out of it than chance
    takes them, as it is or with misfits weighed.
    """
    if found.gain_by_rows < _LEAST_GAIN_BY_ROWS or found.gain_by_strips < _LEAST_GAIN_BY_STRIPS:
        return False
    is_out = out > _LEAST_OUT_THROUGH
    return is_out or certainty_weighed(view, found.fitted, _whitener(found)) > _LEAST_OUT_WEIGHED


def _whitener(found: Bands) -> FloatArray:
    """Return the factor of the covariance of texture and noise, shape (n, n)."""
    whitener = found.weighed.whitener
    return np.eye(len(found.fitted)) if whitener is None else whitener


def _is_frame(found: Bands) -> bool:
    """Say whether the light is one run between dark ends, wider and sharper than a strobe's usual flash makes it.

    At half of its height a band is as wide as the flash or the exposure, whichever is longer, and its borders as the
    shorter of them, which is a twentieth of the period at least.
    """
    low, high = float(found.fitted.min()), float(found.fitted.max())
    shares = [float(np.mean(found.fitted > low + height * (high - low))) for height in (0.25, 0.5, 0.75)]
    is_lit = found.fitted > (low + high) / 2
    is_one_run = not is_lit[0] and not is_lit[-1] and int(np.count_nonzero(np.diff(is_lit.astype(np.int8)))) == 2
    of_period = found.count
    return (
        is_one_run and shares[1] * of_period > _WIDEST_USUAL and (shares[0] - shares[2]) * of_period < _SHARPEST_USUAL
    )


def _unrest(profile: FloatArray) -> float:
    """Return the variance of a profile about its fall-off."""
    return float(np.var(without_fall_off(profile)))


def _is_plain(found: Bands) -> bool:
    """Say whether what was fitted has edges: light that only fades over the picture is mostly a parabola."""
    return float(np.ptp(without_fall_off(found.fitted))) > _LEAST_BEYOND * float(np.ptp(found.fitted))
