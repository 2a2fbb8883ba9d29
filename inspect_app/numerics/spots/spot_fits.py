"""Fits of spots in the octaves of a relief: from where they were sought to where they are, and out of the relief."""

import contextlib
import math
from collections.abc import Generator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.spots.candidates import Candidate, Level, mean_of_four
from inspect_app.numerics.spots.found_spot import FoundSpot
from inspect_app.numerics.spots.spot_doubt import diameter_doubt, is_faint
from inspect_app.numerics.spots.spot_oval import away_of
from inspect_app.numerics.spots.spot_patches import SHARPEST_PX, SpotPatch, reach_of
from inspect_app.numerics.spots.spot_profile import blurred_disc
from inspect_app.numerics.spots.spot_shape import LIKELY_SOFTNESS, SpotShape, fit_spots
from inspect_app.numerics.spots.texture import BLOCK_PX

FloatArray = npt.NDArray[np.float64]
SingleArray = npt.NDArray[np.float32]
BoolArray = npt.NDArray[np.bool_]

LARGEST_FITTED_PX = 13.0  # a larger spot is fitted in a coarser octave
START_GROWTHS = (1.0, 0.4, 1.7, 2.9)
GOOD_MISFIT = 1.5  # variance left over that of the texture
SPECK_PX, SPECK_START_PX, SPECK_REACH_PX = 3.5, 1.5, 2  # of the octave: of a spot of few pixels
OUTGROWN = 1.35
MOST_STRETCHES = 4  # steps towards an ellipse
MOST_UNLIKE = 0.05  # of what is no texture, left by an ellipse: the end of a hand leaves 0.14
MOST_WINDOWS = 6  # a large sharp spot is found at its border, by a filter of a sixth of its size
SAME_END = 0.05  # of the diameter
REACH_BLURS = 4  # standard deviations beyond its disc, within which a spot is taken out


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownBlur:
    """What is known to blur every spot of a relief: its reduction from a picture, and the optics.

    `reduced_by` is the side of a pixel of the relief in pixels of the picture, `optics_px` a standard deviation in
    pixels of the relief, `likely_softness` what is expected of the rest over the radius of a spot.
    """

    reduced_by: int = 1
    optics_px: float = 0.0
    likely_softness: float = LIKELY_SOFTNESS

    def within(self, level: Level) -> float:
        """Return its standard deviation in pixels of a level: the mean of n by n pixels widens by (n² - 1) / 12."""
        aperture = (1 - (self.reduced_by * level.factor) ** -2) / 12
        return math.sqrt(aperture + (self.optics_px / level.factor) ** 2)


@dataclass(frozen=True, slots=True)
class Fit:
    """A fitted spot, radius and plateau of its profile, and the shape in the patch that they come from."""

    spot: FoundSpot
    radius_px: float
    plateau: float
    shape: SpotShape
    patch: SpotPatch

    @property
    def is_hollow(self) -> bool:
        """Say whether the pixel at its centre departs from the surround the other way."""
        row, col = (min(max(round(place), 0), BLOCK_PX - 1) for place in (self.shape.y, self.shape.x))
        return bool(self.patch.relief[row, col] * self.shape.depth < 0)

    @property
    def is_speck(self) -> bool:
        """Say whether it is of few pixels, between which there are false minima."""
        return self.shape.diameter_px < SPECK_PX

    def at_deepest_pixel(self, start: Candidate) -> Candidate:
        """Return a start at that pixel near its centre which departs most."""
        top, left = (
            min(max(round(place) - SPECK_REACH_PX, 0), BLOCK_PX - 2 * SPECK_REACH_PX - 1)
            for place in (self.shape.y, self.shape.x)
        )
        side = 2 * SPECK_REACH_PX + 1
        near = self.patch.relief[top : top + side, left : left + side]
        row, col = divmod(int((near * math.copysign(1.0, self.shape.depth)).argmax()), side)
        factor = self.radius_px / self.shape.radius_px
        return replace(
            start,
            x=self.spot.x + (left + col - self.shape.x) * factor,
            y=self.spot.y + (top + row - self.shape.y) * factor,
            diameter_px=SPECK_START_PX * factor,
            depth=float(near[row, col]),
        )

    def stretched(self, start: Candidate) -> Candidate:
        """Return a start where it is, in the same octave, of the ellipse that what it leaves asks for."""
        spot, factor = self.spot, self.radius_px / self.shape.radius_px
        diameter_px = min(spot.diameter_px, LARGEST_FITTED_PX * factor)
        oval = self.shape.better_oval
        return replace(start, x=spot.x, y=spot.y, diameter_px=diameter_px, depth=spot.depth, oval=oval)

    def doubted(self) -> FoundSpot:
        """Return the spot, its diameter's uncertainty widened where noise may hide another size."""
        if not is_faint(self.shape):
            return self.spot
        doubt, factor = diameter_doubt(self.patch, self.shape), self.radius_px / self.shape.radius_px
        return replace(self.spot, diameter_u_px=factor * doubt.diameter_u_px, disc_u_px=factor * doubt.disc_u_px)


