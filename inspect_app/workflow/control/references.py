"""References: read again and again, so that a bench that changed is noticed before it judges anybody's device."""

import contextlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from inspect_app import measure
from inspect_app.errors import NotAllowed, NotFound, NothingToMeasure, UnusableInput
from inspect_app.judge.control import limits_from
from inspect_app.judge.watching import Alarm, ChartPoint, alarm_of, chart
from inspect_app.measure import CHECKS, prove_options
from inspect_app.model import Condition, ConditionValue, Evidence, Measured, Person, Reference, WatchedReference
from inspect_app.quantity import Quantity, parse_number
from inspect_app.storage import Act, Session, references
from inspect_app.workflow.typed_text import clean_line, clean_reason, clean_remark
from inspect_app.workflow.workplace import Workplace, acting, prove_may, reading

_ROLE: Final = "scene"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceChart:
    """A reference with its readings as they stand on the chart, and the signal that waits for an approver."""

    watched: WatchedReference
    points: tuple[ChartPoint, ...]
    alarm: Alarm | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TypedReading:
    """A reading as it was brought: captures to be measured, or a number that was read with its doubt."""

    files: tuple[Evidence, ...] = ()
    value: str = ""
    standard_uncertainty: str = ""
    remark: str = ""


def add_reference(
    workplace: Workplace, person: Person, *, name: str, check: str, quantity_name: str, condition: str, options: str
) -> Reference:
    """Begin to watch one quantity of an artefact that does not change.

    Parameters
    ----------
    condition, options : str
        Lines such as ``axis = vertical`` and ``transfer = srgb``; perhaps empty.

    Raises
    ------
    UnusableInput
        The name is taken or empty, or check, quantity, condition or an option cannot be.
    NotAllowed
        The person may not approve.
    """
    under = {key: _value(text) for key, text in _pairs("condition", condition).items()}
    given = _pairs("options", options)
    with acting(workplace, person, "approve", "reference added") as act:
        made = take_reference_in(act, name, check, quantity_name, condition=under, options=given)
        act.tell(f"reference {made.name}", check=check, quantity=quantity_name)
        return made


def take_reference_in(
    act: Act, name: str, check: str, quantity_name: str, *, condition: Condition, options: Mapping[str, str]
) -> Reference:
    """Do what `add_reference` does within an act."""
    name = clean_line("name", name)
    found = CHECKS.get(check)
    if found is None:
        raise UnusableInput("check", f"there is no check '{check}'", f"Use one of {', '.join(sorted(CHECKS))}.")
    if quantity_name not in found.quantities:
        known = ", ".join(sorted(found.quantities))
        raise UnusableInput("quantity", f"{check} gives no '{quantity_name}'", f"Use one of {known}.")
    prove_options(found.options, options)
    if references.reference_named(act.session, name) is not None:
        raise UnusableInput("name", f"'{name}' is watched already", "Open it, or take another name.")
    return references.add_reference(
        act,
        name=name,
        check=check,
        quantity_name=quantity_name,
        unit=found.quantities[quantity_name],
        condition=condition,
        options=options,
    )


def read_reference(workplace: Workplace, person: Person, reference_id: int, given: TypedReading) -> ChartPoint:
    """Append a reading, measured from captures or typed, and return how it stands on the chart.

    Raises
    ------
    UnusableInput
        Neither captures nor a number were given, or a file or the number cannot be used.
    NothingToMeasure
        The captures hold nothing that the check can measure, or not the one result that is watched.
    NotFound
        There is no such reference.
    NotAllowed
        The person may not inspect.
    """
    with reading(workplace) as session:
        prove_may(session, person, "inspect")
        reference = _existing(session, reference_id).reference
    remark = clean_remark("remark", given.remark)
    measured = _measured(workplace, reference, given.files) if given.files else None
    quantity = _typed(reference, given) if measured is None else _watched_result(reference, measured)
    with acting(workplace, person, "inspect", "reference read") as act:
        files = [(file.sha256, file.name) for file in given.files]
        number = references.add_reading(
            act, reference_id, quantity, person, remark=remark, measured=measured, files=files
        )
        act.tell(f"reference {reference.name}", reading=str(number))
        return chart(_existing(act.session, reference_id))[-1]


def set_limits(workplace: Workplace, person: Person, reference_id: int, first: int, last: int, reason: str) -> None:
    """Set control limits from readings that an approver takes for the bench in order; they count from now on.

    Raises
    ------
    UnusableInput
        No reason is given, or there are no such readings.
    NothingToMeasure
        They are too few, or all alike.
    NotAllowed
        The person may not approve, or a signal waits to be cleared.
    """
    reason = clean_reason(reason, "Say why these readings show the bench in order.")
    with acting(workplace, person, "approve", "control limits set") as act:
        found = _existing(act.session, reference_id)
        _prove_quiet(found)
        if not 1 <= first <= last <= len(found.readings):
            raise UnusableInput(
                "readings",
                f"there are no readings {first} to {last}",
                f"Name two between 1 and {len(found.readings)}." if found.readings else "Read the reference first.",
            )
        limits = limits_from([one.quantity.value for one in found.readings[first - 1 : last]])
        references.add_limits(
            act,
            reference_id,
            first=first,
            last=last,
            centre=limits.centre,
            sigma=limits.sigma,
            reason=reason,
            by=person,
        )
        act.tell(f"reference {found.reference.name}", first=str(first), last=str(last), reason=reason)


