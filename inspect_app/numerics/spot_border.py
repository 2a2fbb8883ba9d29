"""Whose blur the soft border of a spot is, its own or the optics', and the size that follows from it."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import optimize, special

from inspect_app.numerics.found_spot import FoundSpot
from inspect_app.numerics.spot_shape import LIKELY_SOFTNESS

DISC_SHARE, UNLIKE_SHARE = 1 / 3, 1 / 5  # of the disc in the diameter: where blurs may be one, where they are not
CHOICE_U = 0.4  # of what lies between half depth and disc: 2 u then reach both, whatever the share
BELIEF = 0.3  # before the picture is asked: that the optics blurred spots and border alike (own trials)
SHARP_SHARE = 1 / 7  # of that belief: that they are discs with no blur of their own, the one kind among many
BLUR_TOLERANCE = 0.12  # relative: of the two blurs, one of which may be read off a field's border
LEAST_KNOWN = 0.5  # standard uncertainty of the blur's logarithm: what is known less tells nothing
CLEAR_DEPTH = 8.0  # standard uncertainties of the depth: in a fainter spot depth and blur trade
BORDER_U, LEAST_U = 0.03, 0.02  # of the logarithm of the border's blur, and of any
MOST_FOR, MOST_AGAINST = 2.0, 4.0  # said by one spot, in the logarithm of the odds: a bad fit must not decide
PLATEAU = 0.6  # of the radius: with more blur nothing is left of a plateau
CLEAR_PLATEAU = 0.2  # of the radius: with less blur all of it is left
LEAST_DENSITY = 1e-6  # of what no hypothesis expects
BEYOND = 0.05  # of a mixture, outside of its mean and two standard uncertainties
BLURS_PX = np.geomspace(0.25, 12.0, 60)  # that all spots may share
DEPTHS = 65  # to weigh between what a dark spot looks like and black
SHARP = 0.1  # softness to expect of discs that the optics alone made soft
SOFTNESSES = np.geomspace(0.08, 1.6, 31)  # of spots by themselves, from nearly sharp to nearly Gaussian


@dataclass(frozen=True, slots=True)
class SharedBlur:
    """A blur that all spots may share.

    `px` is its standard deviation, `probability` that they do, `softness` what to expect of their own blur over their
    radius then.
    """

    px: float
    probability: float
    softness: float

    def probability_for(self, spot: FoundSpot) -> float:
        """Return how likely a spot has it: what that spot says against it counts in full there."""
        for_sharp, for_soft = _said_by(spot, self.px)
        said = for_sharp if self.softness == SHARP else for_soft
        return float(special.expit(special.logit(self.probability) + min(said + MOST_AGAINST, 0.0)))


def shared_blur(spots: Sequence[FoundSpot], border_blur_px: float) -> SharedBlur:
    """Say how likely spots are blurred by what blurs the border of the field, and by how much.

    Parameters
    ----------
    spots : sequence of FoundSpot
        Fitted without knowing of that blur.
    border_blur_px : float
        Standard deviation of the blur that the border of the field shows, in the same pixels.

    Returns
    -------
    SharedBlur
        Of sharp discs the blurs that they show count too.

    Notes
    -----
    The border of the field is blurred by the optics alone. If they blur the spots too, none is sharper than the border:
    either all are discs with just that blur, or all are soft by themselves besides, and the squares of both blurs add.
    If they do not (the border is vignetted, or lies in another focus), the blur of a spot is its own, a share of its
    radius. The odds are those of Bayes' theorem, from the logarithm of each spot's blur, with all shares from 0.08 to
    1.6 alike before. A spot much larger than the blur says nothing, and is not moved by the answer. A spot without a
    plateau may have any width and only speaks against, when it is sharper than the border.

    Spots are then fitted again with that blur given (`spot_shape.fit_spot`): what remains is their own; and both
    readings are `blended`. On 50 fields by another hand, half of them with a screen that blurs spots and border by 0.6
    to 1.1 px, 90 % of diameters came within 8.2 instead of 9.7 µm, of contrasts within 11 instead of 16 %, and value
    ± 2 u held 95 instead of 91 and 93 instead of 86 of 100. Of sharp discs blurred with the border
    (`tests/bench/bench_spots.py`) 90 % of contrasts came within 7 instead of 28 %, and 100 instead of 93 and 89 of 100
    were held; soft spots inside of another border stayed as they were (erf 4.1, Gaussian 7.3 µm). Letting spots without
    a plateau speak for it, and believing the likelier answer alone, made 7.4 µm of the former but 18 µm of the last.

    A spot counts against the blur of the others by 4 at most in the logarithm of the odds, but in full against its own:
    one of 4 px, clearly sharper than a border of 1.1 px, was otherwise told with 0.96 instead of 0.50 for a contrast.

    It breaks down where spots lie in a softer focus than the border of the field, as dust does on another surface. A
    Gaussian spot behind blurring optics looks the same as a wider one by itself: no picture of such spots alone tells,
    so both readings must lie within 2 u, which takes a probability of 0.2 at least. Of 256 of them 93 in 100 diameters
    and 96 contrasts are held; 87 and 90 when two faint spots that looked sharp could speak against it, 65 and 66 with
    sharp and soft thought alike beforehand (0.18 then), but 90 % of the contrasts of Gaussian spots inside of another
    border came within 7.0 instead of 7.3 %.
    """
    clear = _clear_of(spots)
    said = np.reshape([_said_by(spot, border_blur_px) for spot in clear], (-1, 2))
    sharp, soft = np.maximum(said, -MOST_AGAINST).sum(axis=0)
    said_for = np.logaddexp(sharp + math.log(SHARP_SHARE), soft + math.log(1 - SHARP_SHARE))
    probability = float(special.expit(special.logit(BELIEF) + said_for))
    if sharp < soft:
        return SharedBlur(px=border_blur_px, probability=probability, softness=LIKELY_SOFTNESS)
    alike = [spot for spot, (for_sharp, _) in zip(clear, said, strict=True) if for_sharp > 0]
    blurs = np.log([border_blur_px, *(spot.blur_px for spot in alike)])
    weights = 1 / (np.square([BORDER_U, *(spot.log_blur_u for spot in alike)]) + LEAST_U**2)
    shared_px = math.exp(float(np.average(blurs, weights=weights)))
    return SharedBlur(px=shared_px, probability=probability, softness=SHARP)


def _clear_of(spots: Sequence[FoundSpot]) -> list[FoundSpot]:
    return [spot for spot in spots if spot.log_blur_u < LEAST_KNOWN and abs(spot.depth) > CLEAR_DEPTH * spot.depth_u]


def _said_by(spot: FoundSpot, border_blur_px: float) -> tuple[float, float]:
    """Return what a spot says for a sharp disc with the border's blur, and for a soft spot, against one without it."""
    seen, u = math.log(spot.blur_px), math.hypot(spot.log_blur_u, BLUR_TOLERANCE)
    own = SOFTNESSES * spot.disc_px / 2
    by_itself, behind, sharp = (
        math.log(LEAST_DENSITY + float(np.exp(-np.square((seen - np.log(blur)) / u) / 2).mean() / u))
        for blur in (own, np.hypot(own, border_blur_px), np.array([border_blur_px]))
    )
    # A spot without a plateau may have any width: it can only be too narrow.
    most = MOST_FOR if spot.blur_px < PLATEAU * spot.disc_px / 2 else 0.0
    return min(sharp - by_itself, most), min(behind - by_itself, most)