@dataclass(frozen=True, slots=True)
class Tried:
    """The best of several fits, how many there were, and how far from the candidate they looked, in pixels."""

    best: Fit | None
    fits: int
    reach_px: float


Starts = Generator[Candidate, Fit | None, None]
"""The starts of a candidate's fits, each sent what came of it."""


@dataclass(slots=True)
class _Trial:
    """A candidate under trial: the starts of its fits, and the best so far of their ends."""

    candidate: Candidate
    weaker: FloatArray
    best: Fit | None = None
    fits: int = 0
    reach_px: float = 0.0

    def starts(self) -> Starts:
        """Fit a candidate; from other starts as well where the fit leaves much.

        A sharp border answers to a filter smaller than its spot, a point in a coarse grain to one larger than it,
        inverted; and a fit that starts at another size may end in a false minimum. Of several ends the one counts that
        explains most over what it leaves: what is left alone is diluted by a larger window. In a grain that is quiet
        between neighbouring pixels an inverted fit may leave little all the same, so one that is hollow is tried
        smaller: of 1 665 faint spots two of 2.3 px had been told as 5.0 px and of the other polarity. A speck that was
        sought a pixel beside where it is may end between pixels from all sizes, so it is tried once more from its
        deepest one.
        """
        for growth in START_GROWTHS:
            fitted = yield from self._settled(replace(self.candidate, diameter_px=growth * self.candidate.diameter_px))
            if fitted is None:
                continue
            if self.best is None or fitted.shape.evidence > self.best.shape.evidence:
                self.best = fitted
            elif growth > 1 and abs(fitted.spot.diameter_px / self.best.spot.diameter_px - 1) < SAME_END:
                break
            if self.best.shape.misfit < GOOD_MISFIT and (growth < 1 or not self.best.is_hollow):
                break
        if self.best is not None and self.best.is_speck:
            fitted = yield from self._settled(self.best.at_deepest_pixel(self.candidate))
            if fitted is not None and fitted.shape.evidence > self.best.shape.evidence:
                self.best = fitted
        yield from self._stretched()

    def _stretched(self) -> Starts:
        """Fit an ellipse where what a circle leaves asks for one, unless that too leaves a shape that is none."""
        circle = self.best
        for _ in range(MOST_STRETCHES):
            if self.best is None or self.best.shape.better_oval == self.best.shape.oval:
                break
            fitted = yield from self._settled(self.best.stretched(self.candidate))
            if fitted is None or fitted.shape.evidence <= self.best.shape.evidence:
                break
            self.best = fitted
        if self.best is not None and self.best.shape.unlike > MOST_UNLIKE:
            self.best = circle

    def _settled(self, start: Candidate) -> Generator[Candidate, Fit | None, Fit | None]:
        """Fit again from what was found where window and octave do not suit it, and it is still where it was sought."""
        fitted, sought = None, start
        for _ in range(MOST_WINDOWS):
            self.fits += 1
            again = yield start
            if again is None:
                break
            fitted, spot = again, again.spot
            grown = spot.diameter_px / start.diameter_px
            reach_px = 0.5 * max(sought.diameter_px, spot.diameter_px) + 2
            is_away = math.hypot(spot.x - sought.x, spot.y - sought.y) > reach_px
            if is_away or (1 / OUTGROWN < grown < OUTGROWN and spot.depth * start.depth > 0):
                break
            start = replace(start, x=spot.x, y=spot.y, diameter_px=spot.diameter_px, depth=spot.depth)
        return fitted


def fitted_candidates(
    levels: Sequence[Level], candidates: Sequence[Candidate], weaker: Sequence[FloatArray], blur: KnownBlur
) -> list[Tried]:
    """Fit candidates side by side, each from as many starts as it takes, in the reliefs as they are.

    `weaker` has of each candidate those that come after it, shape (n, 4): x, y, diameter and strength.
    """
    trials = [_Trial(*each) for each in zip(candidates, weaker, strict=True)]
    going = [(trial, starts, next(starts)) for trial in trials for starts in (trial.starts(),)]
    while going:
        ends = _fitted_from(levels, [(start, trial.weaker) for trial, _, start in going], blur)
        after = []
        for (trial, starts, start), end in zip(going, ends, strict=True):
            away_px = math.hypot(start.x - trial.candidate.x, start.y - trial.candidate.y)
            trial.reach_px = max(trial.reach_px, away_px + window_reach_px(levels, start.diameter_px))
            with contextlib.suppress(StopIteration):
                after.append((trial, starts, starts.send(end)))
        going = after
    return [Tried(trial.best, trial.fits, trial.reach_px) for trial in trials]


