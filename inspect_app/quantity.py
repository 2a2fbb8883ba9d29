"""Units of measurement, quantities with uncertainty, their propagation and their printing.

The table of units is closed: about thirty rows, no engine. A unit that is not in it is an error that lists
those that are.
"""

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from scipy import special

from inspect_app.errors import UnusableInput

# unit: (dimension, factor to the first unit of that dimension)
UNITS: Final[Mapping[str, tuple[str, float]]] = MappingProxyType(
    {
        "1": ("count", 1.0),
        "%": ("count", 0.01),
        "s": ("time", 1.0),
        "ms": ("time", 1e-3),
        "µs": ("time", 1e-6),
        "min": ("time", 60.0),
        "h": ("time", 3600.0),
        "Hz": ("frequency", 1.0),
        "kHz": ("frequency", 1e3),
        "1/s": ("frequency", 1.0),
        "m": ("length", 1.0),
        "mm": ("length", 1e-3),
        "µm": ("length", 1e-6),
        "lp/mm": ("spatial frequency", 1.0),
        "cy/mm": ("spatial frequency", 1.0),
        "cy/px": ("pixel frequency", 1.0),
        "cy/mrad": ("angular frequency", 1.0),
        "cy/deg": ("angular frequency", 0.18 / math.pi),
        "mrad": ("angle", 1.0),
        "deg": ("angle", 1000 * math.pi / 180),
        "lw/ph": ("picture frequency", 1.0),
        "lp/ph": ("picture frequency", 2.0),
        "px": ("pixels", 1.0),
        "stop": ("exposure ratio", 1.0),
        "mAh": ("charge", 1.0),
        "Ah": ("charge", 1000.0),
        "Wh": ("energy", 1.0),
        "V": ("voltage", 1.0),
        "mV": ("voltage", 1e-3),
        "A": ("current", 1.0),
        "mA": ("current", 1e-3),
        "ohm": ("resistance", 1.0),
        "lx": ("illuminance", 1.0),
        "mlx": ("illuminance", 1e-3),
        "µlx": ("illuminance", 1e-6),
        "cd/m²/lx": ("luminance gain", 1.0),
        "fL/fc": ("luminance gain", 1 / math.pi),
        "°C": ("temperature", 1.0),
        "g": ("mass", 1.0),
        "kg": ("mass", 1000.0),
    }
)
_SPELLINGS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "us": "µs",
        "um": "µm",
        "ulx": "µlx",
        "μs": "µs",
        "μm": "µm",
        "μlx": "µlx",
        "degC": "°C",
        "lux": "lx",
        "fps": "1/s",
    }
)
_NUMBER_AND_UNIT = re.compile(
    r"([-+\N{MINUS SIGN}]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?)\s*((?:[^\W\d_]|[%°/]).*|1/s)?"
)

DIVISORS: Final[Mapping[str, float]] = MappingProxyType(
    {"rectangular": math.sqrt(3), "triangular": math.sqrt(6), "arcsine": math.sqrt(2)}
)
"""Half-width of a distribution to its standard deviation (GUM 4.3.7, 4.3.9; arcsine by integration)."""

PLAIN_COVERAGE_FACTOR: Final = 2.0  # k = 2, about 95 % for many degrees of freedom (GUM G.6.6, from memory)


def canonical_unit(text: str) -> str:
    """Return the spelling of a unit that the table uses.

    Raises
    ------
    UnusableInput
        The unit is not in the table.
    """
    unit = _SPELLINGS.get(text.strip(), text.strip())
    if unit not in UNITS:
        raise UnusableInput(f"unit '{text}'", "this unit is not known", f"Use one of {', '.join(UNITS)}.")
    return unit


def conversion_factor(unit: str, target: str) -> float:
    """Return the factor that turns a number in `unit` into one in `target`.

    Raises
    ------
    UnusableInput
        Either unit is unknown, or they measure different things.
    """
    dimension, factor = UNITS[canonical_unit(unit)]
    target_dimension, target_factor = UNITS[canonical_unit(target)]
    if dimension != target_dimension:
        raise UnusableInput(
            f"unit '{unit}'",
            f"{unit} measures {dimension}, {target} measures {target_dimension}",
            "Give a plain number." if target == "1" else f"Give it in a unit of {target_dimension}, like {target}.",
        )
    return factor / target_factor


