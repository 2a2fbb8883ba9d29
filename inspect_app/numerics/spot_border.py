"""Whose blur the soft border of a spot is, its own or the optics', and the size that follows from it."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy import special

from inspect_app.numerics.spot_map import FoundSpot

DISC_SHARE = 1 / 3  # of the disc in the diameter, where no common blur is seen
BELIEF = 0.1  # before the picture is asked: that the optics blurred spots and border alike
BORDER_TOLERANCE = 0.12  # relative: of the two blurs, one of which is read off a field's border
OWN_SOFTNESS = 0.25  # of the radius, of a spot that is soft by itself; and the spread of its logarithm
OWN_SPREAD = 0.6
LEAST_KNOWN = 0.5  # standard uncertainty of the blur's logarithm: what is known less tells nothing
MOST_SAID = 2.0  # by one spot, in the logarithm of the odds: one that was fitted badly must not decide


def with_borders(spots: Sequence[FoundSpot], optics_blur_px: float | None) -> tuple[FoundSpot, ...]:
    """Choose diameter and depth of spots: as they look, or those of the sharp disc that the optics have blurred.

    Parameters
    ----------
    spots : sequence of FoundSpot
        With the diameter at half of the central depth, and those of the disc.
    optics_blur_px : float or None
        Standard deviation of the blur that the border of the field shows; None where there is no border.

    Returns
    -------
    tuple of FoundSpot
        In the same order; diameter, depth and their uncertainties are those chosen.

    Notes
    -----
    No spot alone tells whether it is soft by itself, so that its outline lies at half of its depth, or sharp and
    blurred, so that its outline is that of the disc, further out by up to 7 %. Between the two the diameter is taken a
    third of the way, which costs spots soft by themselves nothing (their errors are those of the fit).

    The border of the field is blurred by the optics alone. If it was they that blurred the spots, the blur of all
    spots, large and small, is that of the border; if the spots are soft by themselves, it goes with their size. The
    odds are those of Bayes' theorem, from the logarithm of each spot's blur: normal about the border's, or normal about
    a quarter of its radius with a spread of 0.6. The probability P of the optics takes the share s of the disc from
    1/3 to ``1/3 + 2/3 P``, which is the disc as soon as a few clear spots agree.

    The uncertainty has a part ``sqrt(s (1 - s) / 2)`` of the distance of the two, a third of it at s = 1/3: the root
    mean square departure of values spread evenly between the two (GUM 4.3.7; definitional uncertainty, D.3.4).

    Errors of the diameter on 8 fields of mild texture (`tests/bench/bench_spots.py`): 90 % within, in µm, and in
    brackets how many of 100 are held by 2 u:

    ========================== =========== ============== =================
    spots drawn                this        always a third always half depth
    ========================== =========== ============== =================
    soft: erf                   5.8 (98)    5.8 (98)       6.4 (98)
    soft: logistic              4.2 (98)    4.2 (98)       4.5 (98)
    soft: disc through half     6.2 (98)    6.2 (98)       7.0 (98)
    soft: Gaussian             15.6 (95)   15.6 (95)      15.0 (94)
    sharp, blurred as border    4.4 (97)    7.1 (92)      10.0 (67)
    sharp, each its own blur   10.8 (94)   10.8 (94)      13.8 (67)
    ========================== =========== ============== =================

    It breaks down where sharp spots lie in another focus than the border of the field, as dust does on another surface:
    they keep the third, and an error of two thirds of the distance.
    """
    share = _share_of_disc(spots, optics_blur_px)
    return tuple(_with_share(spot, share) for spot in spots)


def _share_of_disc(spots: Sequence[FoundSpot], optics_blur_px: float | None) -> float:
    if optics_blur_px is None:
        return DISC_SHARE
    clear = [spot for spot in spots if spot.log_blur_u < LEAST_KNOWN]
    odds = special.logit(BELIEF) + sum(_said_by(spot, optics_blur_px) for spot in clear)
    return float(DISC_SHARE + (1 - DISC_SHARE) * special.expit(odds))


def _said_by(spot: FoundSpot, optics_blur_px: float) -> float:
    seen = math.log(spot.blur_px)
    as_border = _log_normal(seen - math.log(optics_blur_px), math.hypot(spot.log_blur_u, BORDER_TOLERANCE))
    as_own = _log_normal(seen - math.log(OWN_SOFTNESS * spot.disc_px / 2), math.hypot(spot.log_blur_u, OWN_SPREAD))
    return float(np.clip(as_border - as_own, -MOST_SAID, MOST_SAID))


def _log_normal(off: float, spread: float) -> float:
    return -0.5 * (off / spread) ** 2 - math.log(spread)


def _with_share(spot: FoundSpot, share: float) -> FoundSpot:
    apart = spot.disc_px - spot.diameter_px
    from_texture = (1 - share) * spot.diameter_u_px + share * spot.disc_u_px
    deeper = spot.disc_depth - spot.depth
    choice = math.sqrt(share * (1 - share) / 2)
    return replace(
        spot,
        diameter_px=spot.diameter_px + share * apart,
        diameter_u_px=math.hypot(from_texture, choice * apart),
        depth=spot.depth + share * deeper,
        depth_u=math.hypot((1 - share) * spot.depth_u + share * spot.disc_depth_u, choice * deeper),
    )