def window_reach_px(levels: Sequence[Level], diameter_px: float) -> float:
    """Return the radius of the window in which a spot of a diameter is fitted."""
    factor = _level_for(levels, diameter_px).factor
    return factor * (reach_of(diameter_px / factor) + 1)


def _level_for(levels: Sequence[Level], diameter_px: float) -> Level:
    """Return the finest octave in which a spot is not larger than about 13 pixels."""
    return next((level for level in levels if diameter_px / level.factor <= LARGEST_FITTED_PX), levels[-1])


def _fitted_from(
    levels: Sequence[Level], starts: Sequence[tuple[Candidate, FloatArray]], blur: KnownBlur
) -> list[Fit | None]:
    cuts = [_Cut.of(_level_for(levels, start.diameter_px), start) for start, _ in starts]
    patches = [cut.patch(start, weaker, blur) for cut, (start, weaker) in zip(cuts, starts, strict=True)]
    shapes = fit_spots(patches)
    return [
        None if shape is None else cut.placed(shape, patch)
        for cut, patch, shape in zip(cuts, patches, shapes, strict=True)
    ]


@dataclass(frozen=True, slots=True)
class _Cut:
    """Where 64 x 64 pixels around a candidate lie in an octave."""

    level: Level
    left: int
    top: int

    @classmethod
    def of(cls, level: Level, candidate: Candidate) -> "_Cut":
        shift = (level.factor - 1) / 2
        left, top = (round((place - shift) / level.factor) - BLOCK_PX // 2 for place in (candidate.x, candidate.y))
        return cls(level, left, top)

    def patch(self, candidate: Candidate, weaker: FloatArray, blur: KnownBlur) -> SpotPatch:
        factor, shift, diameter_px = self.level.factor, (self.level.factor - 1) / 2, candidate.diameter_px
        relief, usable = _patch(self.level, self.left, self.top)
        away = np.hypot(weaker[:, 0] - candidate.x, weaker[:, 1] - candidate.y)
        is_apart = away > 0.8 * (diameter_px + weaker[:, 2]) + factor
        is_near = away < BLOCK_PX * factor + weaker[:, 2]
        rows, cols = np.ogrid[self.top : self.top + BLOCK_PX, self.left : self.left + BLOCK_PX]
        for other in weaker[is_apart & is_near & (weaker[:, 3] > 0.2 * candidate.strength)]:
            (x, y), r = (other[:2] - shift) / factor, 0.8 * other[2] / factor + 1
            usable &= (cols - x) ** 2 + (rows - y) ** 2 > r**2
        return SpotPatch(
            relief=relief,
            usable=usable,
            power=self.level.power,
            x=(candidate.x - shift) / factor - self.left,
            y=(candidate.y - shift) / factor - self.top,
            diameter_px=diameter_px / factor,
            depth=candidate.depth,
            known_blur_px=blur.within(self.level),
            likely_softness=blur.likely_softness,
            oval=candidate.oval,
        )

    def placed(self, shape: SpotShape, patch: SpotPatch) -> Fit:
        factor, shift = self.level.factor, (self.level.factor - 1) / 2
        spot = FoundSpot(
            x=(self.left + shape.x) * factor + shift,
            y=(self.top + shape.y) * factor + shift,
            diameter_px=shape.diameter_px * factor,
            diameter_u_px=shape.diameter_u_px * factor,
            depth=shape.depth,
            depth_u=shape.depth_u,
            disc_px=shape.disc_px * factor,
            disc_u_px=shape.disc_u_px * factor,
            disc_depth=shape.disc_depth,
            disc_depth_u=shape.disc_depth_u,
            blur_px=shape.own_blur_px * factor,
            log_blur_u=shape.log_blur_u,
        )
        return Fit(spot, shape.radius_px * factor, shape.plateau, shape, patch)


def _patch(level: Level, left: int, top: int) -> tuple[FloatArray, BoolArray]:
    """Return 64 x 64 pixels of a level; what lies outside of it is 0 and not usable."""
    relief, usable = np.zeros((BLOCK_PX, BLOCK_PX)), np.zeros((BLOCK_PX, BLOCK_PX), dtype=bool)
    rows, cols = level.relief.shape
    a, b = max(top, 0), min(top + BLOCK_PX, rows)
    c, d = max(left, 0), min(left + BLOCK_PX, cols)
    if a < b and c < d:
        relief[a - top : b - top, c - left : d - left] = level.relief[a:b, c:d]
        usable[a - top : b - top, c - left : d - left] = level.inside[a:b, c:d]
    return relief, usable


def fitted_again(levels: Sequence[Level], taken: Sequence[Fit], blur: KnownBlur) -> list[Fit]:
    """Fit spots that were taken out once more, now that more of their blur is known; as they were if that fails.

    Each is put back by itself; those whose windows and profiles do not meet go side by side.
    """
    again = list(taken)
    reaches = [max(reach_px(fit), window_reach_px(levels, fit.spot.diameter_px)) for fit in taken]
    waiting = list(range(len(taken)))
    while waiting:
        apart = apart_of([(taken[k].spot.x, taken[k].spot.y, reaches[k]) for k in waiting])
        some = [waiting[place] for place in apart]
        for k in some:
            take_out(levels, replace(taken[k], plateau=-taken[k].plateau))
        starts = [(_start_at(taken[k]), np.zeros((0, 4))) for k in some]
        for k, fit in zip(some, _fitted_from(levels, starts, blur), strict=True):
            again[k] = fit or taken[k]
            take_out(levels, again[k])
        waiting = [k for k in waiting if k not in set(some)]
    return again


def _start_at(fit: Fit) -> Candidate:
    spot, oval = fit.spot, fit.shape.oval
    return Candidate(x=spot.x, y=spot.y, diameter_px=spot.diameter_px, depth=spot.depth, limit=1.0, octave=0, oval=oval)


def apart_of(circles: Sequence[tuple[float, float, float]]) -> list[int]:
    """Return which of circles (x, y, radius) meet none of those before them."""
    x, y, radius = np.reshape(circles, (-1, 3)).T
    return [k for k in range(len(circles)) if not np.any(np.hypot(x[:k] - x[k], y[:k] - y[k]) < radius[:k] + radius[k])]


def reach_px(fitted: Fit) -> float:
    """Return the distance from its centre within which a spot is taken out of the reliefs."""
    longer, softness = math.exp(fitted.shape.oval.stretch), max(fitted.shape.softness, SHARPEST_PX / fitted.radius_px)
    return longer * fitted.radius_px * (1 + REACH_BLURS * softness) + 1


def take_out(levels: Sequence[Level], fitted: Fit) -> None:
    """Take a spot out of the reliefs of all levels, in place: they are working copies of one map.

    It is drawn in the finest, whose means are what it is in the coarser.
    """
    coarsest = levels[-1].factor
    reach, radius = math.ceil(reach_px(fitted)), fitted.radius_px
    top, left = ((round(place) - reach) // coarsest * coarsest for place in (fitted.spot.y, fitted.spot.x))
    side = (2 * reach // coarsest + 2) * coarsest
    rows, cols = np.ogrid[top : top + side, left : left + side]
    r = away_of(fitted.shape.oval, cols - fitted.spot.x, rows - fitted.spot.y) / radius
    profile = blurred_disc(1.0, max(fitted.shape.softness, SHARPEST_PX / radius), math.inf)
    drawn = (fitted.plateau * np.interp(r, profile.r, profile.value)).astype(np.float32)
    for level in levels:
        if level.factor > 1:
            drawn = mean_of_four(drawn)
        _subtract(level.relief, drawn, top // level.factor, left // level.factor)


def _subtract(relief: SingleArray, drawn: SingleArray, top: int, left: int) -> None:
    """Take a picture whose first pixel lies at a row and a column of a relief, or before them, off in place."""
    height, width = drawn.shape
    part = relief[max(0, top) : max(0, top + height), max(0, left) : max(0, left + width)]
    part -= drawn[max(0, -top) :, max(0, -left) :][: part.shape[0], : part.shape[1]]


def still_stands_out(levels: Sequence[Level], candidate: Candidate) -> bool:
    """Say whether a candidate stands out of the texture after stronger spots were taken out."""
    level = levels[candidate.octave]
    kernel = level.kernels[candidate.diameter_px / level.factor]  # factors are powers of two, so this is exact
    shift = (level.factor - 1) / 2
    left = round((candidate.x - shift) / level.factor) - BLOCK_PX // 2
    top = round((candidate.y - shift) / level.factor) - BLOCK_PX // 2
    relief, _ = _patch(level, left, top)
    return abs(float((relief * kernel).sum())) > 0.9 * candidate.limit