def parse_number(text: str, unit: str) -> float:
    """Read a number that a person typed, with decimal point or comma and perhaps a unit after it.

    Parameters
    ----------
    text : str
        Such as ``12.5``, ``12,5``, ``12.5 ms`` or ``0.0125 s``.
    unit : str
        The unit that is wanted; a number without a unit is taken to be in it.

    Returns
    -------
    float
        The number in `unit`, always finite.

    Raises
    ------
    UnusableInput
        The text is not one finite number, or its unit does not fit.

    Examples
    --------
    >>> parse_number("0,0125 s", "ms")
    12.5
    """
    seen = f"'{text[:60]}'"
    match = _NUMBER_AND_UNIT.fullmatch(text.strip())
    if match is None:
        raise UnusableInput(seen, "this is not a number", _example(unit))
    value = float(match[1].replace(",", ".").replace("\N{MINUS SIGN}", "-"))
    if match[2] and match[2] != unit:
        value = _times(value, conversion_factor(match[2], unit))
    if not math.isfinite(value):
        raise UnusableInput(seen, "this number is too large", _example(unit))
    return value


def _times(value: float, factor: float) -> float:
    """Multiply, or divide by a whole number where the factor is one over it: 14 ms are 0.014 s to the last digit."""
    inverse = round(1 / factor)
    is_whole = factor < 1 and math.isclose(1 / factor, inverse, rel_tol=1e-12)
    return value / inverse if is_whole else value * factor


def _example(unit: str) -> str:
    return "Type a number, like 12.5." if unit == "1" else f"Type a number in {unit}, like 12.5."


def _possible_uncertainty(given: float) -> float:
    uncertainty = float(given)
    if not (math.isfinite(uncertainty) and uncertainty >= 0):
        raise ValueError(f"a standard uncertainty cannot be {uncertainty}")
    return uncertainty


def _possible_freedom(given: float | None) -> float | None:
    if given is None:
        return None
    freedom = float(given)
    if math.isnan(freedom) or freedom <= 0:
        raise ValueError(f"degrees of freedom cannot be {freedom}")
    return None if math.isinf(freedom) else freedom


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """A measured value with its unit, standard uncertainty and degrees of freedom.

    Parameters
    ----------
    value : float
        Finite.
    unit : str
        One of `UNITS`.
    standard_uncertainty : float
        In the same unit, k = 1, finite and not negative.
    degrees_of_freedom : float or None
        Of the standard uncertainty; None means infinitely many.

    Raises
    ------
    ValueError
        The value or its uncertainty is impossible.
    UnusableInput
        The unit is unknown.
    """

    value: float
    unit: str
    standard_uncertainty: float = 0.0
    degrees_of_freedom: float | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "value", float(self.value))
        object.__setattr__(self, "unit", canonical_unit(self.unit))
        object.__setattr__(self, "standard_uncertainty", _possible_uncertainty(self.standard_uncertainty))
        object.__setattr__(self, "degrees_of_freedom", _possible_freedom(self.degrees_of_freedom))
        if not math.isfinite(self.value):
            raise ValueError(f"a quantity must be finite, not {self.value}")

    def to(self, unit: str) -> "Quantity":
        """Return the same quantity in another unit of the same dimension."""
        if unit == self.unit:
            return self
        factor = conversion_factor(self.unit, unit)
        return Quantity(
            value=_times(self.value, factor),
            unit=unit,
            standard_uncertainty=_times(self.standard_uncertainty, factor),
            degrees_of_freedom=self.degrees_of_freedom,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """One line of an uncertainty budget (GUM, JCGM 100:2008, clause 8).

    Parameters
    ----------
    source : str
        What the doubt comes from, in words.
    distribution : str
        ``normal``, ``rectangular``, ``triangular``, ``arcsine`` or ``t``.
    standard_uncertainty : float
        What it contributes to the result, in the result's own unit: sensitivity times input uncertainty.
    degrees_of_freedom : float or None
        None means infinitely many.
    sensitivity : float
        Change of the result for a change of one in the input; one where the input is in the result's own terms.

    Raises
    ------
    ValueError
        The uncertainty or its degrees of freedom are impossible.
    """

    source: str
    distribution: str
    standard_uncertainty: float
    degrees_of_freedom: float | None = None
    sensitivity: float = 1.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "standard_uncertainty", _possible_uncertainty(self.standard_uncertainty))
        object.__setattr__(self, "degrees_of_freedom", _possible_freedom(self.degrees_of_freedom))
        if not (math.isfinite(self.sensitivity) and self.sensitivity != 0):
            raise ValueError(f"a sensitivity cannot be {self.sensitivity}")

    @property
    def divisor(self) -> float:
        """What turns the input's half-width into its standard uncertainty (GUM 4.3.7 to 4.3.9); 1 for a spread."""
        return DIVISORS.get(self.distribution, 1.0)

    @property
    def input(self) -> float:
        """The input's half-width, or its standard uncertainty where the distribution has no ends, in its own terms."""
        return self.standard_uncertainty * self.divisor / abs(self.sensitivity)


