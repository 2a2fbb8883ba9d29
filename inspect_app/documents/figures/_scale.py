"""Numbers to places on a drawing: linear and logarithmic scales, and where their ticks stand."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

from inspect_app.quantity import format_number

_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
_LEAST_SPAN = 1e-12
_MONTHS = (1, 3, 6, 12, 24, 60, 120, 240)  # between the ticks of years


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """Maps numbers from `low` to `high` on places from `start` to `end`; what lies outside is clamped to the edge."""

    low: float
    high: float
    start: float
    end: float
    is_log: bool = False

    def at(self, value: float) -> float:
        """Return the place of a number."""
        share = (self._size(value) - self._size(self.low)) / (self._size(self.high) - self._size(self.low))
        return self.start + min(1.0, max(0.0, share)) * (self.end - self.start)

    def holds(self, value: float) -> bool:
        """Say whether the number lies on the scale."""
        return self.low <= value <= self.high

    def ticks(self, most: int = 6) -> tuple[tuple[float, str], ...]:
        """Return round numbers on the scale, each with its label."""
        return _decades(self.low, self.high, most) if self.is_log else _round_numbers(self.low, self.high, most)

    def _size(self, value: float) -> float:
        return math.log10(max(value, self.low)) if self.is_log else value


@dataclass(frozen=True, slots=True, kw_only=True)
class YearScale(Scale):
    """A linear scale of years, such as 2026.25, whose ticks are named by month."""

    def ticks(self, most: int = 6) -> tuple[tuple[float, str], ...]:
        """Return whole years or months on the scale, each named like 2026 or 2026-04."""
        months = next((m for m in _MONTHS if (self.high - self.low) * 12 / m <= most), _MONTHS[-1])
        first, last = math.ceil(self.low * 12 / months), math.floor(self.high * 12 / months)
        return tuple((tick * months / 12, _month(tick * months)) for tick in range(first, last + 1))


def scale_for(
    values: Iterable[float], *, start: float, end: float, from_zero: bool = False, room: float = 0.0
) -> Scale:
    """Return a linear scale that holds all values, with some room as a share of their span at both ends."""
    seen = [*values, *([0.0] if from_zero else [])] or [0.0, 1.0]
    low, high = min(seen), max(seen)
    span = high - low
    if span <= max(_LEAST_SPAN, 1e-9 * abs(high)):
        span = abs(high) if abs(high) > _LEAST_SPAN else 1.0
        low, high = low - span / 2, high + span / 2
    low_room = 0.0 if from_zero and low == 0 else room * span
    return Scale(low=low - low_room, high=high + room * span, start=start, end=end)


def log_scale_for(values: Iterable[float], *, start: float, end: float) -> Scale:
    """Return a logarithmic scale over the positive values, widened to at least one decade."""
    seen = [value for value in values if value > 0] or [1.0, 10.0]
    low, high = min(seen), max(seen)
    if high / low < 10:
        middle = math.sqrt(low * high)
        low, high = middle / math.sqrt(10), middle * math.sqrt(10)
    return Scale(low=low, high=high, start=start, end=end, is_log=True)


def years_for(values: Iterable[float], *, start: float, end: float) -> YearScale:
    """Return a scale of years that holds all values, a month wide at least, with a little room at both ends."""
    seen = [*values] or [0.0]
    room = max(0.03 * (max(seen) - min(seen)), 0.5 / 12)
    return YearScale(low=min(seen) - room, high=max(seen) + room, start=start, end=end)


def _month(count: int) -> str:
    year, month = divmod(count, 12)
    return f"{year}-{month + 1:02d}" if month else f"{year}"


def _round_numbers(low: float, high: float, most: int) -> tuple[tuple[float, str], ...]:
    magnitude = 10 ** math.floor(math.log10((high - low) / most))
    step = next(s * magnitude for s in _STEPS if (high - low) / (s * magnitude) <= most)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9) + (1 if step / magnitude == 2.5 else 0))
    return tuple((index * step, format_number(index * step, decimals)) for index in range(first, last + 1))


def _decades(low: float, high: float, most: int) -> tuple[tuple[float, str], ...]:
    first, last = math.ceil(math.log10(low) - 1e-9), math.floor(math.log10(high) + 1e-9)
    every = max(1, math.ceil((last - first + 1) / most))
    return tuple((10.0**power, _plain(10.0**power)) for power in range(first, last + 1, every))


def _plain(value: float) -> str:
    return format_number(value, max(0, -math.floor(math.log10(value) + 1e-9)))
