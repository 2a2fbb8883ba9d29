"""What made the borders of a picture's spots soft: of five kinds of pictures how likely each is."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from inspect_app.numerics.spots.found_spot import FoundSpot

FloatArray = npt.NDArray[np.float64]

OWN, ONE, EACH, BEHIND, SHARP = range(5)
# Before the picture is asked (own trials); the last two count only where there is a border.
BELIEF = np.array([0.5, 0.1, 0.06, 0.26, 0.04])
LEFT_OF_BELIEF = 0.07  # whatever the picture says: its spots need not all be of one kind
SOFTNESSES = np.geomspace(0.08, 1.6, 31)  # of spots by themselves, from nearly sharp to nearly Gaussian
BLURS_PX = np.geomspace(0.25, 12.0, 61)
SPREADS = np.array([0.0, 0.1, 0.2, 0.3, 0.45, 0.65])  # of the logarithms of softness, or blur, from spot to spot
LEAST_SPREAD = 0.2  # of blurs that are not one; soft spots may be alike
BLUR_TOLERANCE = 0.1  # relative: of two blurs that are one; as much again of one read off a field's border
WIDTH_U, MOST_WIDTH_U = 0.15, 0.1  # of the logarithm of a width without a plateau, and the most the fit adds
WIDER = 1.3  # than its blur a disc without a plateau may look
MOST_AGAINST = 4.5  # said by one spot, in the logarithm of the odds: a bad fit must not decide
MOST_OF_SHARPER = 9.0  # the same of one that is sharper than what all are thought to lie behind
UNSURPRISING = 2.0  # standard uncertainties below a blur, up to which a spot says nothing against having it
LEAST_KNOWN = 0.5  # standard uncertainty of the blur's logarithm: what is known less tells nothing
CLEAR_DEPTH = 8.0  # standard uncertainties of the depth: in a fainter spot depth and blur trade
PLATEAU = 0.6  # of the radius: with more blur nothing is left of a plateau


@dataclass(frozen=True, slots=True)
class SpotKinds:
    """How likely a picture's spots are of each kind, in the order of `BELIEF`.

    `one_px` is the blur that all share if they are discs blurred by one, None where no spot tells it; `border_px` that
    of the field's border, None where there is none.
    """

    likely: FloatArray
    one_px: float | None
    border_px: float | None

    def likely_for(self, spot: FoundSpot) -> FloatArray:
        """Return the same for one spot: what is clearly sharper than a blur does not have it."""
        likely = self.likely.copy()
        for kind, blur_px in ((ONE, self.one_px), (BEHIND, self.border_px), (SHARP, self.border_px)):
            if blur_px is not None:
                u = math.hypot(spot.log_blur_u, BLUR_TOLERANCE, BLUR_TOLERANCE)
                short = max(math.log(blur_px / spot.blur_px) / u, UNSURPRISING)
                likely[kind] *= math.exp((UNSURPRISING**2 - short**2) / 2)
        likely /= likely.sum()
        return likely


def kinds_of(spots: Sequence[FoundSpot], border_px: float | None, *, pixel_px: float = 1.0) -> SpotKinds:
    """Say how likely it is what made the spots of a picture soft.

    Parameters
    ----------
    spots : sequence of FoundSpot
        Fitted without knowing of any blur but that of a reduction.
    border_px : float or None
        Standard deviation of the blur that the border of the field shows, in the same pixels.
    pixel_px : float
        Side of a pixel of the picture, whose area blurs as well.

    Returns
    -------
    SpotKinds

    Notes
    -----
    One spot does not tell whether it is soft by itself or a disc that was blurred; the spots of a picture together do:

    - *own*: each is soft by itself, its blur a share of its radius, so that large ones are softer in pixels;
    - *one*: all are sharp discs behind optics with one blur in pixels, whatever their size;
    - *each*: discs with blurs in pixels of their own, as in different focus, none of which knows of the radius;
    - *behind*: soft by themselves, and blurred besides with the border of the field: the squares of both add;
    - *sharp*: sharp discs blurred by just what blurs the border.

    Bayes' theorem weighs them, with the logarithms of shares or blurs normally distributed about a mean and with a
    spread that are both unknown (grids, all alike before). What decides is whether blur grows with size. A spot
    without a plateau may have any width, so its share tells nothing; but none is narrower than its blur, and a disc
    not wider than 1.3 of it. 0.07 of the belief from before stays. One spot may say no more than 4.5 against a kind
    (odds of 90), but 9 against lying behind a blur that it is sharper than: with 4.5 for both 90 % of another
    hand's 1 482 soft spots came within 5.3 instead of 5.2 µm, and their bias was 0.70 instead of 0.63 µm.

    Of drawn fields of 6 to 16 spots the right kind had, in the mean, 0.89 (another hand's soft spots), 0.95 to 0.98
    (own ones, in round fields and full frames), 0.92 (discs under one blur, the border in another), 0.91 (discs under
    the blur of the border: *one* or *sharp*, which are the same there) and 0.91 (soft spots behind optics). *Each* had
    0.18 and 0.39 only: a dozen blurs that know nothing of the radius may grow with it by chance.

    It breaks down where the blur of discs grows in proportion to their radius, for such a picture is that of spots soft
    by themselves: told as those, 37 in 100 of their diameters are held (of 190; 90 % within 10.3 µm). Gaussian
    spots behind optics look like wider ones by themselves, so that belief alone decides: of 260 such spots 95 in
    100 diameters and contrasts are held, with 0.2 for *behind* 93, with 0.33 95 and 97; but then 90 % of contrasts
    of Gaussian spots by themselves come within 12.4 instead of 11.7 %.
    """
    counts = np.array([True, True, True, border_px is not None, border_px is not None])
    belief = np.where(counts, BELIEF, 0.0) / BELIEF[counts].sum()
    clear = [s for s in spots if s.log_blur_u < LEAST_KNOWN and abs(s.depth) > CLEAR_DEPTH * s.depth_u]
    if not clear:
        return SpotKinds(belief, None, border_px)
    seen = _Seen.of(clear, pixel_px**2 / 12)
    said = np.full(len(BELIEF), -np.inf)
    said[[OWN, ONE, EACH]] = seen.for_own(0.0), seen.for_one(BLURS_PX), seen.for_each()
    if border_px is not None:
        said[BEHIND], said[SHARP] = seen.for_own(border_px), seen.for_one(np.array([border_px]), BLUR_TOLERANCE)
    likely = belief * np.exp(said - said.max())
    likely = (1 - LEFT_OF_BELIEF) * likely / likely.sum() + LEFT_OF_BELIEF * belief
    return SpotKinds(likely, seen.common_px(), border_px)


@dataclass(frozen=True, slots=True)
class _Seen:
    """The logarithms of blurs of n spots with their variances, and their radii; of those without a plateau, widths.

    Shapes (n, 1, 1) to weigh them on grids of mean and spread; `width` and `width_u` (m, 1).
    """

    blur: FloatArray
    variance: FloatArray
    radius_px: FloatArray
    width: FloatArray
    width_u: FloatArray
    pixel_variance: float

    @classmethod
    def of(cls, spots: Sequence[FoundSpot], pixel_variance: float) -> "_Seen":
        blur_px, u, radius_px = np.array([(s.blur_px, s.log_blur_u, s.disc_px / 2) for s in spots]).T
        flat = blur_px < PLATEAU * radius_px
        blur, variance, radius_px_ = (
            given[flat, np.newaxis, np.newaxis] for given in (np.log(blur_px), u**2 + BLUR_TOLERANCE**2, radius_px)
        )
        width = np.log(np.hypot(blur_px, radius_px / 2))[~flat, np.newaxis]  # of a Gaussian with the disc's variance
        width_u = np.hypot(np.minimum(u, MOST_WIDTH_U), WIDTH_U)[~flat, np.newaxis]
        return cls(blur, variance, radius_px_, width, width_u, pixel_variance)

    def for_own(self, behind_px: float) -> float:
        """Return the logarithm of what spots soft by themselves make likely, behind a blur."""
        own = np.square(SOFTNESSES[:, np.newaxis] * self.radius_px)
        whole = own + behind_px**2 + self.pixel_variance
        variance = self.variance + np.square(SPREADS * own / whole)
        against = self._against_widths(np.array([behind_px]), math.inf) if behind_px > 0 else np.zeros(1)
        most = np.where(np.exp(self.blur) < behind_px, MOST_OF_SHARPER, MOST_AGAINST)
        return _mean_of(self._said(np.log(whole) / 2, variance, most)) + float(against[0])

    def for_one(self, blurs_px: FloatArray, tolerance: float = 0.0) -> float:
        """Return the same of discs with one blur, any of some."""
        said = self._said(np.log(blurs_px)[:, np.newaxis], self.variance + tolerance**2)
        return _mean_of(said + self._against_widths(blurs_px, WIDER)[:, np.newaxis])

    def for_each(self) -> float:
        """Return the same of discs whose blurs differ."""
        spreads = SPREADS[SPREADS >= LEAST_SPREAD]
        return _mean_of(self._said(np.log(BLURS_PX)[:, np.newaxis], self.variance + spreads**2))

    def common_px(self) -> float | None:
        """Return the blur of them all if it is one; None without a plateau."""
        if len(self.blur) == 0:
            return None
        return math.exp(float(np.average(self.blur, weights=1 / self.variance)))

    def _said(self, blur: FloatArray, variance: FloatArray, most: float | FloatArray = MOST_AGAINST) -> FloatArray:
        off = np.square(self.blur - blur) / variance / 2
        said: FloatArray = (-np.minimum(off, most) - np.log(variance) / 2).sum(axis=0)
        return said

    def _against_widths(self, blurs_px: FloatArray, wider: float) -> FloatArray:
        blur = np.log(blurs_px)
        off = np.maximum(blur - self.width, self.width - blur - math.log(wider)) / self.width_u
        against: FloatArray = -np.minimum(np.square(np.maximum(off, 0.0)) / 2, MOST_AGAINST).sum(axis=0)
        return against


def _mean_of(said: FloatArray) -> float:
    return float(special.logsumexp(said)) - math.log(said.size)