def disc_share(spots: Sequence[FoundSpot]) -> float:
    """Say how far from half of their depth to their sharp discs the diameters of a picture's spots are taken.

    Parameters
    ----------
    spots : sequence of FoundSpot
        Fitted without knowing of any blur but that of a reduction.

    Returns
    -------
    float
        From 1/5, where their blurs differ, to 1/3, where they may all be one.

    Notes
    -----
    Sharp discs in one focus have one blur in pixels, whatever their size; spots that are soft by themselves have each
    its own. Bayes' theorem compares one blur, with all from 0.25 to 12 px alike before, with a share of each radius of
    its own, from 0.08 to 1.6. What is said for one blur is not counted: spots soft by themselves may be alike, too.

    Where the blurs differ, each spot may still be a disc out of focus by itself, and 1/5 of the way is kept. Of 1 841
    soft spots of another hand's fields, whose truth lies at half depth, 90 % of diameters came within 5.6 instead of
    6.4 µm by that (mean of five draws), and the bias was 0.8 instead of 1.5 µm; of the erf, logistic and disc kinds of
    `tests/bench/bench_spots.py` within 3.1, 2.8 and 3.7 instead of 4.1, 3.5 and 4.6 µm; of discs each with a blur of
    its own, told as discs, within 7.3 instead of 6.3 µm. With 0 in place of 1/5 it was 5.3 (others), 2.8, 2.4, 3.3 and
    9.1 µm, and 62 in 100 of the last were held; with 1/8 8.3 µm. The fit itself is at the bound that its texture sets:
    its errors are 1.0 of its uncertainties where the diameter exceeds 150 µm.
    """
    clear = [spot for spot in _clear_of(spots) if spot.blur_px < PLATEAU * spot.disc_px / 2]
    if not clear:
        return DISC_SHARE
    seen, u, radius = np.array(
        [(math.log(s.blur_px), math.hypot(s.log_blur_u, BLUR_TOLERANCE), s.disc_px / 2) for s in clear]
    ).T[:, :, np.newaxis]
    of_one = -np.square((seen - np.log(BLURS_PX)) / u) / 2
    of_its_own = np.exp(-np.square((seen - np.log(radius * SOFTNESSES)) / u) / 2).mean(axis=1, keepdims=True)
    said = np.maximum(of_one - np.log(LEAST_DENSITY + of_its_own), -MOST_AGAINST).sum(axis=0)
    alike = math.exp(min(float(special.logsumexp(said)) - math.log(len(BLURS_PX)), 0.0))
    return UNLIKE_SHARE + (DISC_SHARE - UNLIKE_SHARE) * alike


