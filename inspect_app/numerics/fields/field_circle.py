"""Where the bright field lies in a picture: a disc on black, as through an eyepiece, or the whole frame."""

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from inspect_app.numerics.between_pixels import bilinear
from inspect_app.numerics.fields.circle_fit import fit_circle, off_ellipse, oval_of, seen_part
from inspect_app.numerics.fields.field_border import ALL_AROUND, RAYS, SHARPEST_EDGE_PX, border_of, rays

FloatArray = npt.NDArray[np.float64]

OVERVIEW_PX = 256  # longest side of the reduced picture in which the disc is first sought
DARK_CORNER = 0.35  # a corner darker than this share of the middle lies outside of a disc
BLACK_CORNER = 0.15  # a corner darker than this, where no border is seen, is that of a glow
LEAST_CLIFF = 0.7  # of the light from just inside to the corners, lost within 3 standard deviations of a border's blur
SMALLEST_RADIUS_PX = 10.0  # rays across the border of a smaller disc have too few places to fall at
FIRST_REACH, NEXT_REACH = 0.2, 0.06  # of the radius, within which the border is sought
FAR, MOST_TURNS = 0.05, 8  # of the radius between two circles: a field that is cut is followed in large steps first
MOST_UNLIKE = 0.05  # of the radius: what departs more from an ellipse is no round field
FIRST_PLACES = 300  # to a radius
BORDER_PLACES_PX = 0.5
SETTLED_PX = 0.5  # between circles: another would see the same places
PAST_BORDER = 3.0  # standard deviations of its blur, that a ray runs on: cut short, half of its fall lies too far in
SMOOTHED_PLACES = 2.0  # standard deviation along a ray
LEVEL_REACH_PX = 20.0  # inside of the border, over which the light's level is read
DARK_SHARE = 0.1  # of what lies beyond a field is dark at least
LEAST_WHOLE = 1 / 30  # of all rays: where fewer fall half of the way to the light beyond, no border is in view
FEWEST_SEEN = 12  # rays that come to the border
MOST_DOUBTED = 0.05  # of the radius, that an arc in one corner may leave open
THIN, LEAST_BEYOND = 4, 0.01  # one pixel in 16 tells of what lies beyond the field, if there is so much of it
STEP_ROWS = 64  # tell the next code
RINGS, RING_SHARE, LEAST_RING = 5, 0.03, 50  # in which a halo is read: of the radius wide, and pixels at least
RING_DEVIATIONS, LEAST_OF_FIRST = 4.0, 0.2  # standard deviations of a ring's median, and share of the first ring's
FARTHEST_SHARE = 0.25  # of what is clear of a field


