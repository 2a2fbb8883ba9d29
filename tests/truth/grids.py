"""Charts of dots, crosses, lines or squares seen through a lens of known radial distortion.

Each pixel's centre (and four points within it) is carried back through the distortion by Newton's method, and lit by
the undistorted chart there; the program fits forward, from chart to picture, and shares no code with this.
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import spatial, special

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Grid:
    """A square grid in a picture; radial distortion r' = r (1 + k1 q^2 + k2 q^4), q = r over half the diagonal."""

    rows: int = 480
    cols: int = 640
    spacing_px: float = 40.0
    turn_deg: float = 0.0
    k1: float = 0.0
    k2: float = 0.0
    kind: str = "dots"
    """``dots``, ``crosses`` (isolated), ``lines`` (crossing all over), ``squares`` (of a chessboard), or ``round``.

    The lens draws all but the last, which are dots that are round in the picture, as one made by hand may show them.
    """
    mark_px: float = 6.0
    """Radius of a dot, arm of a cross, 0 for lines and squares; a tenth of it, at least 1.2 px, is half a line."""
    blur_px: float = 0.9
    phase: tuple[float, float] = (0.0, 0.0)
    """Where a node lies from the picture's centre, in spacings."""
    centre_offset_px: tuple[float, float] = (0.0, 0.0)
    """Where the lens's axis lies from the picture's centre."""
    keystone: float = 0.0
    """Change of magnification from the centre to the right border: a chart turned about its upright axis."""
    foreshortening: float = 0.0
    """By which such a chart is narrower than high: one less the cosine of the turn."""
    board: int | None = None
    """Crossings, or corners of squares, on either side of the middle one; None covers the picture, beyond is light."""
    overhang: float = 0.3
    """By which the lines of a board run on beyond its outermost crossings, in spacings."""

    @property
    def half_diagonal_px(self) -> float:
        """Half of the picture's diagonal."""
        return math.hypot(self.rows, self.cols) / 2

    @property
    def axis_px(self) -> tuple[float, float]:
        """Where the lens's axis meets the picture."""
        return (self.cols - 1) / 2 + self.centre_offset_px[0], (self.rows - 1) / 2 + self.centre_offset_px[1]

    def distortion(self, ideal_radius_px: Array) -> Array:
        """Return r' / r - 1 at an undistorted radius."""
        q = ideal_radius_px / self.half_diagonal_px
        return self.k1 * q**2 + self.k2 * q**4

    @property
    def _drawn(self) -> set[tuple[int, int]]:
        """Numbers of the nodes that the chart bears: those wholly in the picture."""
        return {(int(i), int(j)) for i, j in self._numbers_and_places(self.mark_px + 5)[0]}

    def nodes(self, *, margin_px: float | None = None) -> Array:
        """Return undistorted positions about the axis of the nodes that lie wholly in the picture: shape (n, 2)."""
        margin = (self.mark_px + 5 if self.mark_px else 2) if margin_px is None else margin_px
        return self._numbers_and_places(margin)[1]

    def _numbers_and_places(self, margin: float) -> tuple[Array, Array]:
        reach = 2 * self.half_diagonal_px / self.spacing_px
        count = np.arange(-math.ceil(reach), math.ceil(reach) + 1)
        i, j = np.meshgrid(count, count)
        numbers = np.column_stack([i.ravel(), j.ravel()])
        a, b = i.ravel() + self.phase[0], j.ravel() + self.phase[1]
        angle = math.radians(self.turn_deg)
        x = self.spacing_px * (a * math.cos(angle) - b * math.sin(angle))
        y = self.spacing_px * (a * math.sin(angle) + b * math.cos(angle))
        x = x * (1 - self.foreshortening)
        share = 1 - self.keystone * x / (self.cols / 2)
        x, y = x / share, y / share
        near = (share > 0.5) & (np.hypot(x, y) < 1.3 * self.half_diagonal_px)  # a lens does not fold
        x, y, numbers = x[near], y[near], numbers[near]
        stretch = 1 + self.distortion(np.hypot(x, y))
        seen_x, seen_y = self.axis_px[0] + x * stretch, self.axis_px[1] + y * stretch
        inside = (seen_x > margin) & (seen_x < self.cols - 1 - margin) & (seen_y > margin)
        inside &= seen_y < self.rows - 1 - margin
        if self.board is not None:
            inside &= np.abs(numbers).max(axis=1) <= self.board
        return numbers[inside], np.column_stack([x[inside], y[inside]])

    def distortion_max_percent(self) -> float:
        """Return the distortion of largest magnitude among the nodes in the picture, signed, in per cent."""
        nodes = self.nodes()
        found = 100 * self.distortion(np.hypot(nodes[:, 0], nodes[:, 1]))
        return float(found[np.argmax(np.abs(found))])

    def ideal(self) -> Array:
        """Return the picture without noise: 1 on the ground, 0 in a mark."""
        y, x = np.mgrid[: self.rows, : self.cols].astype(float)
        if self.kind == "round":
            return special.ndtr((self._away_from_nodes(x, y) - self.mark_px) / self.blur_px)
        total = np.zeros((self.rows, self.cols))
        for step_y in (-0.25, 0.25):
            for step_x in (-0.25, 0.25):
                total += 0.25 * self._lit(x + step_x - self.axis_px[0], y + step_y - self.axis_px[1])
        return total

    def places(self) -> Array:
        """Return where the nodes that lie wholly in the picture are seen: shape (n, 2), x and y."""
        nodes = self.nodes()
        return self.axis_px + nodes * (1 + self.distortion(np.hypot(nodes[:, 0], nodes[:, 1])))[:, None]

    def _away_from_nodes(self, x: Array, y: Array) -> Array:
        away, _ = spatial.KDTree(self.places()).query(np.column_stack([x.ravel(), y.ravel()]))
        return np.asarray(away, dtype=np.float64).reshape(x.shape)

    def _lit(self, x: Array, y: Array) -> Array:
        seen = np.hypot(x, y)
        radius = seen.copy()
        for _ in range(6):
            q2 = (radius / self.half_diagonal_px) ** 2
            value = radius * (1 + self.k1 * q2 + self.k2 * q2**2) - seen
            radius -= value / (1 + 3 * self.k1 * q2 + 5 * self.k2 * q2**2)
        shrink = np.where(seen > 0, radius / np.maximum(seen, 1e-9), 1.0)
        x, y = x * shrink, y * shrink
        share = 1 / (1 + self.keystone * x / (self.cols / 2))
        x, y = x * share / (1 - self.foreshortening), y * share
        angle = math.radians(self.turn_deg)
        a = (x * math.cos(angle) + y * math.sin(angle)) / self.spacing_px - self.phase[0]
        b = (-x * math.sin(angle) + y * math.cos(angle)) / self.spacing_px - self.phase[1]
        off_a, off_b = (a - np.rint(a)) * self.spacing_px, (b - np.rint(b)) * self.spacing_px
        if self.kind == "dots":
            return 1 - self._borne(a, b) * special.ndtr((self.mark_px - np.hypot(off_a, off_b)) / self.blur_px)
        if self.kind == "squares":
            up = 2 * special.ndtr(off_a / self.blur_px) - 1
            across = 2 * special.ndtr(off_b / self.blur_px) - 1
            sign = np.where((np.rint(a) + np.rint(b)) % 2 == 0, 1.0, -1.0)
            squares = 0.5 + 0.5 * sign * up * across
            if self.board is None:
                return squares
            beyond = (np.maximum(np.abs(a), np.abs(b)) - self.board - 1) * self.spacing_px
            return 1 - (1 - squares) * special.ndtr(-beyond / self.blur_px)
        half_width = max(1.2, 0.1 * self.mark_px)
        line_a = special.ndtr((half_width - np.abs(off_a)) / self.blur_px)
        line_b = special.ndtr((half_width - np.abs(off_b)) / self.blur_px)
        if self.kind == "lines" and self.board is not None:
            line_a = line_a * self._line_lit(a, b)
            line_b = line_b * self._line_lit(b, a)
        if self.kind == "crosses":
            line_a = self._borne(a, b) * line_a * special.ndtr((self.mark_px - np.abs(off_b)) / self.blur_px)
            line_b = self._borne(a, b) * line_b * special.ndtr((self.mark_px - np.abs(off_a)) / self.blur_px)
        return (1 - line_a) * (1 - line_b)

    def _line_lit(self, number: Array, along: Array) -> Array:
        """Return 1 where the nearest line is one that the board bears and has not ended, else 0."""
        left = (self.board + self.overhang - np.abs(along)) * self.spacing_px
        return np.where(np.abs(np.rint(number)) <= self.board, special.ndtr(left / self.blur_px), 0.0)

    def _borne(self, a: Array, b: Array) -> Array:
        """Return 1 where the nearest node is one that the chart bears, else 0."""
        drawn = self._drawn
        span = max(max(abs(i), abs(j)) for i, j in drawn) + 1
        table = np.zeros((2 * span + 1, 2 * span + 1))
        for i, j in drawn:
            table[i + span, j + span] = 1.0
        i, j = (np.clip(np.rint(value).astype(int) + span, 0, 2 * span) for value in (a, b))
        return table[i, j]
