"""How far bands in a picture lean: those of a strobe lie along its rows, and stripes of a weave mostly do not."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import linalg

from inspect_app.numerics.bands.band_model import shaped, trapezoid
from inspect_app.numerics.bands.fitted_bands import Bands
from inspect_app.numerics.bands.row_texture import averaged_rows

FloatArray = npt.NDArray[np.float64]

_STRIPS: Final = 12
_PLACES: Final = 400  # in a period, at which bands are laid over those of a strip
_MOST_TURNS: Final = 3.0  # periods from side to side: stripes that lean further vanish from the means of rows
_STEP: Final = 0.005
_BESIDE: Final = 0.2  # of a period, within which a strip's own place is sought
_MOST_LEVEL: Final = 0.03  # periods (k = 2): strips whose own places are on so level a line do not lie on a steep one,
_LEVELLER: Final = 0.15  # of its turns: on one that is so much steeper
_LEAST_TURNS: Final = 0.01  # from side to side, and
_LEAST_ROWS: Final = 0.5  # likewise: what leans by less is level
_LEAST_GAIN_WEIGHED: Final = 15.0  # chi-squared, misfits weighed; bands reached 9 in 230 pictures (own bench), or
_LEAST_CERTAINTY_WEIGHED: Final = 1.5  # standard deviations of that line's slope; bands had -1.1 (own bench)
_LEAST_GAIN: Final = 300.0  # as they are: strong textures reached 305 before bands, but on no line;
_LEAST_CERTAINTY: Final = 12.0  # standard deviations of the line's slope; bands reached 10 (own bench)


@dataclass(frozen=True, slots=True)
class Lean:
    """How many rows bands lie lower at the right side of a picture than at the left.

    `rows` is 0 for those of a strobe, which are level within noise and texture; `most_rows` is what these leave open,
    at k = 2.
    """

    rows: float
    most_rows: float


@dataclass(frozen=True, slots=True)
class _Line:
    """How many periods bands are further at the right side than at the left, and how much (chi-squared) that gains.

    `slope` is the same by each strip's own best place beside the line, with its standard deviation.
    """

    turns: float
    gain: float
    slope: float
    slope_sd: float

    @property
    def certainty(self) -> float:
        """Return how many standard deviations strips' own places lean by to the side that the line leans to."""
        return self.slope * float(np.sign(self.turns)) / self.slope_sd

    @property
    def most(self) -> float:
        return abs(self.slope) + 2 * self.slope_sd


def lean_of(picture: FloatArray, found: Bands) -> Lean:
    """Tell by how many rows bands lie lower at the right side of a picture than at the left.

    Parameters
    ----------
    picture : ndarray of shape (rows, cols)
        Proportional to exposure.
    found : Bands
        What was fitted to the means of its rows.

    Returns
    -------
    Lean
        Of 0 rows where they lie along the rows within what noise and texture leave open.

    Notes
    -----
    The picture is cut into 12 upright strips; in each, the fitted bands are laid over the means of the rows at every
    place of a period, and the line through places over strips is sought on which they fit best. It tells where that is
    better than no lean with misfits weighed, as in the fit; or as they are, if each strip's own best place is on the
    line: a coarse texture moves the bands of strips beside one another alike, by up to ten standard deviations of the
    slope in 150 pictures, while stripes that are the texture themselves take their own misfits away. A line that
    misfits weighed show, while the strips as they are lie far more level, is chance, and so is one from which the
    strips' own places turn away: four pictures of a texture under a strobe were refused for them, with a chi-squared
    of 18 to 63. Of seven pictures of stripes that lean, those places did by three standard deviations and more in six,
    and the other one is told as it is.

    Stripes that lean by less than a hundredth of their distance over the width, or by half a row, pass for level.
    """
    weighed = _line(picture, found, found.weighed.whitener)
    plain = _line(picture, found, None)
    is_chance = plain.most < min(_MOST_LEVEL, _LEVELLER * abs(weighed.turns))
    is_told = weighed.gain > _LEAST_GAIN_WEIGHED and weighed.certainty > _LEAST_CERTAINTY_WEIGHED
    told = [weighed] if is_told and not is_chance else []
    told += [plain] if plain.gain > _LEAST_GAIN and plain.certainty > _LEAST_CERTAINTY else []
    rows_a_turn = len(picture) / found.count
    most = min(weighed.most, plain.most)
    turns = max(told, key=lambda line: line.certainty).turns if told else 0.0
    is_level = abs(turns) <= max(_LEAST_TURNS, _LEAST_ROWS / rows_a_turn)
    return Lean(0.0 if is_level else turns * rows_a_turn, most * rows_a_turn)


