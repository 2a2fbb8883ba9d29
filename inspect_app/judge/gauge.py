"""Gauge repeatability and reproducibility: how much of a spread is the readers', by analysis of variance."""

import math
from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean
from typing import Final

from scipy import special

from inspect_app.errors import NothingToMeasure, UnusableInput

POOL_ABOVE: Final = 0.25  # p of the interaction above which it is pooled; AIAG's habit, others take 0.05 (from memory)
_CATEGORIES: Final = math.sqrt(2)  # ndc = √2 part / gauge, cut off to a whole number; printed as 1.41
_REPEATS_THAT_DIFFER: Final = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """One reading of one part by one reader."""

    part: str
    reader: str
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class VarianceLine:
    """One source of an analysis of variance; `f` and `p` are against the line that it is tested by, None where none."""

    source: str
    degrees_of_freedom: int
    sum_of_squares: float
    f: float | None = None
    p: float | None = None

    @property
    def mean_square(self) -> float:
        """Sum of squares over degrees of freedom."""
        return self.sum_of_squares / self.degrees_of_freedom


class Spreads(ABC):
    """What either method tells of its spreads, `part` (PV) and `gauge` (GRR)."""

    __slots__ = ()
    part: float

    @property
    @abstractmethod
    def gauge(self) -> float:
        """GRR: the standard uncertainty of one reading by any of such readers, as far as reading goes."""

    @property
    def total(self) -> float:
        """TV: the spread of readings over parts and readers."""
        return math.hypot(self.gauge, self.part)

    @property
    def percent_of_total(self) -> float:
        """%GRR of the study's variation."""
        return 100 * self.gauge / self.total

    @property
    def categories(self) -> int:
        """Number of distinct categories."""
        return math.floor(_CATEGORIES * self.part / self.gauge)

    def percent_of_tolerance(self, width: float) -> float:
        """%GRR of a tolerance: six spreads over the width between two limits."""
        return 600 * self.gauge / width


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeStudy(Spreads):
    """What a crossed study of readers found; spreads are standard deviations in the unit of the readings.

    Parameters
    ----------
    table : tuple of VarianceLine
        Readers, parts, their interaction, repeats.
    is_pooled : bool
        The interaction was not significant and was pooled with the repeats.
    repeatability, reproducibility, interaction, part : float
        EV, AV, INT, PV.
    floored : tuple of str
        Components that came out negative and were set to zero.
    degrees_of_freedom : float
        Effective ones of `gauge`; mostly few, since a study has few readers.
    """

    table: tuple[VarianceLine, ...]
    is_pooled: bool
    repeatability: float
    reproducibility: float
    interaction: float
    part: float
    floored: tuple[str, ...]
    degrees_of_freedom: float

    @property
    def gauge(self) -> float:
        """GRR, from repeats, readers and their interaction."""
        return math.hypot(self.repeatability, self.reproducibility, self.interaction)


def gauge_study(trials: Sequence[Trial], *, pool_above: float = POOL_ABOVE) -> GaugeStudy:
    """Return what a crossed, balanced study of parts, readers and repeats says of the readings.

    Parameters
    ----------
    trials : sequence of Trial
        Every reader reads every part equally often, twice at least.
    pool_above : float
        The interaction is pooled with the repeats when its p is above.

    Raises
    ------
    UnusableInput
        Fewer than two parts, readers or repeats, or a cell with another number of readings.
    NothingToMeasure
        More than half of the cells show no spread at all: the readings are too coarse to tell repeatability.

    Notes
    -----
    Two-way analysis of variance with interaction. With interaction s²_e = MS_e, s²_op = (MS_op - MS_e) / r, s²_o =
    (MS_o - MS_op) / (p r), s²_p = (MS_p - MS_op) / (o r); pooled the same with MS_e' = (SS_op + SS_e) / (df_op + df_e)
    in place of MS_e and MS_op, and no s²_op. Negative components are set to zero and named.

    References
    ----------
    AIAG, Measurement Systems Analysis, ANOVA method (from memory; its example is reproduced to all printed digits).
    """
    cells = balanced_cells(trials)
    parts, readers = (list(dict.fromkeys(cell[place] for cell in cells)) for place in (0, 1))
    repeats = len(next(iter(cells.values())))
    lines = _analysis(cells, parts, readers, repeats)
    reader, part, both, rest = lines
    is_pooled = both.p is not None and both.p > pool_above
    error = _pooled(both, rest) if is_pooled else rest
    against = error.mean_square if is_pooled else both.mean_square
    components = {
        "interaction": 0.0 if is_pooled else (both.mean_square - rest.mean_square) / repeats,
        "readers": (reader.mean_square - against) / (len(parts) * repeats),
        "parts": (part.mean_square - against) / (len(readers) * repeats),
    }
    kept = 1 / repeats if components["interaction"] > 0 else 0.0
    apart = 1 / (len(parts) * repeats) if components["readers"] > 0 else 0.0
    weights = (apart, 0.0, 1 - apart) if is_pooled else (apart, kept - apart, 1 - kept)
    spreads = {name: math.sqrt(max(0.0, variance)) for name, variance in components.items()}
    return GaugeStudy(
        table=lines,
        is_pooled=is_pooled,
        repeatability=math.sqrt(error.mean_square),
        reproducibility=spreads["readers"],
        interaction=spreads["interaction"],
        part=spreads["parts"],
        floored=tuple(name for name, variance in components.items() if variance < 0),
        degrees_of_freedom=_freedom(weights, (reader, both, error)),
    )


