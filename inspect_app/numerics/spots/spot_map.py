"""All spots of a bright field: its smooth part taken out, candidates found, each fitted, doubtful ones dropped."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.fields.field_circle import BrightField
from inspect_app.numerics.fields.smooth_field import SmoothField, smooth_field
from inspect_app.numerics.spots.candidates import GRID_PX, Candidate, Level, find_candidates, levels_of
from inspect_app.numerics.spots.found_spot import FoundSpot
from inspect_app.numerics.spots.spot_border import blended, readings_of, without_pixel
from inspect_app.numerics.spots.spot_fits import (
    Fit,
    KnownBlur,
    Tried,
    apart_of,
    fitted_again,
    fitted_candidates,
    reach_px,
    still_stands_out,
    take_out,
    window_reach_px,
)
from inspect_app.numerics.spots.spot_kinds import BEHIND, ONE, OWN, SHARP, kinds_of
from inspect_app.numerics.spots.spot_shape import LIKELY_SOFTNESS
from inspect_app.numerics.spots.texture import Rounding
from inspect_app.numerics.spots.texture_marks import evidence_beyond

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

BORDER_EDGES = 3.0  # standard deviations of the blurred border that are no field yet
REMNANT_SHARE = 0.25  # of a spot's depth, close to it
OUTLINE_SHARE = 0.1  # of a spot's depth times area, at its outline: no outline is quite a circle
SIGNIFICANT = 4.7  # standard uncertainties of the depth, of what stood out of the texture by six
SURE = 8.0  # of depth and width together, which trade in a small spot: see `texture_marks` for what was none
MARK_DEPTH = 0.05  # what is fainter is no spot by itself
FEW_BLOCKS = 250  # in which the texture is gauged: spots fill a large part of fewer
UNLIKELY = 0.04  # that a blur is shared: not worth fitting again
SHARP_SOFTNESS = 0.05  # to expect of discs that the optics alone made soft
LEFT_OCTAVE = 2  # means of 4 x 4 pixels
LEFT_DEPTH, LEFT_DEVIATIONS = 0.03, 5.0  # of what departs though the spots are taken out
UNLIKE_LOUD, UNLIKE_SHARE = 10.0, 0.4  # misfit, and its share: fields of spots alone reach one or the other
MOST_SPOTS = 400  # with more the field is nothing but spots
SIDE_BY_SIDE, LOOKED_AHEAD = 24, 60  # candidates that are fitted in one turn, and of which they are chosen
MOST_FITS = 1200  # bounds the time, at 2 to 10 ms each; 400 clear spots take about 600
MOST_VAIN_FITS = 400  # of what is no spot; a sharp hexagon took 177, 23 fields of up to 300 spots 28 at most


@dataclass(frozen=True, slots=True, kw_only=True)
class SpotMap:
    """The spots of a field, deepest first; not whole where the search was given up, since there was no end of them.

    `unlike` counts those that are no round spots but parts of something else, `facing` those that touch one of the
    other polarity, as a step of the light is drawn; `left` is the share of the field that departs from its smooth part
    where no spot is.
    """

    spots: tuple[FoundSpot, ...]
    is_whole: bool
    unlike: int
    facing: int
    left: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FlatField:
    """A bright field made flat.

    `relief` (rows, cols) float32 is the picture over its smooth part less 1, 0 outside; `inside` is where spots are
    sought; `spread` is the robust standard deviation of blocks about the smooth part, relative; `rounding` what the
    file has rounded of it.
    """

    relief: npt.NDArray[np.float32]
    inside: BoolArray
    smooth: SmoothField
    spread: float
    rounding: Rounding | None = None


def inside_of(field: BrightField, shape: tuple[int, ...]) -> BoolArray:
    """Return where a picture of `shape` (rows, cols) belongs to the field."""
    if not field.is_round:
        return np.ones(shape, dtype=bool)
    inside = np.zeros(shape, dtype=bool)
    radius = field.radius_px - BORDER_EDGES * field.edge_px - 1
    # Row by row: the squares of all distances take longer than all else that is done to the whole picture.
    left, right = field.chords(np.arange(shape[0], dtype=np.float64), radius)
    for row in np.flatnonzero(left <= right):
        inside[row, max(0, math.ceil(left[row])) : max(0, math.floor(right[row]) + 1)] = True
    return inside


def flatten(image: FloatArray, inside: BoolArray) -> FlatField | None:
    """Take the smooth part out of a bright field; None where too little of it is inside."""
    smooth = smooth_field(image, inside)
    if smooth is None:
        return None
    level = smooth.over_pixels()
    good = inside & (level > 0)
    if not good.any():
        return None
    relief = image.astype(np.float32)
    relief /= np.where(good, level, np.float32(1))  # a third of the time of a division where it is good only
    relief -= 1
    relief *= good
    return FlatField(relief=relief, inside=good, smooth=smooth, spread=smooth.spread / float(level[good].mean()))


def map_spots(
    flat: FlatField,
    *,
    smallest_px: float,
    largest_px: float,
    faintest: float,
    reduced_by: int = 1,
    border_blur_px: float | None = None,
) -> SpotMap:
    """Find and measure the spots of a flattened field.

    Parameters
    ----------
    flat : FlatField
    smallest_px, largest_px : float
        Diameters of interest in pixels of the relief.
    faintest : float
        Least depth of interest.
    reduced_by : int
        Side of a pixel of the relief in pixels of the picture.
    border_blur_px : float or None
        Standard deviation of the blur that the border of the field shows, in pixels of the relief without what its
        reduction adds; None where there is no border.

    Returns
    -------
    SpotMap
        The search is given up at 400 spots, after 1 200 fits, and after 400 of what is no spot, which takes up to
        twelve each.

    Notes
    -----
    Candidates are fitted strongest first, and each spot found is taken out of the relief: what its filter made of its
    surroundings no longer counts as a candidate then, and a weaker neighbour is measured without it. Then those octaves
    are searched once more that have few blocks to gauge the texture in, which spots have raised. In 64 full frames
    this found two of 275 spots besides, of 0.11 depth among others of up to 0.5.
    """
    levels = levels_of(flat.relief.copy(), flat.inside, largest_px=largest_px, rounding=flat.rounding)
    search = _Search(levels, KnownBlur(reduced_by=reduced_by), (smallest_px, 1.5 * largest_px), faintest)
    search.take(find_candidates(levels, faintest=faintest))
    if search.kept and not search.is_given_up:
        coarse = sum(level.relief.size >= FEW_BLOCKS * GRID_PX**2 for level in levels)
        search.take(find_candidates(levels, faintest=faintest, from_octave=coarse))
    search.drop_marks()
    found = [fitted.doubted() for fitted in search.kept]
    spots = found if search.is_given_up else _with_borders(search, found, border_blur_px)
    spots = sorted((spot for spot in spots if _is_told(spot)), key=lambda spot: -abs(spot.depth))
    return SpotMap(
        spots=tuple(spots),
        is_whole=not search.is_given_up,
        unlike=sum(fit.shape.misfit > UNLIKE_LOUD and fit.shape.unlike > UNLIKE_SHARE for fit in search.kept),
        facing=_facing_of(spots),
        left=_left_of(levels),
    )


def _with_borders(search: "_Search", found: Sequence[FoundSpot], border_px: float | None) -> list[FoundSpot]:
    """Return found spots with diameter and depth chosen by what made the borders of all of them soft.

    They are fitted once more with each blur that they may share.
    """
    pixel_px = 1 / search.blur.reduced_by
    kinds = kinds_of(found, border_px, pixel_px=pixel_px)
    again = {OWN: [without_pixel(spot, pixel_px) for spot in found]}
    for kind, blur_px, softness in (
        (ONE, kinds.one_px, SHARP_SOFTNESS),
        (BEHIND, kinds.border_px, LIKELY_SOFTNESS),
        (SHARP, kinds.border_px, SHARP_SOFTNESS),
    ):
        if blur_px is not None and kinds.likely[kind] > UNLIKELY:
            blur = replace(search.blur, optics_px=blur_px, likely_softness=softness)
            again[kind] = [fitted.doubted() for fitted in fitted_again(search.levels, search.kept, blur)]
    readings = [readings_of(spot, {kind: fitted[k] for kind, fitted in again.items()}) for k, spot in enumerate(found)]
    return [blended(spot, own, kinds.likely_for(spot)) for spot, own in zip(found, readings, strict=True)]


def _facing_of(spots: Sequence[FoundSpot]) -> int:
    """Return how many spots lie closer to one of the other polarity than their diameters together."""
    x, y, diameter, depth = np.reshape([(s.x, s.y, s.diameter_px, s.depth) for s in spots], (-1, 4)).T
    away = np.hypot(np.subtract.outer(x, x), np.subtract.outer(y, y))
    faces = (away < np.add.outer(diameter, diameter)) & (np.multiply.outer(depth, depth) < 0)
    return int(np.count_nonzero(faces.any(axis=1)))


def _left_of(levels: Sequence[Level]) -> float:
    """Return the share of a field that departs from its smooth part after the spots were taken out.

    Fields of spots alone leave 0.15 % at most (188 of two hands), a hair 0.3, a step of 15 % of the light 3 to 4, a
    hand or a flare 11 to 18.
    """
    if not levels:
        return 0.0
    level = levels[min(LEFT_OCTAVE, len(levels) - 1)]
    departs = np.abs(level.relief[level.inside])
    if departs.size == 0:
        return 0.0
    noise = 1.4826 * float(np.median(departs))
    return float(np.mean(departs > max(LEFT_DEPTH, LEFT_DEVIATIONS * noise)))


@dataclass(slots=True)
class _Search:
    """A search under way: the levels, out of which spots are taken in place, and the fits of those that were kept."""

    levels: Sequence[Level]
    blur: KnownBlur
    sizes_px: tuple[float, float]
    faintest: float
    kept: list[Fit] = field(default_factory=list)
    faint: list[Fit] = field(default_factory=list)
    fits: int = 0
    vain_fits: int = 0

    @property
    def is_given_up(self) -> bool:
        return len(self.kept) >= MOST_SPOTS or self.fits >= MOST_FITS or self.vain_fits >= MOST_VAIN_FITS

    def take(self, candidates: Sequence[Candidate]) -> None:
        """Fit candidates, strongest first, and take what is a spot out of the levels.

        Those clear of all stronger ones are fitted side by side. Where a spot turns out to reach as far as a later one
        looked, that one waits for another turn: what is found is what one fit after the other would find.
        """
        places = np.array([(c.x, c.y, c.diameter_px, c.strength) for c in candidates]).reshape(-1, 4)
        waiting = list(range(len(candidates)))
        while waiting and not self.is_given_up:
            ahead = waiting[:LOOKED_AHEAD]
            circles = [(c.x, c.y, window_reach_px(self.levels, c.diameter_px)) for c in (candidates[k] for k in ahead)]
            turn = {ahead[place] for place in apart_of(circles)[:SIDE_BY_SIDE]}
            going = [k for k in sorted(turn) if self._stands_out(candidates[k])]
            weaker = [places[k + 1 :] for k in going]
            tried = fitted_candidates(self.levels, [candidates[k] for k in going], weaker, self.blur)
            done = turn - self._late_of(candidates, dict(zip(going, tried, strict=True)))
            waiting = [k for k in waiting if k not in done]

    def _late_of(self, candidates: Sequence[Candidate], tried: Mapping[int, Tried]) -> set[int]:
        """Take the spots among fits that were made side by side; return those that looked where one was taken."""
        late: set[int] = set()
        taken: list[tuple[float, float, float]] = []
        for k, trial in tried.items():
            candidate = candidates[k]
            reaches = (math.hypot(x - candidate.x, y - candidate.y) - reach for x, y, reach in taken)
            if min(reaches, default=math.inf) < trial.reach_px:
                late.add(k)
            elif not self.is_given_up and (not taken or self._stands_out(candidate)):
                self.fits += trial.fits
                if trial.best is not None and self._is_spot(trial.best, [fitted.spot for fitted in self.kept]):
                    self._take(trial.best)
                    taken.append((trial.best.spot.x, trial.best.spot.y, reach_px(trial.best)))
                else:
                    self.vain_fits += trial.fits
                    self.faint += [trial.best] if trial.best is not None else []
        return late

    def drop_marks(self) -> None:
        """Drop what is no more of a spot than the marks that the field's texture draws."""
        found = [fitted.spot for fitted in self.kept]
        marks = {
            (round(fit.spot.x), round(fit.spot.y)): fit.shape.evidence
            for fit in self.faint
            if _is_mark(fit.spot, found)
        }
        least = evidence_beyond(list(marks.values()))
        self.kept = [fitted for fitted in self.kept if fitted.shape.evidence > least]

    def _take(self, fitted: Fit) -> None:
        take_out(self.levels, fitted)
        if self.sizes_px[0] <= fitted.spot.diameter_px <= self.sizes_px[1]:
            self.kept.append(fitted)

    def _stands_out(self, candidate: Candidate) -> bool:
        found = [fitted.spot for fitted in self.kept]
        return not _is_remnant(candidate, found) and (not found or still_stands_out(self.levels, candidate))

    def _is_spot(self, fitted: Fit, found: Sequence[FoundSpot]) -> bool:
        spot = fitted.spot
        is_sure = fitted.shape.evidence > SURE**2
        least = self.faintest if is_sure else max(SIGNIFICANT * spot.depth_u, self.faintest)
        if abs(spot.depth) < least or fitted.shape.evidence < SIGNIFICANT**2:
            return False
        return _is_within(spot, self.levels[0].inside) and not _is_of_an_outline(spot, found)


