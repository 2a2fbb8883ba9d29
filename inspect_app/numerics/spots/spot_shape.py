"""Diameter and depth of one spot: a blurred disc on a sloping surround, fitted in a texture made white."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.spots.spot_oval import ROUND, Oval
from inspect_app.numerics.spots.spot_patches import Fitted, Patches, SpotPatch, least_squares
from inspect_app.numerics.spots.spot_profile import central_depth, half_radius, slopes_of
from inspect_app.numerics.spots.texture import BLOCK_PX, local_power, whitening_of

FloatArray = npt.NDArray[np.float64]
SingleArray = npt.NDArray[np.float32]

MODEL_ERROR = 0.01  # of the depth, per pixel: no real spot is quite a blurred disc, however quiet the texture
LIKELY_SOFTNESS, FIRST_SOFTNESS = 0.3, 0.35
AT_ONCE = 8  # spots, whose patches fit a cache
CLEAR = 100.0  # of the evidence: ten standard uncertainties, of which an ellipse may show
OVAL = 16.0  # of the sum of squares in its standard uncertainties, that an ellipse has to explain


@dataclass(frozen=True, slots=True, kw_only=True)
class SpotShape:
    """A fitted spot; lengths in pixels of the picture that was fitted.

    `diameter_px` is where half of the central depth is reached, `depth`, over the surround and negative for dark;
    `disc_px` and `disc_depth` are those of the disc before it is blurred, the same where it has no plateau.
    `log_blur_u` is the standard uncertainty of the blur's logarithm. `misfit` is the variance of what the fit leaves
    over that of the texture, `evidence` what it explains, over the misfit, and `unlike` the share of all that is not
    texture which it does not explain: 0 of a blurred disc, 1 of what is none. `radius_px` and `plateau` are radius and
    depth of the fitted disc, `own_blur_px` its blur and `softness` the whole blur over its radius. `oval` is the shape
    that was fitted, `better_oval` the one that what is left asks for; the same where nothing tells.
    """

    x: float
    y: float
    diameter_px: float
    diameter_u_px: float
    disc_px: float
    disc_u_px: float
    log_blur_u: float
    depth: float
    depth_u: float
    disc_depth: float
    disc_depth_u: float
    own_blur_px: float
    softness: float
    misfit: float
    evidence: float
    unlike: float
    radius_px: float
    plateau: float
    oval: Oval = ROUND
    better_oval: Oval = ROUND


def fit_spots(patches: Sequence[SpotPatch]) -> list[SpotShape | None]:
    """Fit a blurred disc to each of several candidates.

    Parameters
    ----------
    patches : sequence of SpotPatch

    Returns
    -------
    list of SpotShape or None
        None where too little of a patch is usable, or the fit runs away from its candidate.

    Notes
    -----
    Centre, radius R, blur w, depth and a sloping surround are found by the Levenberg-Marquardt method. Residuals and
    derivatives are cut out by a soft window of about three diameters and filtered so that the texture becomes white,
    which makes it the generalised least-squares estimate (Aitken, 1935, from memory): a honeycomb of fibres, or
    scintillation that is smooth over a few pixels, weighs as little as it should. Plain least squares with inflated
    uncertainties instead gave 11.9 µm instead of 10.4 µm (90 % of diameters) and 9.6 % instead of 7.3 % (contrast) on
    the bench's fields of mild texture, with no gain or loss under strong texture (17 and 18 µm).

    What the fit leaves is gauged in bands of frequency; where a band is louder around the spot than in the field, the
    spot is fitted again in the louder texture (`texture.local_power`). Under strong texture value ± 2 u holds 96.5
    instead of 93.7 of 100 diameters by this.

    A soft spot has two diameters that deserve the name: the one at half of its central depth and that of the disc
    whose blur it may be, 2 R, which is larger by about (w / R)² / 2, at most 7 %. One spot alone does not tell them
    apart: a border that is soft by itself, drawn to look like a blurred disc, differs from it by less than 0.2 % of the
    depth. `spot_kinds` asks all spots of a picture. Where w exceeds 0.6 R the profile is nearly Gaussian, R means
    little, and both are the one at half depth. A blur k that is known makes ``sqrt(w² + k²)`` of w in the picture, and
    all that is returned is of the spot before it: a pixel that is the mean of n by n has a known (n² - 1) / 12, and
    `spot_kinds` tells when the optics have.

    Eight spots are fitted at a time, for one alone takes much of its time for calls with small arrays: 58 fits took 95
    instead of 145 ms of a processor; six or sixteen at a time take as long as eight. Windows are made white in the
    smallest of squares of 40, 48 and 64 pixels that holds them: 55 fits took 97 instead of 123 ms, and the diameters of
    417 spots stayed within 0.5 % in 95 of 100 cases, at the same p90 of 5.5 µm and the same share held.

    What a fit leaves is asked besides whether it is an ellipse's: a clear spot whose `better_oval` is another than its
    own is fitted again with that (`spot_fits`). Of 726 spots of another hand, one in five stretched up to 1.4 to 1,
    90 % of diameters came within 4.9 µm and come within 4.3; of 42 of 1.28 or more within 8.6, 2.2 % too small in the
    mean, 74 of 100 held, and now within 3.2, 0.2 % and 95. In quiet frames of 15 sharp ellipses the rings that circles
    leave were hundreds of marks, and three such frames were refused as full of them; all are found now, to 1 %.

    Spots without a plateau (Gaussian) stay at 12 µm in 90 of 100 cases, where others are at 5; they would be at 9 if it
    were known beforehand that they have none. A narrower prior of the blur made that 15 µm; one that learns from the
    picture's clearer spots, 13 µm.

    Contrasts are at the bound that the texture sets: over their uncertainty in the fit, which is the Cramér-Rao bound
    but for the prior of the blur, central depths of 1 993 spots with soft borders, of seven kinds by three hands, err
    by 0.95 (rms; 0.77 to 1.09 by kind). In round fields of one of them 90 % come within 9.1 %, at a median uncertainty
    of 3.7 %; with borders known beforehand to be 0.22 of the radius, within a third, that was 3.6 %, and 90 % came
    within 10.0 %.

    What the pixels of a picture average is left in a spot, unlike that of its reduction, and taken off afterwards
    (`spot_border.without_pixel`). With that known in the fit, 90 % of contrasts came within 6.6 instead of 7.1 % (own
    soft spots, averaged so), 8.7 instead of 8.8 and 5.9 instead of 5.6 % (another hand's round fields and full frames),
    and of diameters within 5.0 instead of 4.9 and 3.9 instead of 3.8 µm there; below 2.4 px it cannot be told from the
    radius, and u shrank by more than 9 % under more noise in 5 of 608 cases, in none of 614 without.
    """
    windows = [patch.window() for patch in patches]
    shapes: list[SpotShape | None] = [None] * len(patches)
    can_be = sorted((k for k, window in enumerate(windows) if window is not None), key=lambda k: patches[k].diameter_px)
    for first in range(0, len(can_be), AT_ONCE):
        some = can_be[first : first + AT_ONCE]
        fitted = _fitted([patches[k] for k in some], [window for k in some if (window := windows[k]) is not None])
        for k, shape in zip(some, fitted, strict=True):
            shapes[k] = shape
    return shapes


def _fitted(patches: Sequence[SpotPatch], windows: Sequence[SingleArray]) -> list[SpotShape | None]:
    fits = settled(patches, windows, [_start_of(patch) for patch in patches])
    covariances = np.linalg.pinv(np.stack([fitted.normal for fitted in fits.last]), hermitian=True)
    shapes = [
        _shape_of(before, after, covariance, patch.known_blur_px) if _is_near(before, patch) else None
        for before, after, covariance, patch in zip(fits.first, fits.last, covariances, patches, strict=True)
    ]
    ovals = [patch.oval for patch in patches]
    return [
        shape and replace(shape, oval=oval, better_oval=_better_oval(fits, k, oval) if shape.evidence > CLEAR else oval)
        for k, (shape, oval) in enumerate(zip(shapes, ovals, strict=True))
    ]


def _better_oval(fits: "Settled", k: int, oval: Oval) -> Oval:
    """Return the ellipse that what one of several fits leaves asks for, one step of Gauss and Newton on."""
    fitted = fits.last[k]
    slopes = fits.windows.of_some(np.array([k])).stretches(fitted.p[np.newaxis])[0].astype(np.float64)
    gradient = slopes @ fitted.error
    step = np.linalg.solve(slopes @ slopes.T + np.eye(2), gradient)
    gained = float(step @ gradient) / max(fitted.misfit, 1.0)
    return oval.changed(*step) if gained > OVAL else oval


@dataclass(frozen=True, slots=True)
class Settled:
    """Fits in the field's own texture, in that around each spot where it is louder, and the windows of the latter."""

    first: Sequence[Fitted]
    last: Sequence[Fitted]
    windows: Patches


def settled(patches: Sequence[SpotPatch], windows: Sequence[SingleArray], starts: Sequence[Sequence[float]]) -> Settled:
    """Fit patches in their windows from some parameters; again where the texture around a spot is louder."""
    powers = [patch.power + (MODEL_ERROR * patch.depth) ** 2 for patch in patches]
    together = Patches.of(patches, windows, powers)
    first = least_squares(together, np.array(starts))
    whitening, louder, last = together.whitening.copy(), [], list(first)
    for k, (fitted, power, patch) in enumerate(zip(first, powers, patches, strict=True)):
        local = local_power(fitted.error, power, fitted.pixels, together.side_px) if _is_near(fitted, patch) else None
        if local is not None:
            whitening[k] = whitening_of(local, together.side_px)
            louder.append(k)
    together = replace(together, whitening=whitening)
    if louder:
        again = least_squares(together.of_some(np.array(louder)), np.array([first[k].p for k in louder]))
        for k, fitted in zip(louder, again, strict=True):
            last[k] = fitted
    return Settled(first, last, together)


def _start_of(patch: SpotPatch) -> list[float]:
    return [patch.x, patch.y, math.log(patch.diameter_px / 2), math.log(FIRST_SOFTNESS), patch.depth, 0.0, 0.0, 0.0]


def _is_near(fitted: Fitted, patch: SpotPatch) -> bool:
    return math.hypot(fitted.p[0] - patch.x, fitted.p[1] - patch.y) <= 0.5 * patch.diameter_px + 2


def _shape_of(first: Fitted, fitted: Fitted, covariance: FloatArray, known_blur_px: float) -> SpotShape:
    """Return the shape of a fit; what it leaves and explains is told of the first one, in the field's own texture."""
    p = fitted.p
    covariance = max(fitted.misfit, 1.0) * covariance
    radius, blur = math.exp(p[2]), math.exp(p[2] + p[3])
    half, centre = half_radius(radius, blur), float(central_depth(radius, blur))
    centre_by_blur = -radius * float(slopes_of(radius, blur, 0.0)[1])
    slope, by_radius = slopes_of(radius, blur, half)
    by_blur = -radius * by_radius - half * slope
    seen, seen_by_blur = 2 * half, 2 * float((centre_by_blur / 2 - by_blur) / slope)
    has_plateau = 2 * radius > seen
    disc, disc_by_blur = (2 * radius, 0.0) if has_plateau else (seen, seen_by_blur)
    # At a fixed ratio of blur to radius all lengths grow in proportion to the radius.
    wide = np.array([[seen, seen_by_blur], [disc, disc_by_blur], [1.0, 1.0]])
    diameter_u, disc_u, log_blur_u = np.sqrt(np.maximum(np.diag(wide @ covariance[2:4, 2:4] @ wide.T), 0.0))
    deep = np.array([p[4] * centre_by_blur, centre])
    surround = 1 + float(p[5] + (p[6] * (p[0] - BLOCK_PX / 2) + p[7] * (p[1] - BLOCK_PX / 2)) / 10)
    depth = float(p[4] * centre / surround)
    depth_u = math.sqrt(max(float(deep @ covariance[3:5, 3:5] @ deep), 0.0)) / surround
    return SpotShape(
        x=float(p[0]),
        y=float(p[1]),
        diameter_px=seen,
        diameter_u_px=float(diameter_u),
        disc_px=disc,
        disc_u_px=float(disc_u),
        log_blur_u=float(log_blur_u),
        depth=depth,
        depth_u=depth_u,
        disc_depth=float(p[4]) / surround if has_plateau else depth,
        disc_depth_u=math.sqrt(max(float(covariance[4, 4]), 0.0)) / surround if has_plateau else depth_u,
        own_blur_px=blur,
        softness=math.hypot(blur, known_blur_px) / radius,
        misfit=first.misfit,
        evidence=first.explained / max(first.misfit, 1.0),
        unlike=first.unlike,
        radius_px=radius,
        plateau=float(p[4]),
    )