Cells = Mapping[tuple[str, str], Sequence[float]]


def balanced_cells(trials: Sequence[Trial]) -> Cells:
    """Return the readings by part and reader, as they came.

    Raises
    ------
    UnusableInput, NothingToMeasure
        As `gauge_study`.
    """
    cells: dict[tuple[str, str], list[float]] = {}
    for trial in trials:
        cells.setdefault((trial.part, trial.reader), []).append(trial.value)
    _prove_balanced(cells)
    return cells


def _prove_balanced(cells: Cells) -> None:
    parts, readers = (list(dict.fromkeys(cell[place] for cell in cells)) for place in (0, 1))
    repeats = len(next(iter(cells.values()), ()))
    for name, count in (("parts", len(parts)), ("readers", len(readers)), ("repeats of each", repeats)):
        if count < 2:
            raise UnusableInput(
                "study", f"it has {count} {name}", "Two at least; ten parts, three readers, two repeats."
            )
    for part in parts:
        for reader in readers:
            seen = len(cells.get((part, reader), ()))
            if seen != repeats:
                problem = f"{reader} read {part} {seen} times where others have {repeats}"
                raise UnusableInput("study", problem, "Every reader reads every part equally often.")
    still = sum(max(values) == min(values) for values in cells.values())
    if still > _REPEATS_THAT_DIFFER * len(cells):
        raise NothingToMeasure(
            "study",
            f"{still} of {len(cells)} cells show no spread: the readings are too coarse to tell repeatability",
            "Read finer, or take the last digit as the doubt.",
        )


def _freedom(weights: Sequence[float], lines: Sequence[VarianceLine]) -> float:
    """Return the effective degrees of freedom of GRR², a weighted sum of mean squares (Satterthwaite; GUM G.4.1)."""
    terms = [weight * line.mean_square for weight, line in zip(weights, lines, strict=True)]
    return math.fsum(terms) ** 2 / math.fsum(
        term**2 / line.degrees_of_freedom for term, line in zip(terms, lines, strict=True)
    )


def _analysis(cells: Cells, parts: Sequence[str], readers: Sequence[str], repeats: int) -> tuple[VarianceLine, ...]:
    grand = fmean(value for values in cells.values() for value in values)
    of_cell = {cell: fmean(values) for cell, values in cells.items()}
    of_part = {part: fmean(of_cell[part, reader] for reader in readers) for part in parts}
    of_reader = {reader: fmean(of_cell[part, reader] for part in parts) for reader in readers}
    p, o, r = len(parts), len(readers), repeats
    ss_reader = p * r * math.fsum((mean - grand) ** 2 for mean in of_reader.values())
    ss_part = o * r * math.fsum((mean - grand) ** 2 for mean in of_part.values())
    ss_both = r * math.fsum(
        (mean - of_part[part] - of_reader[reader] + grand) ** 2 for (part, reader), mean in of_cell.items()
    )
    ss_rest = math.fsum((value - of_cell[cell]) ** 2 for cell, values in cells.items() for value in values)
    rest = VarianceLine(source="repeats", degrees_of_freedom=o * p * (r - 1), sum_of_squares=ss_rest)
    both = _tested("readers × parts", (o - 1) * (p - 1), ss_both, rest)
    return _tested("readers", o - 1, ss_reader, both), _tested("parts", p - 1, ss_part, both), both, rest


def _tested(source: str, freedom: int, squares: float, against: VarianceLine) -> VarianceLine:
    """Return a line with its F against another, and the p of that; none against a line without any spread."""
    if against.sum_of_squares == 0:
        return VarianceLine(source=source, degrees_of_freedom=freedom, sum_of_squares=squares)
    f = squares / freedom / against.mean_square
    p = float(special.fdtrc(freedom, against.degrees_of_freedom, f))
    return VarianceLine(source=source, degrees_of_freedom=freedom, sum_of_squares=squares, f=f, p=p)


def _pooled(one: VarianceLine, other: VarianceLine) -> VarianceLine:
    return VarianceLine(
        source="repeats and interaction",
        degrees_of_freedom=one.degrees_of_freedom + other.degrees_of_freedom,
        sum_of_squares=one.sum_of_squares + other.sum_of_squares,
    )