def combine(contributions: Iterable[Contribution]) -> tuple[float, float | None]:
    """Combine independent contributions into one standard uncertainty and its degrees of freedom.

    Returns
    -------
    standard_uncertainty : float
        The root sum of squares (GUM 5.1.2, equation 10).
    degrees_of_freedom : float or None
        Effective, by the Welch-Satterthwaite formula (GUM G.4.1, equation G.2b); None when infinite.

    Examples
    --------
    The 10 kg weight of EA-4/02, example S2 (published: 29.3 mg):

    >>> parts = [("n", 22.5), ("r", 15 / 3**0.5), ("n", 25 / 3**0.5), ("r", 10 / 3**0.5), ("r", 10 / 3**0.5)]
    >>> u, dof = combine(Contribution(source=s, distribution="normal", standard_uncertainty=x) for s, x in parts)
    >>> round(u, 1), dof
    (29.3, None)
    """
    lines = list(contributions)
    total = math.hypot(*(line.standard_uncertainty for line in lines))
    if total == 0:
        return 0.0, None
    weight = math.fsum(
        (line.standard_uncertainty / total) ** 4 / line.degrees_of_freedom
        for line in lines
        if line.degrees_of_freedom is not None
    )
    return total, (1 / weight if weight > 0 else None)


def quantity_from_budget(value: float, unit: str, contributions: Sequence[Contribution]) -> Quantity:
    """Return a quantity whose uncertainty is the combination of its budget lines."""
    uncertainty, freedom = combine(contributions)
    return Quantity(value=value, unit=unit, standard_uncertainty=uncertainty, degrees_of_freedom=freedom)


def coverage_factor(degrees_of_freedom: float | None, coverage: float = 0.9545) -> float:
    """Return the two-sided coverage factor of Student's t (GUM G.3.2, Table G.2).

    Parameters
    ----------
    degrees_of_freedom : float or None
        Truncated to the next lower integer as GUM G.4.1 advises; None gives the normal distribution.
    coverage : float
        Between 0 and 1; the default makes the factor exactly 2 for the normal distribution.

    Examples
    --------
    >>> round(coverage_factor(16, 0.95), 2), round(coverage_factor(4), 2), round(coverage_factor(None), 2)
    (2.12, 2.87, 2.0)
    """
    tail = (1 + coverage) / 2
    if degrees_of_freedom is None:
        return float(special.ndtri(tail))
    return float(special.stdtrit(_whole_degrees(degrees_of_freedom), tail))


def one_sided_factor(degrees_of_freedom: float | None, confidence: float = 0.95) -> float:
    """Return how many standard uncertainties a result must lie within a one-sided limit to conform with a confidence.

    Parameters
    ----------
    degrees_of_freedom : float or None
        As in `coverage_factor`.
    confidence : float
        Between 0 and 1; below one half the factor is negative.

    Examples
    --------
    JCGM 106:2012, table of z for one-sided limits (from memory: 1.28 and 3.09); Student's t of 4 degrees: 2.132.

    >>> round(one_sided_factor(None, 0.9), 2), round(one_sided_factor(None, 0.999), 2), round(one_sided_factor(4), 3)
    (1.28, 3.09, 2.132)
    """
    if degrees_of_freedom is None:
        return float(special.ndtri(confidence))
    return float(special.stdtrit(_whole_degrees(degrees_of_freedom), confidence))


def _whole_degrees(degrees_of_freedom: float) -> int:
    return max(1, math.floor(degrees_of_freedom))