@dataclass(frozen=True, slots=True, kw_only=True)
class BrightField:
    """A bright field: centre and radius in pixels (half of the diagonal for a whole frame).

    `edge_px` is the standard deviation of the blurred border, `radius_u_px` the standard uncertainty of the radius, and
    `off_circle_px` the robust standard deviation of the border about its circle. A field that is seen at an angle is an
    ellipse: in the direction θ its border lies ``oval_px[0] cos 2θ + oval_px[1] sin 2θ`` outside of the circle.
    """

    x: float
    y: float
    radius_px: float
    radius_u_px: float
    edge_px: float
    is_round: bool
    off_circle_px: float = 0.0
    oval_px: tuple[float, float] = (0.0, 0.0)

    def over_radius(self, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return places in pixels, about the middle and over the radius: the border becomes the unit circle.

        The inverse of ``(a + c) u + s v, s u + (a - c) v``, an ellipse that departs from a circle by c and s as told
        above; the mean radius that was fitted is less than the mean a of its half axes (to the second order).
        """
        (c, s), (across, down) = self.oval_px, (np.subtract(x, self.x), np.subtract(y, self.y))
        a = self._mean_half_axis_px
        area = a**2 - c**2 - s**2
        return ((a - c) * across - s * down) / area, ((a + c) * down - s * across) / area

    def at_radius(self, share: float, angles: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return x and y in pixels of places at a share of the radius, in directions that are even before the angle."""
        (c, s), u, v = self.oval_px, share * np.cos(angles), share * np.sin(angles)
        a = self._mean_half_axis_px
        return self.x + (a + c) * u + s * v, self.y + s * u + (a - c) * v

    @property
    def _mean_half_axis_px(self) -> float:
        return self.radius_px + 0.75 * (self.oval_px[0] ** 2 + self.oval_px[1] ** 2) / self.radius_px

    def chords(self, rows: FloatArray, radius_px: float) -> tuple[FloatArray, FloatArray]:
        """Return the first and the last columns of rows that a field of its form, and so large a radius, reaches.

        What `over_radius` maps into a circle, which is a quadratic form of the distances across and down; the first
        column is the greater where it has none. All have the shape (rows,).
        """
        (c, s), a, down = self.oval_px, self._mean_half_axis_px, rows - self.y
        across, both, along = (a - c) ** 2 + s**2, 2 * a * s, (a + c) ** 2 + s**2
        reach = (a**2 - c**2 - s**2) * radius_px / self.radius_px
        beneath = (both * down) ** 2 - across * (along * down**2 - reach**2)
        half = np.where(beneath >= 0, np.sqrt(np.maximum(beneath, 0.0)) / across, -math.inf)
        middle = self.x + both * down / across
        return middle - half, middle + half


def find_field(image: FloatArray) -> BrightField | None:
    """Find the bright field of a picture.

    Parameters
    ----------
    image : ndarray of shape (rows, cols)
        Linear in exposure.

    Returns
    -------
    BrightField or None
        None where there is no light at all, or neither a disc nor an even frame.

    Notes
    -----
    A picture with lit corners is a whole frame. One dark corner shows an arc of a field if it has a border there that
    leaves the radius open by less than 5 %, else it is a shadow in a frame: of 60 fields cut so 41 are told, nine in
    ten within 2.7 % of the radius, and 120 frames of which a straight edge, a finger, a mount or a shadow covers one
    corner stay frames. With more dark corners the disc is sought in a reduced picture, and its border where 360 rays
    from the middle, or to the arc that is seen, fall through half of the level just inside. A circle is fitted to these
    places by least squares, without those that lie off by more than 3 robust standard deviations or beyond the picture.
    A ray has to run on for 3 standard deviations of the border's blur, or half of its fall is sought too far in: of 40
    fields with three dark corners 8 radii were too small by more than 2 u by that, now 2. Light that only fades there
    has no border: a whole frame where it reaches the corners, else a glow and no field.
    """
    rows, cols = image.shape
    factor = min(math.ceil(max(rows, cols) / OVERVIEW_PX), rows, cols)
    overview = _reduced(image, factor)
    bright = float(np.percentile(overview, 95))
    if not bright > 0:
        return None
    frame = BrightField(
        x=(cols - 1) / 2,
        y=(rows - 1) / 2,
        radius_px=math.hypot(rows, cols) / 2,
        radius_u_px=0.0,
        edge_px=0.0,
        is_round=False,
    )
    darkest, corner, *_ = _corners(overview)
    if corner > DARK_CORNER * bright:
        return (_field_of_arc(image, overview, darkest, bright) if darkest <= DARK_CORNER * bright else None) or frame
    rough = _rough_circle(overview, corner, bright, factor)
    disc = None if rough is None else _refined(image, *rough, corner)
    if disc is None or _cliff(image, disc, corner) > LEAST_CLIFF:
        return disc
    return frame if corner > BLACK_CORNER * bright else None


@dataclass(frozen=True, slots=True)
class Veil:
    """What lies over a round field: `level` far away from it, and how much brighter its `halo` is at its border.

    `step` is the distance from there to the next level that the picture knows: one code of its file.
    """

    level: float = 0.0
    halo: float = 0.0
    step: float = 0.0


def veil_of(image: FloatArray, field: BrightField) -> Veil:
    """Return what lies over a round field: a camera's black level and stray light, and the halo of the field itself.

    None of a whole frame, and where less than 1 % of the picture lies clear of the field.

    Notes
    -----
    The level is the median of what lies clear of the field. Light that is brighter beside the field than in the quarter
    farthest from it is scattered, and lies over the field as well: the halo is read in five rings and continued to the
    border as an exponential.
    """
    if not field.is_round:
        return Veil()
    outside, squares = _beyond(image, field)
    if outside.size <= LEAST_BEYOND * image[::THIN, ::THIN].size:
        return Veil()
    r = np.sqrt(squares)
    far = float(np.median(outside[r > np.quantile(r, 1 - FARTHEST_SHARE)]))
    level = float(np.median(outside))
    some = image[:: max(1, len(image) // STEP_ROWS)]
    step = float(some.min(where=some > level, initial=np.inf)) - level
    return Veil(
        level=level,
        halo=_halo(outside - far, r, field.radius_px),
        step=step if math.isfinite(step) else 0.0,
    )


def _halo(light: FloatArray, r: FloatArray, radius_px: float) -> float:
    """Return how much brighter than far away it is at the border of a field, from pixels clear of it."""
    width_px = RING_SHARE * radius_px
    ring = ((r - r.min()) / width_px).astype(np.intp)
    medians: list[float] = []
    places: list[float] = []
    for own in (ring == k for k in range(RINGS)):
        count = int(own.sum())
        if count < LEAST_RING:
            break
        median = float(np.median(light[own]))
        noise = 1.2533 * 1.4826 * float(np.median(np.abs(light[own] - median))) / math.sqrt(count)
        if median < RING_DEVIATIONS * noise or (medians and not LEAST_OF_FIRST * medians[0] < median < medians[-1]):
            break
        medians.append(median)
        places.append(float(r[own].mean()))
    if len(medians) < 2:
        return 0.0
    fall, at_border = np.polyfit(np.subtract(places, radius_px), np.log(medians), 1)
    return math.exp(at_border) if fall < 0 else 0.0


def light_beyond(image: FloatArray, field: BrightField) -> float:
    """Return the area beyond a round field that is brighter than half of its middle, over that of the field."""
    if not field.is_round:
        return 0.0
    reach = max(1, int(field.radius_px / 4))
    top, left = max(0, int(field.y) - reach), max(0, int(field.x) - reach)
    middle = float(np.median(image[top : int(field.y) + reach + 1 : THIN, left : int(field.x) + reach + 1 : THIN]))
    outside, _ = _beyond(image, field)
    if outside.size == 0:
        return 0.0
    dark = float(np.quantile(outside[::THIN], DARK_SHARE))
    lit = float(np.mean(outside > (dark + middle) / 2)) * outside.size * THIN**2
    return lit / (math.pi * field.radius_px**2)


def _beyond(image: FloatArray, field: BrightField) -> tuple[FloatArray, FloatArray]:
    """Return one in 16 of the pixels clear of a round field, and the squares of their distances from its middle."""
    y, x = np.ogrid[0 : image.shape[0] : THIN, 0 : image.shape[1] : THIN]
    clear_px = field.radius_px + math.hypot(*field.oval_px) + 6 * field.edge_px + 4
    squares = (x - field.x) ** 2 + (y - field.y) ** 2
    is_clear = squares > clear_px**2
    return image[::THIN, ::THIN][is_clear], squares[is_clear]


def _reduced(image: FloatArray, factor: int) -> FloatArray:
    rows, cols = image.shape[0] // factor * factor, image.shape[1] // factor * factor
    blocks = image[:rows, :cols].reshape(rows // factor, factor, cols // factor, factor)
    reduced: FloatArray = blocks[:, factor // 2, :, :].mean(axis=2)
    return reduced


def _corners(overview: FloatArray) -> list[float]:
    """Return the light in the four corners, the darkest first."""
    side = max(2, min(overview.shape) // 24)
    return sorted(
        float(np.median(part))
        for rows in (overview[:side], overview[-side:])
        for part in (rows[:, :side], rows[:, -side:])
    )


def _field_of_arc(image: FloatArray, overview: FloatArray, beyond: float, bright: float) -> BrightField | None:
    """Return the round field of which one dark corner shows an arc; None where that tells no radius."""
    lit = ndimage.gaussian_filter(overview, 1.0) > (max(beyond, 0.0) + bright) / 2
    y, x = np.nonzero(lit & ~ndimage.binary_erosion(lit, border_value=1))
    if len(x) < FEWEST_SEEN:
        return None
    factor = image.shape[0] // overview.shape[0]
    middle_y, middle_x = (np.array(overview.shape) - 1) / 2
    order = np.argsort(np.arctan2(y - middle_y, x - middle_x))
    rough = fit_circle(np.column_stack([x, y])[order] * factor + (factor - 1) / 2)
    disc = _refined(image, rough.x, rough.y, rough.radius_px, beyond)
    is_told = (
        disc is not None
        and disc.radius_u_px < MOST_DOUBTED * disc.radius_px
        and _cliff(image, disc, beyond) > LEAST_CLIFF
    )
    return disc if is_told else None


def _rough_circle(overview: FloatArray, corner: float, bright: float, factor: int) -> tuple[float, float, float] | None:
    dark = max(corner, 0.0)
    lit = ndimage.gaussian_filter(overview, 1.0) > dark + 0.3 * (bright - dark)
    names, count = ndimage.label(lit)
    if count == 0:
        return None
    sizes = np.bincount(names.ravel())[1:]
    disc = ndimage.binary_fill_holes(names == 1 + int(sizes.argmax()))
    if disc.mean() < 0.01:
        return None
    y, x = np.nonzero(disc)
    radius = max(math.sqrt(float(disc.sum()) / math.pi), (np.ptp(x) + 1) / 2, (np.ptp(y) + 1) / 2)
    middle_x, middle_y = (x.min() + x.max()) / 2, (y.min() + y.max()) / 2
    shift = (factor - 1) / 2
    return middle_x * factor + shift, middle_y * factor + shift, radius * factor


def _refined(image: FloatArray, x: float, y: float, radius: float, beyond: float) -> BrightField | None:
    reach, step_px, edge = FIRST_REACH * radius, max(BORDER_PLACES_PX, radius / FIRST_PLACES), 0.0
    angles = ALL_AROUND
    for turn in range(MOST_TURNS):
        if radius < SMALLEST_RADIUS_PX:
            return None
        places = np.arange(radius - reach, radius + reach, step_px)
        points, edge = _border_points(image, x, y, places, angles, beyond, PAST_BORDER * edge)
        if len(points) < FEWEST_SEEN:
            return None
        before = x, y, radius
        circle = fit_circle(points)
        x, y, radius, spread = circle.x, circle.y, circle.radius_px, circle.spread_px
        oval = oval_of(points - (x, y), radius)
        angles = seen_part(points - (x, y))
        moved = math.dist(before, (x, y, radius))
        if turn > 0 and moved < SETTLED_PX:
            break
        if moved > FAR * radius:
            reach = FIRST_REACH * radius
            continue
        reach = min(NEXT_REACH * radius + math.hypot(*oval), 5 * spread + 6 * edge + LEVEL_REACH_PX)
        step_px = BORDER_PLACES_PX
    if min(spread, off_ellipse(points - (x, y), radius, oval)) > MOST_UNLIKE * radius:
        return None
    round_field = BrightField(
        x=x,
        y=y,
        radius_px=radius,
        radius_u_px=circle.radius_u_px,
        edge_px=max(edge, SHARPEST_EDGE_PX),
        is_round=True,
        off_circle_px=spread,
        oval_px=oval,
    )
    border = border_of(image, (x, y), radius, round_field.edge_px, oval)
    return replace(
        round_field,
        x=x + border.aside_px[0],
        y=y + border.aside_px[1],
        radius_px=radius + border.farther_px,
        radius_u_px=math.hypot(round_field.radius_u_px, math.hypot(*oval) / math.sqrt(3)),
        edge_px=border.edge_px,
    )


def _cliff(image: FloatArray, disc: BrightField, corner: float) -> float:
    """Return how much of the light that is lost from just inside a disc to the corners is gone just outside of it.

    By medians over all rays. All of it at a border, whatever veils it; 0.2 to 0.5 of light that fades.
    """
    reach = 3 * disc.edge_px + 2
    at_x, at_y = rays(disc.x, disc.y, disc.radius_px + np.array([-reach, reach]))
    inside, outside = bilinear(image, at_y, at_x).T
    in_picture = (at_x[:, 1] >= 0) & (at_x[:, 1] < image.shape[1]) & (at_y[:, 1] >= 0) & (at_y[:, 1] < image.shape[0])
    if not in_picture.any():
        return 0.0
    level = float(np.median(inside[in_picture]))
    return (level - float(np.median(outside[in_picture]))) / (level - corner) if level > corner else 0.0


def _border_points(
    image: FloatArray, x: float, y: float, r: FloatArray, angles: FloatArray, beyond: float, past_px: float
) -> tuple[FloatArray, float]:
    at_x, at_y = rays(x, y, r, angles=angles)
    inside = (at_x >= 0) & (at_x <= image.shape[1] - 1) & (at_y >= 0) & (at_y <= image.shape[0] - 1)
    light = bilinear(image, at_y, at_x)
    light = ndimage.gaussian_filter1d(light, SMOOTHED_PLACES, axis=1)
    crossing, width = _falls(light, inside, r, beyond, past_px)
    seen = np.isfinite(crossing)
    points = np.column_stack([x + crossing * np.cos(angles), y + crossing * np.sin(angles)])[seen]
    edge = float(np.median(width[seen])) if seen.any() else SHARPEST_EDGE_PX
    return points, math.sqrt(max(edge**2 - (SMOOTHED_PLACES * (r[1] - r[0])) ** 2, SHARPEST_EDGE_PX**2))


def _falls(
    light: FloatArray, inside: npt.NDArray[np.bool_], r: FloatArray, beyond: float, past_px: float
) -> tuple[FloatArray, FloatArray]:
    """Return where light of shape (rays, places) falls through half of its level just inside the border, and how wide.

    The crossing is NaN on a ray that leaves the picture before its border: it falls in the texture of the field only,
    and not half of the way to the light beyond, which some others do.
    """
    rays, places = np.arange(len(light)), np.arange(len(r))
    fall = np.diff(light, axis=1)
    steepest = fall.argmin(axis=1)
    before = np.clip(steepest[:, None] + np.arange(-30, -6), 0, None)
    level = np.median(light[rays[:, None], before], axis=1)
    floor = np.where(inside, light, np.inf).min(axis=1)
    half = (level + floor) / 2
    is_below = (light < half[:, None]) & (places >= steepest[:, None] - 12)
    at = is_below.argmax(axis=1)
    step = r[1] - r[0]
    past = 2 + math.ceil(past_px / step)
    drop = light[rays, at - 1] - light[rays, at]
    is_seen = inside[rays, np.minimum(steepest + past, len(r) - 1)] & (at > 0) & (level > 0) & (drop > 0)
    is_whole = is_seen & (2 * floor < level + beyond)
    is_seen = is_whole if is_whole.sum() >= LEAST_WHOLE * RAYS else is_seen
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing = np.where(is_seen, r[at] - step * (half - light[rays, at]) / drop, np.nan)
        width = (level - floor) * step / (-fall.min(axis=1) * math.sqrt(2 * math.pi))
    return crossing, width