def _is_mark(spot: FoundSpot, found: Sequence[FoundSpot]) -> bool:
    """Say whether what was too faint for a spot is one by itself, and not left of a deeper spot beside it."""
    return abs(spot.depth) < MARK_DEPTH and not any(
        abs(other.depth) > abs(spot.depth)
        and math.hypot(spot.x - other.x, spot.y - other.y) < spot.diameter_px + other.diameter_px + 2
        for other in found
    )


def _is_told(spot: FoundSpot) -> bool:
    """Say whether depth or diameter is more than its uncertainty: of a speck behind a blur neither may be.

    One of 1 436 spots reported by another hand's fields had neither, and was noise; none of 491 true ones, half of them
    behind optics.
    """
    return abs(spot.depth) > spot.depth_u or spot.diameter_px > spot.diameter_u_px


def _is_within(spot: FoundSpot, inside: BoolArray) -> bool:
    """Say whether a spot lies between places of the field in its row: its own may be saturated."""
    row = round(spot.y)
    if not 0 <= row < inside.shape[0]:
        return False
    cols = np.flatnonzero(inside[row])
    return bool(len(cols) and cols[0] <= round(spot.x) <= cols[-1])


def _is_remnant(candidate: Candidate, found: Sequence[FoundSpot]) -> bool:
    """Say whether a candidate is what the profile of a much deeper spot left of it."""
    return any(
        abs(candidate.depth) < REMNANT_SHARE * abs(spot.depth)
        and math.hypot(candidate.x - spot.x, candidate.y - spot.y) < 0.75 * (candidate.diameter_px + spot.diameter_px)
        for spot in found
    )


def _is_of_an_outline(late: FoundSpot, found: Sequence[FoundSpot]) -> bool:
    """Say whether a spot is what the outline of a stronger one has over a circle, or lies within it."""
    for spot in found:
        away = math.hypot(late.x - spot.x, late.y - spot.y)
        share = abs(late.depth) * late.diameter_px**2 / (abs(spot.depth) * spot.diameter_px**2)
        is_small_beside = share < OUTLINE_SHARE and away < 0.5 * spot.diameter_px + 0.75 * late.diameter_px + 1
        if is_small_beside or (share < 1 and away < 0.5 * spot.diameter_px):
            return True
    return False
