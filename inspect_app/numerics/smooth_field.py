"""The smooth part of a bright field: a low surface fitted to the levels of blocks, blind to spots."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

ORDER = 6  # follows vignetting and tilt; a spot of a tenth of the field does not bend it
USED = np.nonzero(np.add.outer(np.arange(ORDER + 1), np.arange(ORDER + 1)) <= ORDER)  # of v, of u
BLOCKS_ACROSS = 64
PARTS, TRIMMED = 3, 2  # to a side of a block; of its nine parts at either end
TILE_BLOCKS = 8
STRIP_ROWS = 8  # fit a cache, and are too few for the linear algebra to wake threads that then wait for more
PIECE_ROWS = 256  # the same
LEAST_SLOPE = 0.3  # of the biweight, over all blocks; 0.76 for normal residuals
LEAST_FREEDOM = 0.3  # share of the tiles: with fewer than the terms nothing can be said of them
TUKEY = 4.685  # 95 % efficiency for normal residuals (Holland and Welsch, 1977, from memory)


@dataclass(frozen=True, slots=True, kw_only=True)
class SmoothField:
    """A surface ``sum c[i, j] P_i(v) P_j(u)`` of Legendre polynomials over a picture of `rows` by `cols` pixels.

    `covariance` is that of the coefficients of total order up to 6, in the order of `USED`; `spread` the robust
    standard deviation of the blocks about the surface.
    """

    coefficients: FloatArray
    covariance: FloatArray
    rows: int
    cols: int
    spread: float

    def enlarged(self, rows: int, cols: int) -> "SmoothField":
        """Return the same surface over a picture of more pixels."""
        return replace(self, rows=rows, cols=cols)

    def over_pixels(self) -> npt.NDArray[np.float32]:
        """Return the surface at every pixel, shape (rows, cols), single precision for speed."""
        surface = np.empty((self.rows, self.cols), dtype=np.float32)
        for first, part in self.strips():
            surface[first : first + len(part)] = part
        return surface

    def strips(self) -> Iterator[tuple[int, npt.NDArray[np.float32]]]:
        """Yield the first row of each strip of 8 rows, or what is left of them, and the surface in the strip."""
        along_rows = (_legendre(np.arange(self.rows), self.rows) @ self.coefficients).astype(np.float32)
        along_cols = _legendre(np.arange(self.cols), self.cols).astype(np.float32).T
        for first in range(0, self.rows, STRIP_ROWS):
            yield first, along_rows[first : first + STRIP_ROWS] @ along_cols

    def at(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Return the surface at places in pixels, arrays of equal shape (n,)."""
        v, u = _legendre(y, self.rows), _legendre(x, self.cols)
        values: FloatArray = np.einsum("ni,ij,nj->n", v, self.coefficients, u)
        return values

    def difference_u(self, x: tuple[float, float], y: tuple[float, float]) -> float:
        """Return the standard uncertainty of the difference of the surface between two places in pixels."""
        terms = _terms(np.array(y), np.array(x), self.rows, self.cols)
        change = terms[1] - terms[0]
        return float(np.sqrt(max(change @ self.covariance @ change, 0.0)))

    def departure_u(self, x: FloatArray, y: FloatArray) -> float:
        """Return the standard uncertainty of the surface about its mean, root mean square over places in pixels."""
        terms = _terms(y, x, self.rows, self.cols)
        away = terms - terms.mean(axis=0)
        return float(np.sqrt(max(((away @ self.covariance) * away).sum() / len(away), 0.0)))


def _terms(y: FloatArray, x: FloatArray, rows: int, cols: int) -> FloatArray:
    """Return the products of polynomials that are used, shape (n, terms)."""
    return _legendre(y, rows)[:, USED[0]] * _legendre(x, cols)[:, USED[1]]


def _legendre(places_px: npt.NDArray[np.generic], length: int) -> FloatArray:
    scaled = (2 * np.asarray(places_px, dtype=np.float64) - (length - 1)) / max(length - 1, 1)
    return np.asarray(np.polynomial.legendre.legvander(scaled, ORDER), dtype=np.float64)


