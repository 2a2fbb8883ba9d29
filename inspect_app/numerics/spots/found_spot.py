"""A spot as it was found in a picture, before anybody counts it."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundSpot:
    """A spot: centre, diameter and depth over the surround (negative for dark), with uncertainties.

    The diameter is where half of the depth is reached. `disc_px` and `disc_depth` are those of the disc that, blurred
    by `blur_px`, makes its profile; `log_blur_u` is the standard uncertainty of the blur's logarithm. A blur that is
    known to be the optics' or the picture's is in none of them.
    """

    x: float
    y: float
    diameter_px: float
    diameter_u_px: float
    depth: float
    depth_u: float
    disc_px: float
    disc_u_px: float
    disc_depth: float
    disc_depth_u: float
    blur_px: float
    log_blur_u: float