def clear_signal(workplace: Workplace, person: Person, reference_id: int, seen: int, reason: str) -> None:
    """Let verdicts count again after a signal, with the reason.

    Parameters
    ----------
    seen : int
        Number of the newest reading that the approver saw; signals of later readings are not cleared.

    Raises
    ------
    UnusableInput
        No reason is given, or nothing signals.
    NotAllowed
        The person may not approve.
    """
    reason = clean_reason(reason, "Say what was found and what was put right.")
    with acting(workplace, person, "approve", "signal cleared") as act:
        found = _existing(act.session, reference_id)
        alarm = alarm_of(found)
        if alarm is None or not alarm.number <= seen <= len(found.readings):
            raise UnusableInput("signal", "no signal waits to be cleared", "Load the page again.")
        references.add_clearance(act, reference_id, through=seen, reason=reason, by=person)
        act.tell(f"reference {found.reference.name}", through=str(seen), reason=reason)


def reference_charts(workplace: Workplace) -> tuple[ReferenceChart, ...]:
    """Return all references in order of name."""
    with reading(workplace) as session:
        return tuple(_charted(one) for one in references.watched(session))


def reference_chart(workplace: Workplace, reference_id: int) -> ReferenceChart:
    """Return one reference.

    Raises
    ------
    NotFound
        There is none.
    """
    with reading(workplace) as session:
        return _charted(_existing(session, reference_id))


def open_alarms(session: Session) -> tuple[Alarm, ...]:
    """Return the signals that nobody explained yet."""
    return tuple(alarm for one in references.watched(session) if (alarm := alarm_of(one)) is not None)


def _charted(watched: WatchedReference) -> ReferenceChart:
    return ReferenceChart(watched=watched, points=chart(watched), alarm=alarm_of(watched))


def _existing(session: Session, reference_id: int) -> WatchedReference:
    found = references.watched(session, reference_id)
    if not found:
        raise NotFound(f"reference {reference_id}", "there is no such reference", "Choose one from the list.")
    return found[0]


def _prove_quiet(found: WatchedReference) -> None:
    alarm = alarm_of(found)
    if alarm is not None:
        raise NotAllowed(
            found.reference.name, f"reading {alarm.number} signals and is not cleared", "Clear the signal first."
        )


def _measured(workplace: Workplace, reference: Reference, files: Sequence[Evidence]) -> Measured:
    paths: dict[Path, str] = {workplace.evidence.path(file.sha256): file.name for file in files}
    return measure.measure(reference.check, {_ROLE: list(paths)}, dict(reference.options), names=paths)


def _watched_result(reference: Reference, measured: Measured) -> Quantity:
    found = [
        result
        for result in measured.results
        if result.quantity_name == reference.quantity_name
        and all(result.condition.get(name) == value for name, value in reference.condition.items())
    ]
    if len(found) != 1:
        told = "holds no" if not found else f"holds {len(found)} results of"
        raise NothingToMeasure(
            "capture",
            f"it {told} {reference.quantity_name.replace('_', ' ')} as the reference watches it",
            "Capture the reference as before, or name its condition closer in a new reference.",
        )
    return found[0].quantity


def _typed(reference: Reference, given: TypedReading) -> Quantity:
    if not given.value.strip():
        raise UnusableInput("value", "there are neither captures nor a number", "Choose the captures, or type it.")
    doubt = parse_number(given.standard_uncertainty, reference.unit) if given.standard_uncertainty.strip() else 0.0
    if doubt < 0:
        raise UnusableInput("standard uncertainty", "it is below zero", "Give zero or more.")
    return Quantity(value=parse_number(given.value, reference.unit), unit=reference.unit, standard_uncertainty=doubt)


def _pairs(where: str, text: str) -> Mapping[str, str]:
    pairs: dict[str, str] = {}
    for line in text.splitlines():
        if not line.strip():
            continue
        name, equals, value = (part.strip() for part in line.partition("="))
        if not (name and equals and value):
            raise UnusableInput(where, f"'{line.strip()[:40]}' is no pair", "Write one a line, like axis = vertical.")
        pairs[name] = clean_line(where, value)
    return pairs


def _value(text: str) -> ConditionValue:
    with contextlib.suppress(UnusableInput):
        number = parse_number(text, "1")
        return int(number) if number.is_integer() else number
    return text