def with_border(spot: FoundSpot, share: float = DISC_SHARE) -> FoundSpot:
    """Choose diameter and depth of a spot between how it looks and the sharp disc that, blurred, would look the same.

    Parameters
    ----------
    spot : FoundSpot
        With the diameter at half of the central depth, and those of the disc.
    share : float
        Of the disc in the diameter, as `disc_share` gives it.

    Returns
    -------
    FoundSpot
        Diameter, depth and their uncertainties are those chosen.

    Notes
    -----
    No spot alone tells whether it is soft by itself, so that its outline lies at half of its depth, or sharp and
    blurred, so that its outline is that of the disc, further out by up to 7 %. Between the two the diameter is taken a
    fifth to a third of the way, as `disc_share` says. The uncertainty has a part of 0.4 of the distance of the two, by
    which 2 u reach both, whatever the share, so that noise that hides how spots compare does not shrink it
    (definitional uncertainty, GUM D.3.4).

    That part makes u wide where spots are soft by themselves: it and the 0.6 % for other profiles are half to three
    quarters of the variance, and errors are 0.50 to 0.91 of u (rms by kind, of 1 993 spots; half depth alone errs by
    0.84 to 1.15 of the texture's part); of 320 discs each with a blur of its own they are 1.4 of u, and 93 in 100 are
    held. No other split suits both: with a third of the way everywhere, and a third of the distance, errors are 0.64 to
    0.96 and 1.30 of u, but 90 % of the former come within 5.4, 4.4 and 4.3 instead of 4.9, 3.8 and 3.3 µm (round fields
    and full frames by another hand, own soft spots), of the discs within 6.1 instead of 7.4 µm. With 0.15 and a quarter
    about 60 in 100 discs are held, with 0.3 % for other profiles 88.

    The depth of the disc, and both of its uncertainties, count less the less of a plateau is left, and not at all
    where none is: they grow steeply with the blur that is fitted, and when they were dropped at once where it passed
    0.6 of the radius, noise that moved the blur moved u. Of 20 fields with 1.5, 2 and 4 times the noise, u of 820
    contrasts shrank by more than 2 % in 13, to 0.30 of it, and does in one now, to 0.97; of 820 diameters in 4, to
    0.64, and in one now, to 0.98. What is left is a spot below 2 px here and there (1 of 154), in which nothing tells
    radius and blur apart, so that u follows what it is taken for. The price: 90 % of contrasts within 15.0 instead of
    14.8 % under strong texture, 4.4 instead of 4.0 % where it is quiet; under mild texture 9.05 instead of 9.17 %.
    """
    apart, deeper = spot.disc_px - spot.diameter_px, spot.disc_depth - spot.depth
    softness = spot.blur_px / (spot.disc_px / 2)
    plateau = min(max((PLATEAU - softness) / (PLATEAU - CLEAR_PLATEAU), 0.0), 1.0)
    deep = share * plateau
    return replace(
        spot,
        diameter_px=spot.diameter_px + share * apart,
        diameter_u_px=math.hypot((1 - deep) * spot.diameter_u_px + deep * spot.disc_u_px, CHOICE_U * apart),
        depth=spot.depth + deep * deeper,
        depth_u=math.hypot((1 - deep) * spot.depth_u + deep * spot.disc_depth_u, CHOICE_U * plateau * deeper),
    )


