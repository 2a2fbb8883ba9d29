"""What pages show of a contract: its limits and spot tables, class by class, in printed words."""

from collections.abc import Sequence
from dataclasses import dataclass

from inspect_app.definitions.values import Contract
from inspect_app.documents import wording
from inspect_app.documents.rule_words import rule_text
from inspect_app.model import Limit, SpotAllowance
from inspect_app.quantity import format_limit


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownLimit:
    """One demand as the contract states it, printed."""

    clause: str
    title: str
    check: str
    under: str
    demand: str
    rule: str
    severity: str
    over: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownAllowance:
    """One spot table as the contract states it: a row for each size class, a column for each zone."""

    clause: str
    title: str
    polarity: str
    contrast: str
    zones: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def limits(demanded: Sequence[Limit]) -> tuple[ShownLimit, ...]:
    """Return the limits of a contract as shown."""
    return tuple(
        ShownLimit(
            clause=limit.clause,
            title=limit.title,
            check=wording.name_in_words(limit.check),
            under=wording.condition_text(limit.condition, limit.title),
            demand=wording.demand_text(limit),
            rule=rule_text(limit),
            severity=str(limit.severity),
            over=str(limit.over),
        )
        for limit in demanded
    )


def allowances(demanded: Sequence[SpotAllowance]) -> tuple[ShownAllowance, ...]:
    """Return the spot tables of a contract as shown."""
    return tuple(_allowance(allowance) for allowance in demanded)


def _allowance(allowance: SpotAllowance) -> ShownAllowance:
    zone_count = max((len(row.allowed) for row in allowance.classes), default=0)
    return ShownAllowance(
        clause=allowance.clause,
        title=allowance.title,
        polarity=allowance.polarity,
        contrast=wording.per_cent(allowance.contrast_at_least),
        zones=tuple(f"Zone {number}" for number in range(1, zone_count + 1)),
        rows=tuple(
            (_size_class(row.larger_than_mm, row.at_most_mm), *(str(count) for count in row.allowed))
            for row in allowance.classes
        ),
    )


def _size_class(larger_than_mm: float, at_most_mm: float | None) -> str:
    lower = format_limit(larger_than_mm, "1")
    return f"over {lower} mm" if at_most_mm is None else f"over {lower} to {format_limit(at_most_mm, 'mm')}"


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownClass:
    """What a contract demands of one device class."""

    name: str
    limits: tuple[ShownLimit, ...]
    allowances: tuple[ShownAllowance, ...]


def contract_classes(contract: Contract) -> tuple[ShownClass, ...]:
    """Return the demands of a contract, class by class."""
    return tuple(
        ShownClass(
            name=name,
            limits=limits(contract.limits[name]),
            allowances=allowances(contract.spot_allowances.get(name, ())),
        )
        for name in contract.device_classes
    )