def smooth_field(image: FloatArray, inside: BoolArray) -> SmoothField | None:
    """Fit the smooth part of a bright field.

    Parameters
    ----------
    image : ndarray of shape (rows, cols)
    inside : ndarray of shape (rows, cols), bool
        True where the picture belongs to the field and is not saturated.

    Returns
    -------
    SmoothField or None
        None where too few blocks lie inside.

    Notes
    -----
    Terms up to total order 6. Blocks count that lie inside by nine tenths; their levels are weighted by Tukey's
    biweight over five rounds, so that spots, dust and bright points pull nothing. The level of a block is the mean
    of the middle five of its nine parts' means: the median of its pixels makes harmonics of a honeycomb of fibres, and
    those beat with the pixels over a large part of the field, by up to 0.6 % of the light at a period of 3 pixels.

    The covariance holds also where the blocks of a row, of a column or of a tile of 8 x 8 blocks depart together, as
    row noise and a coarse texture make them do (multi-way clustering: Cameron, Gelbach and Miller, 2011, from memory),
    and is that of an M-estimate: by the slope of the biweight, not by the weights (Huber, 1981, from memory).

    Shading held by value ± 2 u: clean fields of strong texture by two hands 49 and 50 of 50, means of 16 frames of
    strong texture 23 of 24, fields of mild texture 30 of 30; with medians of pixels 49, 50, 19 and 30; with those and
    the weights for the slope 46, 47, 19 and 30. Two others fell short under strong texture, whose residual the surface
    has followed: its autocovariance over 4 blocks (39 and 44 of 50), and the power of terms of orders 7 to 10 (42 and
    47 of 50).
    """
    rows, cols = image.shape
    part_px = max(1, round(max(rows, cols) / (PARTS * BLOCKS_ACROSS)))
    side = PARTS * part_px
    levels, y, x = _block_levels(image, inside, part_px)
    if len(levels) < 2 * len(USED[0]):
        return None
    terms = _terms(y, x, rows, cols)
    weights = np.ones(len(levels))
    for _ in range(5):
        weighted = terms * weights[:, None]
        normal = _products(weighted, terms)
        solution = np.linalg.lstsq(normal, _products(weighted, levels[:, None])[:, 0], rcond=None)[0]
        off = levels - (terms * solution).sum(axis=1)
        spread = 1.4826 * float(np.median(np.abs(off))) + 1e-12 * float(np.abs(levels).max())
        far = np.minimum(np.square(off / (TUKEY * spread)), 1)
        weights = np.square(1 - far)
    coefficients = np.zeros((ORDER + 1, ORDER + 1))
    coefficients[USED] = solution
    slope = max(float(((1 - far) * (1 - 5 * far)).mean()), LEAST_SLOPE)
    bread = np.linalg.pinv(normal) * weights.mean() / slope
    return SmoothField(
        coefficients=coefficients,
        covariance=bread @ _clustered(weighted * off[:, None], y // side, x // side) @ bread,
        rows=rows,
        cols=cols,
        spread=spread,
    )


def _products(a: FloatArray, b: FloatArray) -> FloatArray:
    """Return ``a.T @ b`` for columns of shape (n, terms): in pieces too small to wake threads that wait for more."""
    pieces = (slice(first, first + PIECE_ROWS) for first in range(0, len(a), PIECE_ROWS))
    return np.asarray(np.sum([a[piece].T @ b[piece] for piece in pieces], axis=0))


def _clustered(pulls: FloatArray, down: FloatArray, across: FloatArray) -> FloatArray:
    """Return the covariance of the sum of pulls of shape (n, terms) that go together along rows, columns and tiles."""
    tile = 1e6 * (down // TILE_BLOCKS) + across // TILE_BLOCKS
    total = -2 * _products(pulls, pulls)  # what each of three ways counts of its own
    for way in (down, across, tile):
        _, names = np.unique(way, return_inverse=True)
        sums = np.zeros((names.max() + 1, pulls.shape[1]))
        np.add.at(sums, names, pulls)
        total += sums.T @ sums
    # The surface follows the tiles as far as its terms reach, and what it leaves is that much too quiet.
    tiles, terms = len(sums), pulls.shape[1]
    total *= tiles / max(tiles - terms, LEAST_FREEDOM * tiles)
    # Without its negative part: half of the sum with its absolute value, the root of its square.
    _, sizes, axes = np.linalg.svd(total)
    clustered: FloatArray = (total + (axes.T * sizes) @ axes) / 2
    return clustered


def _block_levels(image: FloatArray, inside: BoolArray, part_px: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    side = PARTS * part_px
    down, across = image.shape[0] // side, image.shape[1] // side
    cut = (slice(0, down * side), slice(0, across * side))
    covered = inside[cut].reshape(down, side, across, side).mean(axis=(1, 3)) > 0.9
    shift = (side - 1) / 2
    places = np.asarray(np.argwhere(covered) * side + shift, dtype=np.float64)
    parts = image[cut].reshape(down * PARTS, part_px, across * PARTS, part_px).mean(axis=(1, 3))
    values = parts.reshape(down, PARTS, across, PARTS).swapaxes(1, 2)[covered].reshape(-1, PARTS**2)
    middle = np.sort(values, axis=1)[:, TRIMMED : PARTS**2 - TRIMMED]
    return np.asarray(middle.mean(axis=1), dtype=np.float64), places[:, 0], places[:, 1]
