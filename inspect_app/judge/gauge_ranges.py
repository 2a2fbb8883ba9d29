"""Gauge repeatability and reproducibility by average and range: the older way, beside the analysis of variance."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean
from typing import Final

from inspect_app.judge.gauge import Cells, Spreads, Trial, balanced_cells

# 1 / d2 for 2 to 10 repeats: spread over the mean of many ranges of normal values (AIAG's K1; ASTM E2587, table of d2).
_OF_MEAN_RANGE: Final = (0.8862, 0.5908, 0.4857, 0.4299, 0.3946, 0.3698, 0.3512, 0.3367, 0.3249)
# 1 / d2* for 2 to 10 values: spread over one range of normal values (AIAG's K2 and K3; Duncan, Quality Control and
# Industrial Statistics, d2* of one sample). Both tables from memory, and as printed.
_OF_ONE_RANGE: Final = (0.7071, 0.5231, 0.4467, 0.4030, 0.3742, 0.3534, 0.3375, 0.3249, 0.3146)
MOST_IN_TABLE: Final = len(_OF_MEAN_RANGE) + 1


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeStudy(Spreads):
    """What a crossed study found by average and range; spreads are standard deviations in the unit of the readings.

    Parameters
    ----------
    mean_range : float
        Mean over readers and parts of the range of the repeats.
    reader_difference : float
        Largest less smallest mean of a reader.
    part_range : float
        Largest less smallest mean of a part.
    repeatability, reproducibility, part : float
        EV, AV, PV.
    """

    mean_range: float
    reader_difference: float
    part_range: float
    repeatability: float
    reproducibility: float
    part: float

    @property
    def gauge(self) -> float:
        """GRR, from repeats and readers."""
        return math.hypot(self.repeatability, self.reproducibility)


def range_study(trials: Sequence[Trial]) -> RangeStudy | None:
    """Return what average and range say of a crossed, balanced study, or None beyond the method's tables.

    Parameters
    ----------
    trials : sequence of Trial
        As for `gauge_study`; up to ten parts, readers and repeats.

    Raises
    ------
    UnusableInput, NothingToMeasure
        As `gauge_study`.

    Notes
    -----
    EV = R K1 with R the mean range and K1 = 1 / d2 of the repeats; AV² = (D K2)² - EV² / (p r) with D the difference of
    the readers' means and K2 = 1 / d2* of the readers, not below zero; PV = R_p K3 with K3 = 1 / d2* of the parts. The
    method cannot see an interaction, and takes d2 of infinitely many ranges: it gives other categories than the
    analysis of variance does on the same data.

    References
    ----------
    AIAG, Measurement Systems Analysis, average and range method (from memory; its example is reproduced but for the
    rounding of its intermediate figures).
    """
    cells = balanced_cells(trials)
    parts, readers = (list(dict.fromkeys(cell[place] for cell in cells)) for place in (0, 1))
    repeats = len(next(iter(cells.values())))
    if max(len(parts), len(readers), repeats) > MOST_IN_TABLE:
        return None
    mean_range = fmean(max(values) - min(values) for values in cells.values())
    difference, part_range = _range_of_means(cells, readers, 1), _range_of_means(cells, parts, 0)
    repeatability = mean_range * _OF_MEAN_RANGE[repeats - 2]
    between = (difference * _OF_ONE_RANGE[len(readers) - 2]) ** 2 - repeatability**2 / (len(parts) * repeats)
    return RangeStudy(
        mean_range=mean_range,
        reader_difference=difference,
        part_range=part_range,
        repeatability=repeatability,
        reproducibility=math.sqrt(max(0.0, between)),
        part=part_range * _OF_ONE_RANGE[len(parts) - 2],
    )


def _range_of_means(cells: Cells, names: Sequence[str], place: int) -> float:
    means: Mapping[str, float] = {
        name: fmean(value for cell, values in cells.items() if cell[place] == name for value in values)
        for name in names
    }
    return max(means.values()) - min(means.values())