def blended(as_seen: FoundSpot, behind: FoundSpot, probability: float) -> FoundSpot:
    """Return the mean of two readings of a spot, of which the second is right with a probability.

    Notes
    -----
    The uncertainty is that of a mixture: the root of the mean of the variances and ``p (1 - p)`` times the square of
    what is between the readings, but no less than half of what holds 95 in 100 of it: the wider reading reaches out
    far on one side. With the variance alone 89 instead of 93 of 100 diameters of Gaussian spots behind optics are held.
    """
    seen, other = (as_seen.diameter_px, as_seen.diameter_u_px), (behind.diameter_px, behind.diameter_u_px)
    diameter_px, diameter_u_px = _mixed(seen, other, probability)
    depth, depth_u = _mixed((as_seen.depth, as_seen.depth_u), _at_most_black(behind, as_seen.depth), probability)
    return replace(as_seen, diameter_px=diameter_px, diameter_u_px=diameter_u_px, depth=depth, depth_u=depth_u)


def _mixed(seen: tuple[float, float], other: tuple[float, float], probability: float) -> tuple[float, float]:
    """Return mean and standard uncertainty of two values with theirs, of which the second counts with a probability."""
    weights = np.array([1 - probability, probability])
    values, own_u = np.array([seen, other]).T
    mean = float(weights @ values)
    deviation = math.sqrt(float(weights @ (own_u**2 + (values - mean) ** 2)))
    if not deviation > 0:
        return mean, 0.0
    away, narrow = values - mean, np.maximum(own_u, 1e-9 * deviation)

    def beyond(reach: float) -> float:
        outside = special.ndtr((-reach - away) / narrow) + special.ndtr((away - reach) / narrow)
        return float(weights @ outside) - BEYOND

    return mean, max(deviation, optimize.brentq(beyond, 0.0, 10 * deviation) / 2)


def _at_most_black(behind: FoundSpot, seen: float) -> tuple[float, float]:
    """Return the depth of a spot before a blur, and its uncertainty, between as deep as it looks and black."""
    if behind.depth > 0 or behind.depth - 2 * behind.depth_u > -1:
        return behind.depth, behind.depth_u
    depths = np.linspace(-1.0, max(seen, -1.0), DEPTHS)
    off = np.square((depths - behind.depth) / max(behind.depth_u, 1 / DEPTHS)) / 2
    weights = np.exp(off.min() - off)
    mean = float(np.average(depths, weights=weights))
    return mean, math.sqrt(float(np.average(np.square(depths - mean), weights=weights)))
