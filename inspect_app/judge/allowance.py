"""Decide the spots of one picture against a spot allowance table: size class by zone."""

from collections.abc import Sequence
from dataclasses import dataclass

from inspect_app.model import (
    Condition,
    DecisionRule,
    Feature,
    Finding,
    Judgement,
    Measured,
    SpotAllowance,
    SpotClass,
)
from inspect_app.quantity import PLAIN_COVERAGE_FACTOR, format_limit


@dataclass(frozen=True, slots=True, kw_only=True)
class _Spot:
    """A spot that counts: its zone, and the first and last size class that it may belong to."""

    feature: Feature
    zone: int
    first: int
    likely: int
    last: int


def decide_spots(
    allowance: SpotAllowance, measured: Measured, condition: Condition | None = None, step_id: str | None = None
) -> Judgement:
    """Decide the spots that a check found against a spot allowance table.

    Parameters
    ----------
    allowance : SpotAllowance
        The table; by the guarded rule a spot's diameter d is only known to lie in d ± 2 u, by the simple rule it is d.
    measured : Measured
        Its features are judged: those of kind ``spot``, of the table's polarity and at least its contrast.
    condition, step_id
        Kept in the judgement.

    Returns
    -------
    Judgement
        Conforming when no class can hold more than is allowed, wherever the borderline spots belong; nonconforming when
        too many remain however they are sorted into their classes; inconclusive between. Not measured when spots
        were found without a size in millimetres or without zones.

    Notes
    -----
    A class holds diameters larger than its lower and up to its upper bound. Spots not larger than the first class do
    not count; spots outside all zones of the table do not count. The zone is that of the spot's centre, taken as exact
    (common practice, no source).
    Whether some sorting fits is found by serving, class by class, the spots that may wait least (earliest due date
    first, which is optimal for unit jobs with release and due times).
    """
    spots = [feature for feature in measured.features if _counts(feature, allowance)]
    gap = _what_is_missing(spots, measured)
    if gap:
        return _judgement(allowance, Finding.NOT_MEASURED, gap, condition, step_id)
    sorted_spots = [spot for feature in spots if (spot := _sort(feature, allowance)) is not None]
    zones = range(1, len(allowance.classes[0].allowed) + 1)
    decided = [_decide_zone(zone, [s for s in sorted_spots if s.zone == zone], allowance) for zone in zones]
    for finding in (Finding.NONCONFORMING, Finding.INCONCLUSIVE):
        reasons = [reason for found, reason in decided if found is finding]
        if reasons:
            return _judgement(allowance, finding, f"{'; '.join(reasons)}.", condition, step_id)
    counted = sum(spot.likely > 0 for spot in sorted_spots)
    reason = f"{_plural(counted, f'{allowance.polarity} spot')} counted, no zone holds more than its table allows."
    return _judgement(allowance, Finding.CONFORMING, reason, condition, step_id)


def _judgement(
    allowance: SpotAllowance, finding: Finding, reason: str, condition: Condition | None, step_id: str | None
) -> Judgement:
    return Judgement(limit=allowance, finding=finding, reason=reason, condition=dict(condition or {}), step_id=step_id)


def _counts(feature: Feature, allowance: SpotAllowance) -> bool:
    return (
        feature.kind == "spot"
        and feature.polarity == allowance.polarity
        and feature.contrast >= allowance.contrast_at_least
    )


def _what_is_missing(spots: Sequence[Feature], measured: Measured) -> str:
    if any(spot.diameter_mm is None for spot in spots):
        return "The spots carry no size in millimetres; measure again with the field's diameter."
    has_zones = any("zone" in result.condition for result in measured.results)
    if spots and not has_zones and all(spot.zone is None for spot in spots):
        return "The spots carry no zone; measure again with the zones' diameters."
    return ""


def _sort(feature: Feature, allowance: SpotAllowance) -> _Spot | None:
    zone_count = len(allowance.classes[0].allowed)
    if feature.zone is None or feature.diameter_mm is None or feature.zone > zone_count:
        return None
    is_guarded = allowance.decision_rule is DecisionRule.GUARDED
    doubt_mm = PLAIN_COVERAGE_FACTOR * (feature.diameter_uncertainty_mm or 0.0) if is_guarded else 0.0
    first, likely, last = (
        _class_of(feature.diameter_mm + shift, allowance.classes) for shift in (-doubt_mm, 0.0, doubt_mm)
    )
    return _Spot(feature=feature, zone=feature.zone, first=first, likely=likely, last=last)


def _class_of(diameter_mm: float, classes: Sequence[SpotClass]) -> int:
    """Return 0 for too small to count, 1 for the first class, and one more than there are for too large for all."""
    for index, row in enumerate(classes):
        if diameter_mm <= row.larger_than_mm:
            return index
    upper_mm = classes[-1].at_most_mm
    return len(classes) if upper_mm is None or diameter_mm <= upper_mm else len(classes) + 1


def _decide_zone(zone: int, spots: Sequence[_Spot], allowance: SpotAllowance) -> tuple[Finding, str]:
    allowed = [len(spots), *(row.allowed[zone - 1] for row in allowance.classes), 0]
    possible = [sum(spot.first <= index <= spot.last for spot in spots) for index in range(len(allowed))]
    crowded = [index for index, count in enumerate(possible) if count > allowed[index]]
    if not crowded:
        return Finding.CONFORMING, ""
    if _can_be_sorted(spots, allowed):
        borderline = next(s for s in spots if s.first < s.last and any(s.first <= i <= s.last for i in crowded))
        return Finding.INCONCLUSIVE, f"zone {zone}: {_size(borderline)} lies on the border of a class, and would decide"
    likely = [sum(spot.likely == index for spot in spots) for index in range(len(allowed))]
    index = next(index for index, count in enumerate(likely) if count > allowed[index])
    seen = f"{_plural(likely[index], f'{allowance.polarity} spot')} {_class_in_words(index, allowance.classes)}"
    return Finding.NONCONFORMING, f"zone {zone} holds {seen}, {allowed[index] or 'none'} allowed"


def _can_be_sorted(spots: Sequence[_Spot], allowed: Sequence[int]) -> bool:
    waiting = sorted(spots, key=lambda spot: spot.last)
    for index, room in enumerate(allowed):
        ready = [spot for spot in waiting if spot.first <= index]
        later = [spot for spot in waiting if spot.first > index]
        waiting = sorted(ready[room:] + later, key=lambda spot: spot.last)
        if any(spot.last <= index for spot in waiting):
            return False
    return True


def _size(spot: _Spot) -> str:
    doubt_mm = PLAIN_COVERAGE_FACTOR * (spot.feature.diameter_uncertainty_mm or 0.0)
    return f"a spot of {spot.feature.diameter_mm:.3f} ± {doubt_mm:.3f} mm"


def _class_in_words(index: int, classes: Sequence[SpotClass]) -> str:
    if index > len(classes):
        return f"larger than {format_limit(classes[-1].at_most_mm or 0.0, 'mm')}"
    row = classes[index - 1]
    if row.at_most_mm is None:
        return f"larger than {format_limit(row.larger_than_mm, 'mm')}"
    return f"from {format_limit(row.larger_than_mm, '1')} to {format_limit(row.at_most_mm, 'mm')}"


def _plural(count: int, noun: str) -> str:
    return f"{count or 'no'} {noun}{'' if count == 1 else 's'}"
