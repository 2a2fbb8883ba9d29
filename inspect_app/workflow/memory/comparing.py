"""Comparing devices, dates and classes on the same checks under the same conditions."""

import statistics
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from inspect_app.errors import NotFound, UnusableInput
from inspect_app.model import Condition, Entry, Inspection, Limit
from inspect_app.model.characteristic import lasting_condition
from inspect_app.quantity import Quantity
from inspect_app.storage import Session, comparing, inspections
from inspect_app.workflow.bench.inspecting import contract_of, form_of
from inspect_app.workflow.typed_text import normalise_serial
from inspect_app.workflow.workplace import Workplace, reading

MOST_COMPARED: Final = 8
_DEVICES_OF_A_CLASS: Final = 50
_Key = tuple[str, str, tuple[tuple[str, str], ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """One of those compared: a device at one inspection, or a class by its newest signed inspections."""

    label: str
    inspection_ids: tuple[int, ...]
    entries: Mapping[str, Entry]
    conditions: Mapping[str, Condition] = field(default_factory=dict)

    @property
    def is_class(self) -> bool:
        """Whether results are a mean over devices, with their spread as uncertainty."""
        return len(self.inspection_ids) != 1


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedResult:
    """One quantity under one condition: a result for each of those compared, and what the contracts demand of it."""

    check: str
    quantity_name: str
    condition: Condition
    quantities: tuple[Quantity | None, ...]
    limits: tuple[Limit, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Up to eight devices, dates or classes side by side."""

    compared: tuple[Compared, ...]
    results: tuple[ComparedResult, ...]


def device_classes(workplace: Workplace) -> tuple[str, ...]:
    """Return every device class that was ever received."""
    with reading(workplace) as session:
        return comparing.classes(session)


def newest_inspection_of(workplace: Workplace, serial: str) -> int:
    """Return the key of the newest inspection of a device.

    Raises
    ------
    UnusableInput
        The serial is not known, or its device was never inspected.
    """
    wanted = normalise_serial(serial)
    with reading(workplace) as session:
        found = comparing.newest_of_serial(session, wanted)
    if found is None:
        raise UnusableInput(wanted, "no inspection of this serial is on record", "Choose a device that was inspected.")
    return found


def compare(workplace: Workplace, inspection_ids: Sequence[int], classes: Sequence[str]) -> Comparison:
    """Put devices and classes side by side on what the contracts demand.

    Raises
    ------
    UnusableInput
        More than eight are asked for.
    NotFound
        There is no such inspection.
    """
    if len(inspection_ids) + len(classes) > MOST_COMPARED:
        raise UnusableInput("the comparison", f"more than {MOST_COMPARED} are chosen", "Take some away.")
    with reading(workplace) as session:
        groups = [(_existing(session, key),) for key in inspection_ids]
        of_classes = [_class_members(session, name) for name in classes]
    limits: list[Limit] = []
    for group in (*groups, *of_classes):
        for limit in _demands(workplace, group[0]) if group else ():
            if limit not in limits:
                limits.append(limit)
    found = [_results(workplace, group) for group in (*groups, *of_classes)]
    compared = (
        *(_device(workplace, one, label) for (one,), label in zip(groups, _labels(groups), strict=True)),
        *(
            Compared(label=name, inspection_ids=tuple(one.id for one in group), entries={})
            for name, group in zip(classes, of_classes, strict=True)
        ),
    )
    return Comparison(compared=compared, results=_rows(found, limits))


def _demands(workplace: Workplace, inspection: Inspection) -> tuple[Limit, ...]:
    return contract_of(workplace, inspection).limits.get(inspection.device.device_class, ())


def _existing(session: Session, inspection_id: int) -> Inspection:
    found = inspections.inspections(session, (inspection_id,))
    if not found:
        raise NotFound(f"inspection {inspection_id}", "there is no such inspection", "Choose the device again.")
    return found[0]


def _class_members(session: Session, device_class: str) -> tuple[Inspection, ...]:
    keys = comparing.newest_of_class(session, device_class, _DEVICES_OF_A_CLASS)
    return inspections.inspections(session, keys) if keys else ()


def _device(workplace: Workplace, inspection: Inspection, label: str) -> Compared:
    conditions = {step.id: step.condition for step in form_of(workplace, inspection).steps}
    return Compared(label=label, inspection_ids=(inspection.id,), entries=inspection.entries, conditions=conditions)


def _labels(groups: Sequence[tuple[Inspection]]) -> list[str]:
    """Return the serials, each with its day where a device stands there at several dates."""
    serials = [one.device.serial for (one,) in groups]
    return [
        serial if serials.count(serial) == 1 else f"{serial} {one.opened_at.date().isoformat()}"
        for serial, (one,) in zip(serials, groups, strict=True)
    ]


@dataclass(frozen=True, slots=True)
class _Of:
    """A result's place in the comparison."""

    check: str
    quantity_name: str
    condition: Condition


def _results(workplace: Workplace, group: Sequence[Inspection]) -> Mapping[_Key, tuple[_Of, Quantity]]:
    """Return the results of one device, or the mean and the spread over the devices of a class."""
    gathered: dict[_Key, list[Quantity]] = defaultdict(list)
    places: dict[_Key, _Of] = {}
    for inspection in group:
        for key, (place, quantity) in _of_one(workplace, inspection).items():
            gathered[key].append(quantity)
            places[key] = place
    if len(group) == 1:
        return {key: (places[key], quantities[0]) for key, quantities in gathered.items()}
    return {key: (places[key], _spread(found)) for key, found in gathered.items() if len(found) > 1}


def _of_one(workplace: Workplace, inspection: Inspection) -> Mapping[_Key, tuple[_Of, Quantity]]:
    """Return the results of one inspection; of several under one condition, such as edges, the median one."""
    found: dict[_Key, list[tuple[_Of, Quantity]]] = defaultdict(list)
    for step in form_of(workplace, inspection).steps:
        entry = inspection.entries.get(step.id)
        if entry is None or entry.measured is None or entry.problem is not None:
            continue
        for result in entry.measured.results:
            condition = lasting_condition(step.condition, result.condition)
            told = tuple(sorted((name, str(value)) for name, value in condition.items()))
            place = _Of(step.check, result.quantity_name, condition)
            found[step.check, result.quantity_name, told].append((place, result.quantity))
    return {key: sorted(many, key=lambda one: one[1].value)[len(many) // 2] for key, many in found.items()}


def _spread(quantities: Sequence[Quantity]) -> Quantity:
    unit = quantities[0].unit
    values = [quantity.to(unit).value for quantity in quantities]
    return Quantity(value=statistics.fmean(values), unit=unit, standard_uncertainty=statistics.stdev(values))


def _rows(found: Sequence[Mapping[_Key, tuple[_Of, Quantity]]], limits: Sequence[Limit]) -> tuple[ComparedResult, ...]:
    places = {key: place for results in found for key, (place, _) in results.items()}
    rows = []
    for key, place in places.items():
        demanded = tuple(limit for limit in limits if _is_meant(limit, place))
        if demanded:
            quantities = tuple(results[key][1] if key in results else None for results in found)
            rows.append(
                ComparedResult(
                    check=place.check,
                    quantity_name=place.quantity_name,
                    condition=place.condition,
                    quantities=_in_one_unit(quantities),
                    limits=demanded,
                )
            )
    return tuple(rows)


def _is_meant(limit: Limit, place: _Of) -> bool:
    return (
        limit.check == place.check
        and limit.quantity_name == place.quantity_name
        and all(place.condition.get(name) == value for name, value in limit.condition.items())
    )


def _in_one_unit(quantities: Sequence[Quantity | None]) -> tuple[Quantity | None, ...]:
    unit = next(quantity.unit for quantity in quantities if quantity is not None)
    return tuple(None if quantity is None else quantity.to(unit) for quantity in quantities)