def probability_below(bound: float, quantity: Quantity) -> float:
    """Return the probability that the true value lies at or below a bound (JCGM 106:2012, 7.3 and 7.4).

    Parameters
    ----------
    bound : float
        In the quantity's unit.
    quantity : Quantity
        The truth is taken to spread normally about its value; with few degrees of freedom as a scaled and shifted t,
        its degrees of freedom truncated as in `coverage_factor`.

    Examples
    --------
    >>> round(probability_below(50, Quantity(value=46, unit="ms", standard_uncertainty=2)), 4)
    0.9772
    >>> round(probability_below(50, Quantity(value=46, unit="ms", standard_uncertainty=2, degrees_of_freedom=4)), 4)
    0.9419
    """
    distance = bound - quantity.value
    if quantity.standard_uncertainty == 0:
        return 1.0 if distance >= 0 else 0.0
    return share_below(distance / quantity.standard_uncertainty, quantity.degrees_of_freedom)


def share_below(deviation: float, degrees_of_freedom: float | None) -> float:
    """Return the share of a normal distribution, or of Student's t, below so many standard uncertainties."""
    if degrees_of_freedom is None:
        return math.erfc(-deviation / math.sqrt(2)) / 2
    return float(special.stdtr(_whole_degrees(degrees_of_freedom), deviation))


def expanded_uncertainty(quantity: Quantity) -> float:
    """Return U at about 95 % coverage: k = 2, or Student's t where the degrees of freedom are few."""
    return plain_coverage_factor(quantity.degrees_of_freedom) * quantity.standard_uncertainty


def plain_coverage_factor(degrees_of_freedom: float | None) -> float:
    """Return the k that U is printed with: 2, or Student's t where the degrees of freedom are few."""
    return PLAIN_COVERAGE_FACTOR if degrees_of_freedom is None else coverage_factor(degrees_of_freedom)


def decimals_for(uncertainty: float, value: float) -> int:
    """Return how many decimals to print so that the uncertainty has two significant digits (GUM 7.2.6).

    Negative where the last digits before the point are to be rounded off. Without an uncertainty a whole number is
    printed as it is, and any other to at most four significant digits.

    Examples
    --------
    >>> [decimals_for(u, x) for u, x in ((0.0314, 18), (0.996, 18), (123, 4567), (0, 71.8376), (0, 0.8))]
    [3, 1, -1, 2, 1]
    """
    if uncertainty > 0:
        exponent = math.floor(math.log10(uncertainty))
        rounded = round(uncertainty, 1 - exponent)
        return 1 - math.floor(math.log10(rounded))
    if value == 0 or float(value).is_integer():
        return 0
    decimals = max(0, 3 - math.floor(math.log10(abs(value))))
    while decimals > 0 and round(value, decimals - 1) == round(value, decimals):
        decimals -= 1
    return decimals


def format_number(value: float, decimals: int) -> str:
    """Print a number rounded to so many decimals, with a true minus sign; minus zero is zero.

    Examples
    --------
    >>> format_number(-0.0004, 2), format_number(-1.005, 1), format_number(4567, -1)
    ('0.00', '−1.0', '4570')
    """
    text = f"{round(value, decimals):.{max(0, decimals)}f}"
    if float(text) == 0:
        text = text.removeprefix("-")
    return text.replace("-", "\N{MINUS SIGN}")


def format_value(quantity: Quantity) -> str:
    """Print the value to the place of its expanded uncertainty, with its unit."""
    expanded = expanded_uncertainty(quantity)
    return with_unit(format_number(quantity.value, decimals_for(expanded, quantity.value)), quantity.unit)


def format_quantity(quantity: Quantity) -> str:
    """Print value ± U with its unit, both to the same place, U with two significant digits (GUM 7.2.6).

    Examples
    --------
    >>> format_quantity(Quantity(value=18.2345, unit="ms", standard_uncertainty=0.31))
    '18.23 ± 0.62 ms'
    >>> format_quantity(Quantity(value=3, unit="1"))
    '3'
    """
    expanded = expanded_uncertainty(quantity)
    if expanded == 0:
        return format_value(quantity)
    decimals = decimals_for(expanded, quantity.value)
    number = f"{format_number(quantity.value, decimals)} ± {format_number(expanded, decimals)}"
    return with_unit(number, quantity.unit)


def format_limit(value: float, unit: str) -> str:
    """Print a limit as the contract wrote it, without an uncertainty."""
    return with_unit(f"{value:.12g}".replace("-", "\N{MINUS SIGN}"), unit)


def with_unit(number: str, unit: str) -> str:
    """Set a printed number and its unit side by side; the unit one is not printed."""
    return number if unit == "1" else f"{number} {unit}"
