"""Number the points of a square grid, however a lens bends it."""

import math
from collections import deque
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import spatial

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

FEWEST_POINTS: Final = 9
WAYS: Final = ((1, 0), (-1, 0), (0, 1), (0, -1))  # to the neighbours, the first two along i, the others along j
WITHIN: Final = 0.3  # of the spacing: how far a neighbour may lie from where the last step points

REGULAR: Final = 0.02  # of the spacing; the strongest distortion bends less from one point to the next


@dataclass(frozen=True, slots=True, kw_only=True)
class Lattice:
    """Points of a picture with their numbers in a square grid.

    Parameters
    ----------
    points : ndarray of shape (n, 2)
        x and y in pixels.
    index : ndarray of shape (n, 2)
        Column and row of each in the grid.
    spacing_px : float
        Between neighbours near the centre.
    found : int
        How many points were given, numbered or not.
    mark_px : float
        How far a mark reaches from its point: one nearer the picture's border is cut. Half of the width of lines.
    is_isolated : bool
        Marks stand apart, as dots do; crossings of lines and corners of squares run on to the next.
    """

    points: FloatArray
    index: IntArray
    spacing_px: float
    found: int
    mark_px: float = 1.0
    is_isolated: bool = False

    @property
    def irregularity(self) -> float:
        """Median distance of a point from the middle of its two neighbours, in spacings."""
        place = {(int(i), int(j)): point for (i, j), point in zip(self.index, self.points, strict=True)}
        bends = [
            np.hypot(*(place[ahead] + place[behind] - 2 * point)) / 2
            for (i, j), point in place.items()
            for ahead, behind in (((i + 1, j), (i - 1, j)), ((i, j + 1), (i, j - 1)))
            if ahead in place and behind in place
        ]
        return float(np.median(bends)) / self.spacing_px if bends else math.inf

    @property
    def worth(self) -> float:
        """How many points are numbered, less those that are not, if they are regular: tells right marks from wrong."""
        return (2.0 * len(self.points) - self.found) / (1 + (self.irregularity / REGULAR) ** 2)


def index_lattice(points: FloatArray, centre: tuple[float, float]) -> Lattice | None:
    """Give the points of a square grid their numbers, outwards from its middle.

    Parameters
    ----------
    points : ndarray of shape (n, 2)
        x and y in pixels; strays are allowed.
    centre : tuple of float
        x and y of the picture's centre in pixels.

    Returns
    -------
    Lattice or None
        None where the points make no square grid of nine.

    Notes
    -----
    From the point nearest the centre each step to a neighbour starts from the step that led there, so that spacing and
    direction may change slowly over the picture.
    """
    if len(points) < FEWEST_POINTS:
        return None
    tree = spatial.KDTree(points)
    start = int(tree.query(centre)[1])
    first = _first_steps(points, tree, centre)
    if first is None:
        return None
    spacing = float(np.hypot(*first[0]))
    place = {start: (0, 0)}
    taken = {(0, 0): start}
    queue = deque([(start, first)])
    while queue:
        here, steps = queue.popleft()
        i, j = place[here]
        for axis, sign in ((0, 1), (0, -1), (1, 1), (1, -1)):
            key = (i + sign, j) if axis == 0 else (i, j + sign)
            if key in taken:
                continue
            away, nearest = tree.query(points[here] + sign * steps[axis])
            there = int(nearest)
            if away > WITHIN * np.hypot(*steps[axis]) or there in place:
                continue
            place[there], taken[key] = key, there
            seen = sign * (points[there] - points[here])
            renewed = [steps[0], steps[1]]
            renewed[axis] = 0.5 * (steps[axis] + seen)
            queue.append((there, (renewed[0], renewed[1])))
    if len(place) < FEWEST_POINTS:
        return None
    chosen = sorted(place)
    return Lattice(
        points=points[chosen],
        index=np.array([place[number] for number in chosen]),
        spacing_px=spacing,
        found=len(points),
    )


def _first_steps(
    points: FloatArray, tree: spatial.KDTree, centre: tuple[float, float]
) -> tuple[FloatArray, FloatArray] | None:
    """Return the steps along both directions of the grid near the centre."""
    around = np.asarray(tree.query(centre, k=min(16, len(points)))[1])
    neighbours = np.asarray(tree.query(points[around], k=min(5, len(points)))[1])
    steps = (points[neighbours[:, 1:]] - points[around][:, None, :]).reshape(-1, 2)
    lengths = np.hypot(steps[:, 0], steps[:, 1])
    spacing = float(np.median(lengths))
    straight = steps[np.abs(lengths - spacing) < 0.2 * spacing]
    if len(straight) < 8:
        return None
    angles = np.arctan2(straight[:, 1], straight[:, 0])
    fourfold = np.mean(np.exp(4j * angles))
    if abs(fourfold) < 0.5:
        return None
    turn = float(np.angle(fourfold)) / 4
    return (
        spacing * np.array([math.cos(turn), math.sin(turn)]),
        spacing * np.array([-math.sin(turn), math.cos(turn)]),
    )
