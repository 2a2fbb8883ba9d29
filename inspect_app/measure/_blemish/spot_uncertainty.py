"""How far the diameter and the contrast of a spot of a map may be off, beside its scale."""

import math

from inspect_app.numerics.spots.found_spot import FoundSpot

SHAPE_U = 0.009  # relative, of the contrast of a soft spot: its shoulder and foot are no blurred disc's (own trials)
SHARP, SOFT = 0.07, 0.2  # blur over radius: a third of it up to the first, all of it from the second on
SMALL_PX = 3.0  # spots of two pixels show how much is dark, and hardly how deep and how wide: one may stand for
SMALL_U = (0.06, 0.14)  # the other by so much of diameter and contrast at 2 px, and less up to there (own trials)


def contrast_of(spot: FoundSpot) -> float:
    """Return the contrast of a spot: how deep it is over its surround, a dark one no deeper than black."""
    return spot.depth if spot.depth > 0 else min(-spot.depth, 1.0)


def relative_diameter_u(spot: FoundSpot) -> float:
    """Return the standard uncertainty of a spot's diameter over it.

    Notes
    -----
    The fit knows the texture of the field, and that grows with the light: a diameter is read at the outline, which has
    half of a bright spot's own. That of a dark spot is taken as it is: with the root of the light there, 91 instead of
    95 of 100 diameters of 160 small dark Gaussian ones were held. Other profiles than a blurred disc are allowed for by
    the fit itself (`spot_shape.MODEL_ERROR`); with 0.4 % for them once more errors of 652 spots were 0.68 u (rms),
    without 0.76, of which value ± 2 u holds 98 of 100.
    """
    louder = 1 + max(spot.depth, 0.0) / 2
    return math.hypot(louder * spot.diameter_u_px / spot.diameter_px, _small(spot) * SMALL_U[0])


def contrast_u(spot: FoundSpot, level_u: float) -> float:
    """Return the standard uncertainty of a spot's contrast.

    Parameters
    ----------
    spot : FoundSpot
    level_u : float
        Relative standard uncertainty of the field's level.

    Notes
    -----
    A contrast is read between the middle of a spot and its surround. The fit knows the texture of the surround; that of
    the middle goes with its light. Without this value ± 2 u held 89 of 100 contrasts of 75 bright spots (rms error 1.30
    u), and nearly all of those of dark ones, deep ones with half of their u.

    Other profiles than a blurred disc count for 0.3 to 0.9 %, by the softness of the spot. Its shoulder and its foot
    tell too little of its profile: where noise is 0.4 to 2 % of a pixel, a border that falls like a penumbra (a cubic
    step) over half to seven tenths of the radius is read 1.2 to 1.4 % too strong, whatever its size, one over a quarter
    0.4 %; ``exp(-(r / R) ** p)`` 1.1 % too faint where p is 4.5 to 7, and 1.5 % too strong at 2.5; Gaussians 0.6 % too
    faint, blurred discs right to 0.1 % (960 spots of four profiles, own draw). A further parameter did not tell them
    apart: with a bump in the middle errors were as large, with the fourth derivative of the border up to 6 %. With 0.6
    % for all, value ± 2 u held 83 to 89 of 100 contrasts of the softest penumbras (rms errors 1.5 to 1.7 u).
    """
    louder = math.sqrt((1 + (1 + max(spot.depth, -1.0)) ** 2) / 2)
    softness = spot.blur_px / (spot.disc_px / 2)
    shape_u = SHAPE_U * min(max(softness, SHARP) / SOFT, 1.0)
    relative_u = math.hypot(shape_u, level_u, _small(spot) * SMALL_U[1])
    return math.hypot(louder * spot.depth_u, contrast_of(spot) * relative_u)


def _small(spot: FoundSpot) -> float:
    """Return how little of its shape a spot shows: 0 from 3 px on, 1 at 2 px and below."""
    return min(max(SMALL_PX - spot.diameter_px, 0.0), 1.0)
