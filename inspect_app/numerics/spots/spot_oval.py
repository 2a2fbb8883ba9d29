"""Spots that are no circles: ellipses of the same area, by how far they are stretched and which way."""

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

MOST_STRETCHED = 0.35  # one axis is twice the other: what is longer is a hair, a hand or an edge, and no spot


class Oval(NamedTuple):
    """An ellipse of the area of a circle: its longer axis is `exp(stretch)` times the circle's, the other as much less.

    `along` and `across` are the stretch times the cosine and the sine of twice the longer axis's angle from the rows:
    both 0 for a circle.
    """

    along: float = 0.0
    across: float = 0.0

    @property
    def stretch(self) -> float:
        """Return the logarithm of the longer axis over the circle's radius."""
        return math.hypot(self.along, self.across)

    def changed(self, along: float, across: float) -> "Oval":
        """Return the same stretched further, as far as a spot may be."""
        oval = Oval(self.along + along, self.across + across)
        share = MOST_STRETCHED / max(oval.stretch, MOST_STRETCHED)
        return Oval(share * oval.along, share * oval.across)

    def metric(self) -> tuple[float, float, float]:
        """Return a, b and c of the squared distance ``a x² + 2 b x y + c y²``, which is 1 on it and on its circle."""
        even, odd = math.cosh(2 * self.stretch), 2.0
        if self.stretch > 0:
            odd = math.sinh(2 * self.stretch) / self.stretch
        return even - odd * self.along, -odd * self.across, even + odd * self.along


ROUND = Oval()


def away_of(oval: Oval, dx: FloatArray, dy: FloatArray) -> FloatArray:
    """Return how far pixels lie from the centre, in units in which an ellipse is its circle."""
    a, b, c = oval.metric()
    return np.asarray(np.sqrt(a * dx * dx + 2 * b * dx * dy + c * dy * dy))
