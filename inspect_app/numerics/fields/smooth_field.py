"""The smooth part of a bright field: a low surface fitted to the levels of blocks, blind to spots."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

ORDER = 6  # follows vignetting and tilt; a spot of a tenth of the field does not bend it
BLOCKS_ACROSS = 64
FEWEST_BLOCKS = 2 * (ORDER + 1)  # over the shorter side: beside and between fewer, the surface is not held
PARTS, TRIMMED = 3, 2  # to a side of a block; of its nine parts at either end
TILE_BLOCKS = 8
STRIP_ROWS = 8  # fit a cache, and are too few for the linear algebra to wake threads that then wait for more
PIECE_ROWS = 256  # the same
LEAST_SLOPE = 0.3  # of the biweight, over all blocks; 0.76 for normal residuals
LEAST_FREEDOM = 0.3  # share of the tiles: with fewer than the terms nothing can be said of them
TUKEY = 4.685  # 95 % efficiency for normal residuals (Holland and Welsch, 1977, from memory)


@dataclass(frozen=True, slots=True)
class Blocks:
    """Levels of the blocks of a picture that lie inside a field, rows and columns of their middles, and their side.

    `levels`, `y` and `x` have shape (n,); all but `levels` is in pixels.
    """

    levels: FloatArray
    y: FloatArray
    x: FloatArray
    side_px: int

    def only(self, kept: BoolArray) -> "Blocks":
        """Return those of the blocks that are kept, a mask of shape (n,)."""
        return Blocks(self.levels[kept], self.y[kept], self.x[kept], self.side_px)


@dataclass(frozen=True, slots=True, kw_only=True)
class SmoothField:
    """A surface ``sum c[i, j] P_i(v) P_j(u)`` of Legendre polynomials over a picture of `rows` by `cols` pixels.

    `covariance` is that of the coefficients up to its total order, as `used_of` has them; `spread` the robust standard
    deviation of the `blocks` it was fitted to about it.
    """

    coefficients: FloatArray
    covariance: FloatArray
    rows: int
    cols: int
    spread: float
    blocks: Blocks

    @property
    def order(self) -> int:
        """Return the total order up to which terms are used."""
        return len(self.coefficients) - 1

    def enlarged(self, rows: int, cols: int) -> "SmoothField":
        """Return the same surface over a picture of more pixels."""
        return replace(self, rows=rows, cols=cols)

    def over_pixels(self) -> npt.NDArray[np.float32]:
        """Return the surface at every pixel, shape (rows, cols), single precision for speed."""
        surface = np.empty((self.rows, self.cols), dtype=np.float32)
        along_rows, along_cols = self._along_rows(np.arange(self.rows)), self._along_cols()
        for first in range(0, self.rows, STRIP_ROWS):
            strip = slice(first, first + STRIP_ROWS)
            np.matmul(along_rows[strip], along_cols, out=surface[strip])
        return surface

    def bounds(self, strip_rows: int) -> Iterator[tuple[int, npt.NDArray[np.float32], npt.NDArray[np.float32]]]:
        """Yield the first row of each strip of so many rows, or what is left of them, and what its columns lie between.

        The bounds of shape (cols,) are those of the strip's first, middle and last row, set apart by as much again.
        """
        firsts = np.arange(0, self.rows, strip_rows)
        lasts = np.minimum(firsts + strip_rows, self.rows) - 1
        three = self._along_rows(np.column_stack([firsts, (firsts + lasts) / 2, lasts]).ravel())
        along_cols = self._along_cols()
        for strip, first in enumerate(firsts):
            light = three[3 * strip : 3 * strip + 3] @ along_cols
            least, most = light.min(axis=0), light.max(axis=0)
            apart = most - least
            yield int(first), least - apart, most + apart

    def _along_rows(self, rows: npt.NDArray[np.generic]) -> npt.NDArray[np.float32]:
        return (_legendre(rows, self.rows, self.order) @ self.coefficients).astype(np.float32)

    def _along_cols(self) -> npt.NDArray[np.float32]:
        return _legendre(np.arange(self.cols), self.cols, self.order).astype(np.float32).T

    def at(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Return the surface at places in pixels, arrays of equal shape (n,)."""
        v, u = _legendre(y, self.rows, self.order), _legendre(x, self.cols, self.order)
        values: FloatArray = np.einsum("ni,ij,nj->n", v, self.coefficients, u)
        return values

    def over_grid(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Return the surface where columns at x and rows at y meet, shape (len(y), len(x))."""
        v, u = _legendre(y, self.rows, self.order), _legendre(x, self.cols, self.order)
        return np.asarray(v @ self.coefficients @ u.T, dtype=np.float64)

    @property
    def used_coefficients(self) -> FloatArray:
        """Return the coefficients up to the total order, as `used_of` has them."""
        return np.asarray(self.coefficients[used_of(self.order)], dtype=np.float64)

    def terms(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Return the products of polynomials at places in pixels, as `used_of` has them: shape (n, terms)."""
        return terms_of(y, x, (self.rows, self.cols), self.order)


def used_of(order: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Return the orders in v and in u of the terms of a total order up to this one."""
    in_v, in_u = np.nonzero(np.add.outer(np.arange(order + 1), np.arange(order + 1)) <= order)
    return in_v, in_u


def terms_of(y: FloatArray, x: FloatArray, shape: tuple[int, int], order: int) -> FloatArray:
    """Return the products of polynomials over a picture of this shape that are used, shape (n, terms)."""
    in_v, in_u = used_of(order)
    return _legendre(y, shape[0], order)[:, in_v] * _legendre(x, shape[1], order)[:, in_u]


def _legendre(places_px: npt.NDArray[np.generic], length: int, order: int) -> FloatArray:
    scaled = (2 * np.asarray(places_px, dtype=np.float64) - (length - 1)) / max(length - 1, 1)
    return np.asarray(np.polynomial.legendre.legvander(scaled, order), dtype=np.float64)


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
    Terms up to total order 6. At least 14 blocks lie over the shorter side, which decides in strips: with one, as in
    3000 x 70 pixels, a field of 2 % noise was off by all of its light beside the blocks. Blocks count that lie inside
    by nine tenths; their levels are weighted by Tukey's biweight over five rounds, so that spots, dust and bright
    points pull nothing. The level of a block is the mean of the middle five of its nine parts' means: the median of its
    pixels makes harmonics of a honeycomb of fibres, and those beat with the pixels over a large part of the field, by
    up to 0.6 % of the light at a period of 3 pixels.

    The covariance holds also where the blocks of a row, of a column or of a tile of 8 x 8 blocks depart together, as
    row noise and a coarse texture make them do (multi-way clustering: Cameron, Gelbach and Miller, 2011, from memory),
    and is that of an M-estimate: by the slope of the biweight, not by the weights (Huber, 1981, from memory).

    Of 20 fields each of 12 kinds (round and full frames, quiet to strong texture, with and without spots) the terms of
    orders 2 to 6 that the light did not have were 0.77 to 1.04 of what this states, in the middle of each kind; 0.61 to
    1.00 where all of the sum was raised by the freedom of the tiles, which is too wide for full frames, and 0.93 to
    1.36 without that. It stays too wide, up to twice, where a field's texture is fine and none of it goes together, and
    too small by a fifth in fields of 300 pixels under strong lines between bundles. Two others fell short under strong
    texture, whose residual the surface has followed: its autocovariance over 4 blocks, and the power of terms of orders
    7 to 10 (value ± 2 u of shading held 39 to 47 of 50).
    """
    rows, cols = image.shape
    part_px = max(1, min(round(max(rows, cols) / (PARTS * BLOCKS_ACROSS)), min(rows, cols) // (PARTS * FEWEST_BLOCKS)))
    blocks = _blocks_of(image, inside, part_px)
    terms = terms_of(blocks.y, blocks.x, (rows, cols), ORDER)
    if len(terms) < 2 * terms.shape[1]:
        return None
    weights = np.ones(len(terms))
    for _ in range(5):
        normal, solution, off = fitted(blocks, terms, weights)
        spread = 1.4826 * float(np.median(np.abs(off))) + 1e-12 * float(np.abs(blocks.levels).max())
        far = np.minimum(np.square(off / (TUKEY * spread)), 1)
        before, weights = weights, np.square(1 - far)
    coefficients = np.zeros((ORDER + 1, ORDER + 1))
    coefficients[used_of(ORDER)] = solution
    slope = max(float(((1 - far) * (1 - 5 * far)).mean()), LEAST_SLOPE)
    bread = np.linalg.pinv(normal) * weights.mean() / slope
    return SmoothField(
        coefficients=coefficients,
        covariance=bread @ clustered(terms * (before * off)[:, None], blocks) @ bread,
        rows=rows,
        cols=cols,
        spread=spread,
        blocks=blocks,
    )


def fitted(blocks: Blocks, terms: FloatArray, weights: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the normal matrix, the solution and the residuals of terms of shape (n, terms) fitted to blocks."""
    weighted = terms * weights[:, None]
    normal = _products(weighted, terms)
    pull = _products(weighted, blocks.levels[:, None])[:, 0]
    solution = np.asarray(np.linalg.lstsq(normal, pull, rcond=None)[0], dtype=np.float64)
    return normal, solution, np.asarray(blocks.levels - (terms * solution).sum(axis=1))


def _products(a: FloatArray, b: FloatArray) -> FloatArray:
    """Return ``a.T @ b`` for columns of shape (n, terms): in pieces too small to wake threads that wait for more."""
    pieces = (slice(first, first + PIECE_ROWS) for first in range(0, len(a), PIECE_ROWS))
    return np.asarray(np.sum([a[piece].T @ b[piece] for piece in pieces], axis=0))


def clustered(pulls: FloatArray, blocks: Blocks) -> FloatArray:
    """Return the covariance of the sum of pulls of shape (n, terms) that go together along rows, columns and tiles."""
    (count, terms), down, across = pulls.shape, blocks.y // blocks.side_px, blocks.x // blocks.side_px
    own = _products(pulls, pulls)
    total: FloatArray = own * (count / (count - terms))
    for way in (down, across):
        total += _without_negative_part(_summed(pulls, way)[0] - own)
    of_tiles, tiles = _summed(pulls, 1e6 * (down // TILE_BLOCKS) + across // TILE_BLOCKS)
    # The surface follows the tiles as far as its terms reach, and what it leaves of them is that much too quiet.
    total += _without_negative_part(of_tiles - own) * (tiles / max(tiles - terms, LEAST_FREEDOM * tiles))
    return total


def _summed(pulls: FloatArray, way: FloatArray) -> tuple[FloatArray, int]:
    """Return the sum of squares of what the pulls of each group sum up to, and how many groups there are."""
    order = np.argsort(way, kind="stable")
    _, firsts = np.unique(way[order], return_index=True)
    sums = np.add.reduceat(pulls[order], firsts, axis=0)
    return np.asarray(sums.T @ sums, dtype=np.float64), len(sums)


def _without_negative_part(matrix: FloatArray) -> FloatArray:
    """Return half of the sum of a symmetric matrix with its absolute value, the root of its square."""
    _, sizes, axes = np.linalg.svd(matrix)
    positive: FloatArray = (matrix + (axes.T * sizes) @ axes) / 2
    return positive


def _blocks_of(image: FloatArray, inside: BoolArray, part_px: int) -> Blocks:
    side = PARTS * part_px
    down, across = image.shape[0] // side, image.shape[1] // side
    cut = (slice(0, down * side), slice(0, across * side))
    covered = inside[cut].reshape(down, side, across, side).mean(axis=(1, 3)) > 0.9
    shift = (side - 1) / 2
    places = np.asarray(np.argwhere(covered) * side + shift, dtype=np.float64)
    parts = image[cut].reshape(down * PARTS, part_px, across * PARTS, part_px).mean(axis=(1, 3))
    values = parts.reshape(down, PARTS, across, PARTS).swapaxes(1, 2)[covered].reshape(-1, PARTS**2)
    middle = np.sort(values, axis=1)[:, TRIMMED : PARTS**2 - TRIMMED]
    return Blocks(np.asarray(middle.mean(axis=1), dtype=np.float64), places[:, 0], places[:, 1], side)
