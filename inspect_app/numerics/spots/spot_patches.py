"""Least squares of several spots at a time, each in a patch of its own whose texture is made white."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from inspect_app.numerics.spots.spot_oval import ROUND, Oval
from inspect_app.numerics.spots.spot_profile import Profile, blurred_disc
from inspect_app.numerics.spots.texture import BLOCK_PX, whitened, whitening_of

FloatArray = npt.NDArray[np.float64]
SingleArray = npt.NDArray[np.float32]
BoolArray = npt.NDArray[np.bool_]
PlaceArray = npt.NDArray[np.intp]

SHARPEST_PX = 0.3  # a pixel's own aperture blurs by 1 / sqrt(12)
LEAST_SOFTNESS = 0.03  # own, where the known blur makes the profile smooth
SOFTEST = 1.6  # of the radius: softer is a Gaussian, and radius and blur are no longer told apart
SIDES_PX = (40, 48, BLOCK_PX)  # in which a window is whitened, the smallest that holds it
ROUNDS = 15
FIRST_DAMPING, LAST_DAMPING = 1e-3, 1e3
SETTLED = 0.05  # of the misfit sum, in units of what one standard uncertainty raises it by
LEAST_USABLE = 0.5  # share of the window in which there is no other spot and no border
# What is known before a fit: blur over radius is about 0.3 (its logarithm counts), level and slopes (per 10 px) are
# about 0. A faint spot in noise then does not trade its depth for a blur or a surround that no field has (own trials).
PRIOR_WEIGHT = np.array([0.0, 0.0, 0.0, 1 / 1.5**2, 0.0, 1 / 0.02**2, 1 / 0.01**2, 1 / 0.01**2])
HELD_WEIGHT = 1e6  # of a parameter that is held: 0.1 % of a radius
PARAMETERS = len(PRIOR_WEIGHT)  # x, y, ln R, ln (w / R), depth, and of the surround the level and two slopes
LINEAR = slice(4, PARAMETERS)


@dataclass(frozen=True, slots=True, kw_only=True)
class SpotPatch:
    """A candidate in 64 x 64 pixels around it.

    `relief` is the relative brightness less 1, `usable` False where another spot, or no field, is, `power` of shape
    (64, 33) the spectrum of the texture; `x`, `y`, `diameter_px` and `depth` are the candidate's, in pixels of the
    patch. `known_blur_px` is the standard deviation of a blur that all spots share and that is no part of their
    outline, `likely_softness` what is expected of the rest of the blur over the radius, `oval` the shape that
    is fitted.
    """

    relief: FloatArray
    usable: BoolArray
    power: FloatArray
    x: float
    y: float
    diameter_px: float
    depth: float
    known_blur_px: float
    likely_softness: float
    oval: Oval = ROUND

    def window(self) -> SingleArray | None:
        """Return a window of 1 over the spot and its near surround that falls softly to 0; None if little is usable."""
        rows, cols = np.ogrid[:BLOCK_PX, :BLOCK_PX]
        r = np.sqrt(np.float32(cols - self.x) ** 2 + np.float32(rows - self.y) ** 2)
        full, end = 0.9 * self.diameter_px + 2, reach_of(self.diameter_px)
        soft = 0.5 * (1 + np.cos(np.float32(math.pi) * np.clip((r - full) / max(end - full, 1.0), 0, 1)))
        window: SingleArray = np.where(self.usable, soft, np.float32(0))
        return window if window.sum() > LEAST_USABLE * soft.sum() else None


def reach_of(diameter_px: float) -> float:
    """Return the radius of the window in which a spot is fitted."""
    return min(1.5 * diameter_px + 6, BLOCK_PX / 2 - 1)


@dataclass(frozen=True, slots=True)
class Fitted:
    """The end of a fit.

    `p` are the parameters, `normal` of shape (8, 8) what is known of them by the fit and before it, `error` what is
    left, as a vector of `texture.whitened`, `misfit` its variance, `explained` the sum that the spot explains,
    `freedom` that of the fit and `pixels` the sum of the squared weights.
    """

    p: FloatArray
    normal: FloatArray
    error: SingleArray
    misfit: float
    explained: float
    freedom: float
    pixels: float

    @property
    def unlike(self) -> float:
        """Return the share of all that is not texture which the fit does not explain."""
        left = max(self.misfit - 1, 0.0) * self.freedom
        return left / max(left + self.explained, 1e-12)


@dataclass(frozen=True, slots=True)
class Patches:
    """The pixels of n windows in the box of b by b pixels that holds all of them, and what whitens their textures.

    `rows` of shape (b, 1) and `cols` (b,); `window` and `value` (n, b, b); `whitening` (n, m, m // 2 + 1) with m of 40,
    48 or 64; `prior` and `prior_weight` (n, 8), what is known of the parameters before and the inverse of its variance;
    `diameter_px`, `known_blur_px` and `pixels` (n,); `metric` (n, 3), of `Oval.metric`.
    """

    rows: SingleArray
    cols: SingleArray
    window: SingleArray
    value: SingleArray
    whitening: SingleArray
    x: FloatArray
    y: FloatArray
    reach_px: FloatArray
    diameter_px: FloatArray
    known_blur_px: FloatArray
    prior: FloatArray
    prior_weight: FloatArray
    pixels: FloatArray
    metric: FloatArray

    @classmethod
    def of(
        cls, patches: Sequence[SpotPatch], windows: Sequence[SingleArray], powers: Sequence[FloatArray]
    ) -> "Patches":
        """Cut the windows out of their patches."""
        window = np.stack(windows)
        rows, cols = (np.flatnonzero(window.any(axis=axes)) for axes in ((0, 2), (0, 1)))
        box = (slice(rows[0], rows[-1] + 1), slice(cols[0], cols[-1] + 1))
        side_px = next(side for side in SIDES_PX if side >= max(window[0, *box].shape))
        prior = np.zeros((len(patches), PARAMETERS))
        prior[:, 3] = np.log([patch.likely_softness for patch in patches])
        return cls(
            rows=np.arange(box[0].start, box[0].stop, dtype=np.float32)[:, np.newaxis],
            cols=np.arange(box[1].start, box[1].stop, dtype=np.float32),
            window=window[:, *box],
            value=np.stack([patch.relief[box] for patch in patches]).astype(np.float32),
            whitening=np.stack([whitening_of(power, side_px) for power in powers]),
            x=np.array([patch.x for patch in patches]),
            y=np.array([patch.y for patch in patches]),
            reach_px=np.array([reach_of(patch.diameter_px) for patch in patches]),
            diameter_px=np.array([patch.diameter_px for patch in patches]),
            known_blur_px=np.array([patch.known_blur_px for patch in patches]),
            prior=prior,
            prior_weight=np.tile(PRIOR_WEIGHT, (len(patches), 1)),
            pixels=np.square(window, dtype=np.float64).sum(axis=(1, 2)),
            metric=np.array([patch.oval.metric() for patch in patches]),
        )

    @property
    def side_px(self) -> int:
        """Return the side of the square in which the windows are whitened."""
        return int(self.whitening.shape[1])

    def of_some(self, which: PlaceArray) -> "Patches":
        """Return some of the windows, in the same box; all of them as they are."""
        if np.array_equal(which, np.arange(len(self.window))):
            return self
        own = set(self.__slots__) - {"rows", "cols"}
        return replace(self, **{name: getattr(self, name)[which] for name in own})

    def held_at(self, log_radii: FloatArray) -> "Patches":
        """Return the first window once for each of several radii, of shape (k,), each held at one of them."""
        copies = self.of_some(np.zeros(len(log_radii), dtype=np.intp))
        prior, weight = copies.prior.copy(), copies.prior_weight.copy()
        prior[:, 2], weight[:, 2] = log_radii, HELD_WEIGHT
        return replace(copies, prior=prior, prior_weight=weight)

    def whitened(self, values: SingleArray) -> SingleArray:
        """Return values of shape (n, k, b, b) weighted and whitened, as (n, k) vectors."""
        return whitened(values * self.window[:, np.newaxis], self.whitening[:, np.newaxis])

    def surround(self) -> SingleArray:
        """Return 1 and the two slopes, per 10 px, of the level around each spot, whitened: shape (n, 3, vector)."""
        shape = self.window.shape[1:]
        terms = (1.0, (self.cols - BLOCK_PX / 2) / 10, (self.rows - BLOCK_PX / 2) / 10)
        parts = np.stack([np.broadcast_to(np.float32(term), shape) for term in terms])
        return self.whitened(np.broadcast_to(parts, (len(self.window), *parts.shape)))

    def slopes(self, p: FloatArray) -> SingleArray:
        """Return the whitened derivatives of the spots by their own five parameters: shape (n, 5, vector).

        The last one is the spot itself. w is the spot's own blur; with the known one it makes the whole, of whose
        logarithm it drives the share `own`.
        """
        dx, dy = self._from_centres(p)
        across, down = self._stretched(dx, dy)
        r = np.sqrt(dx * across + dy * down)
        value, slope, by_radius = self._profiles(p).at(r)
        blur = np.exp(p[:, 2] + p[:, 3])
        depth, own = (
            number[:, np.newaxis, np.newaxis].astype(np.float32)
            for number in (p[:, 4], np.square(blur / np.hypot(blur, self.known_blur_px)))
        )
        parts = np.empty((len(p), 5, *r.shape[1:]), dtype=np.float32)
        slope *= depth
        by_radius *= depth
        by_blur = -own * (by_radius + slope * r)
        slope /= -np.maximum(r, np.float32(1e-6))
        np.multiply(slope, across, out=parts[:, 0])
        np.multiply(slope, down, out=parts[:, 1])
        np.add(by_radius, by_blur, out=parts[:, 2])
        parts[:, 3], parts[:, 4] = by_blur, value
        return self.whitened(parts)

    def stretches(self, p: FloatArray) -> SingleArray:
        """Return the whitened derivatives of the spots by `Oval.along` and `across`: shape (n, 2, vector).

        They are those of circles, and near enough for ellipses.
        """
        dx, dy = self._from_centres(p)
        across, down = self._stretched(dx, dy)
        r = np.sqrt(dx * across + dy * down)
        _, slope, _ = self._profiles(p).at(r)
        slope *= p[:, 4, np.newaxis, np.newaxis].astype(np.float32)
        slope /= -np.maximum(r, np.float32(1e-6))
        return self.whitened(np.stack([slope * (dx * dx - dy * dy), slope * (2 * dx * dy)], axis=1))

    def _from_centres(self, p: FloatArray) -> tuple[SingleArray, SingleArray]:
        place = p[:, :2, np.newaxis, np.newaxis].astype(np.float32)
        return self.cols - place[:, 0], self.rows - place[:, 1]

    def _profiles(self, p: FloatArray) -> Profile:
        blur = np.hypot(np.exp(p[:, 2] + p[:, 3]), self.known_blur_px)
        reach = self.reach_px + np.hypot(p[:, 0] - self.x, p[:, 1] - self.y)
        return blurred_disc(np.exp(p[:, 2]), blur, reach)

    def _stretched(self, dx: SingleArray, dy: SingleArray) -> tuple[SingleArray, SingleArray]:
        """Return half of the slopes of the squared distance from the centre: dx and dy themselves, of circles."""
        a, b, c = self.metric.T[:, :, np.newaxis, np.newaxis].astype(np.float32)
        if not b.any() and (a == 1).all():
            return dx, dy
        return a * dx + b * dy, b * dx + c * dy

    def bounded(self, p: FloatArray) -> FloatArray:
        """Return parameters of shape (n, 8) with radius and blur within what the candidates allow."""
        bounded = p.copy()
        bounded[:, 2] = np.clip(p[:, 2], np.log(0.15 * self.diameter_px), np.log(1.2 * self.diameter_px))
        sharpest_px = np.sqrt(np.maximum(SHARPEST_PX**2 - self.known_blur_px**2, 0.0))
        sharpest = np.log(np.maximum(sharpest_px * np.exp(-bounded[:, 2]), LEAST_SOFTNESS))
        bounded[:, 3] = np.clip(p[:, 3], sharpest, np.maximum(math.log(SOFTEST), sharpest))
        return bounded


@dataclass(slots=True)
class _State:
    """Where n fits stand, and the next damping.

    Parameters, products of the derivatives (n, 8, 8), half of the slope of the sum of squares (n, 8), what is left as
    vectors, and the sum itself.
    """

    p: FloatArray
    normal: FloatArray
    gradient: FloatArray
    error: SingleArray
    cost: FloatArray
    damping: FloatArray

    @classmethod
    def at(cls, patches: Patches, p: FloatArray, surround: SingleArray, seen: SingleArray) -> "_State":
        slopes = np.concatenate([patches.slopes(p), surround], axis=1)
        error = seen - np.matmul(p[:, np.newaxis, LINEAR].astype(np.float32), slopes[:, LINEAR])[:, 0]
        off = p - patches.prior
        return cls(
            p=p,
            normal=np.stack([own @ own.T for own in slopes]).astype(np.float64)
            + patches.prior_weight[:, np.newaxis] * np.eye(PARAMETERS),
            gradient=np.matmul(slopes, error[:, :, np.newaxis])[:, :, 0].astype(np.float64)
            - patches.prior_weight * off,
            error=error,
            cost=np.einsum("nv,nv->n", error, error, dtype=np.float64)
            + (patches.prior_weight * np.square(off)).sum(axis=1),
            damping=np.full(len(p), FIRST_DAMPING),
        )

    def take(self, which: PlaceArray, other: "_State", better: BoolArray) -> None:
        """Take over what is better of other fits, which stand for some of these."""
        into = which[better]
        for name in ("p", "normal", "gradient", "error", "cost"):
            getattr(self, name)[into] = getattr(other, name)[better]
        self.damping[which] *= np.where(better, 0.1, 20.0)

    def step(self, which: PlaceArray) -> FloatArray:
        """Return the changes of some parameters that promise the least sum."""
        at = np.arange(PARAMETERS)
        damped = self.normal[which]
        damped[:, at, at] += self.damping[which, np.newaxis] * (damped[:, at, at] + 1e-12)
        change = np.linalg.solve(damped, self.gradient[which][:, :, np.newaxis])
        return np.asarray(change[:, :, 0], dtype=np.float64)


def least_squares(patches: Patches, start: FloatArray) -> list[Fitted]:
    """Fit blurred discs by the Levenberg-Marquardt method, each spot by itself though all at once.

    Parameters
    ----------
    patches : Patches
    start : ndarray of shape (n, 8)
    """
    constant = np.concatenate([patches.surround(), patches.whitened(patches.value[:, np.newaxis])], axis=1)
    surround, seen = constant[:, :3], constant[:, 3]
    freedom = np.maximum(patches.pixels - PARAMETERS, 1.0)
    state = _State.at(patches, patches.bounded(start), surround, seen)
    going = np.arange(len(start))
    for _ in range(ROUNDS):
        some = patches.of_some(going)
        trial = some.bounded(state.p[going] + state.step(going))
        promised = np.einsum("np,np->n", trial - state.p[going], state.gradient[going])
        moves = promised >= SETTLED * np.maximum(state.cost[going] / freedom[going], 1.0)
        going = going[moves]
        if len(going) == 0:
            break
        other = _State.at(some.of_some(np.flatnonzero(moves)), trial[moves], surround[going], seen[going])
        state.take(going, other, other.cost < state.cost[going])
        going = going[state.damping[going] <= LAST_DAMPING]
    explained = _without_spot(surround, seen) - state.cost
    return [
        Fitted(*each)
        for each in zip(
            state.p,
            state.normal,
            state.error,
            (state.cost / freedom).tolist(),
            explained.tolist(),
            freedom.tolist(),
            patches.pixels.tolist(),
            strict=True,
        )
    ]


def _without_spot(surround: SingleArray, seen: SingleArray) -> FloatArray:
    """Return the sums of squares that level and slopes alone leave."""
    left = []
    for terms, own in zip(surround.astype(np.float64), seen.astype(np.float64), strict=True):
        level = np.linalg.lstsq(terms @ terms.T, terms @ own, rcond=None)[0]
        left.append(float(np.square(own - level @ terms).sum()))
    return np.array(left)