def _line(picture: FloatArray, found: Bands, whitener: FloatArray | None) -> _Line:
    count = min(_STRIPS, picture.shape[1])
    strips = np.stack(
        [averaged_rows(each, len(found.places)).mean(axis=1) for each in np.array_split(picture, count, axis=1)],
        axis=1,
    )
    gains, whole = _gains(strips, found, whitener)
    across = (np.arange(count) + 0.5) / count - 0.5
    turns = np.arange(-_MOST_TURNS, _MOST_TURNS + _STEP / 2, _STEP)
    places = np.rint(turns[:, None] * across * _PLACES).astype(int)
    on_line = gains[places % _PLACES, np.arange(count)].sum(axis=1)
    best = int(on_line.argmax())
    spread = (whole - float(on_line[best])) / (strips.size - 4 * count)
    gain = float(on_line[best] - on_line[len(turns) // 2]) / max(spread, 1e-30)
    return _Line(float(turns[best]), gain, *_slope(gains, places[best], across))


def _gains(strips: FloatArray, found: Bands, whitener: FloatArray | None) -> tuple[FloatArray, float]:
    """Return by how much bands at each place of a period lower each strip's sum of squares, and that of all strips.

    About a parabola each; shape (places, strips).
    """
    away = found.places - 0.5
    periods, middle, width, ramp = shaped(found.parameters)[:4]
    lower = np.arange(_PLACES) / _PLACES
    moved = trapezoid((found.places * periods - middle)[:, None] - lower, width, ramp)
    falls = np.stack([np.ones_like(away), away, away**2], axis=1)
    if whitener is not None:
        falls, strips, moved = (linalg.solve_triangular(whitener, each, lower=True) for each in (falls, strips, moved))
    curved = np.linalg.qr(falls)[0]
    strips, moved = (each - curved @ (curved.T @ each) for each in (strips, moved))
    shared = moved.T @ strips / np.sqrt(np.maximum(np.einsum("ij,ij->j", moved, moved), 1e-30))[:, None]
    return np.maximum(shared, 0.0) ** 2, float((strips**2).sum())


def _slope(gains: FloatArray, places: npt.NDArray[np.int64], across: FloatArray) -> tuple[float, float]:
    """Return the slope of a line through each strip's best place beside `places`, in periods, and its uncertainty."""
    beside = np.arange(-round(_BESIDE * _PLACES), round(_BESIDE * _PLACES) + 1)
    columns = np.arange(gains.shape[1])
    own = places + beside[gains[(places + beside[:, None]) % _PLACES, columns].argmax(axis=0)]
    weights = np.sqrt(gains[places % _PLACES, columns])
    weights /= max(float(np.sqrt(np.mean(weights**2))), 1e-30)
    line = np.stack([weights, weights * across], axis=1)
    rest = own * weights - line @ np.linalg.lstsq(line, own * weights, rcond=None)[0]
    scatter = float(rest @ rest) / max(len(across) - 2, 1) + 1 / 12  # of a place: own ones are whole numbers
    slope = float((np.linalg.pinv(line) @ (own * weights))[1])
    slope_sd = max(float(np.sqrt(scatter * np.linalg.pinv(line.T @ line)[1, 1])), 1e-30)
    return slope / _PLACES, slope_sd / _PLACES
