"""One device of the demo fleet through its form: simulated captures, then the same steps as a person takes."""

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from io import BytesIO
from pathlib import Path
from typing import Final

from demo_fleet.simulator import DeviceTruth, Performed, label_photo, perform
from inspect_app import workflow
from inspect_app.definitions import Step, Window
from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.model import EntryState, Evidence, Inspection, Instrument, Person

_HABIT: Final = 0.25  # how far readings of a condition stray from the middle of its window, of its half width


@dataclass(frozen=True, slots=True, kw_only=True)
class Mishap:
    """Something that goes wrong at the bench itself, not in the device.

    Parameters
    ----------
    step : str
        Start of the identifiers of the steps concerned.
    overdue_instrument : str
        Kind of instrument that is taken although it is past its calibration; empty for none.
    condition : tuple of str
        Name of a condition and the text read for it, outside its window; empty for none.
    reason : str
        What the inspector writes beside it.
    """

    step: str
    reason: str
    overdue_instrument: str = ""
    condition: tuple[str, str] | tuple[()] = field(default=())


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """Who inspects, with what, and where the captures are put."""

    workplace: workflow.Workplace
    inspector: Person
    readers: Sequence[Person]
    instruments: Sequence[Instrument]
    captures_folder: Path
    today: date


def inspect(bench: Bench, inspection: Inspection, truth: DeviceTruth, mishap: Mishap | None = None) -> None:
    """Take every step of a device's form that is not recorded yet."""
    chance = random.Random(f"{inspection.device.serial} {inspection.id}")  # noqa: S311 - readings, no secrets
    for step in workflow.form_of(bench.workplace, inspection).steps:
        entry = inspection.entries.get(step.id)
        if entry is None or entry.state is EntryState.DRAFT:
            hindered = mishap if mishap is not None and step.id.startswith(mishap.step) else None
            _take(bench, inspection, step, truth, chance, hindered)


def _take(
    bench: Bench, inspection: Inspection, step: Step, truth: DeviceTruth, chance: random.Random, mishap: Mishap | None
) -> None:
    items = next((question.items for question in step.questions if question.items), ())
    folder = bench.captures_folder / inspection.device.serial
    performed = perform(truth, step.check, step.condition, folder, items=items)
    answers = workflow.StepAnswers(
        answers=_asked(step, performed),
        conditions=_conditions(step, chance, mishap),
        instrument_ids=tuple(_instrument(bench, kind, mishap).id for kind in step.instruments),
        evidence=_evidence(bench, inspection, step, performed),
        state=EntryState.RECORDED,
        reason=mishap.reason if mishap is not None else None,
    )
    _read_apart(bench, inspection, step, performed)
    entry = inspection.entries.get(step.id)
    seen = entry.revision if entry is not None else 0
    try:
        workflow.record_step(bench.workplace, bench.inspector, inspection.id, step.id, answers, seen)
    except (NothingToMeasure, UnusableInput) as error:
        left = workflow.inspection(bench.workplace, inspection.id).entries[step.id]
        unable = replace(answers, state=EntryState.CANNOT_TELL, reason=str(error))
        workflow.record_step(bench.workplace, bench.inspector, inspection.id, step.id, unable, left.revision)


def _read_apart(bench: Bench, inspection: Inspection, step: Step, performed: Performed) -> None:
    """Let each reader read what several readers read."""
    if step.read_apart is not None:
        for reader, text in zip(bench.readers, performed.options[step.read_apart.name], strict=True):
            workflow.take_reading(bench.workplace, reader, inspection.id, step.id, text)


def _asked(step: Step, performed: Performed) -> Mapping[str, tuple[str, ...]]:
    """Return those of the bench's options that the form asks the inspector for."""
    asked = {question.name for question in step.questions if not question.readers}
    return {
        name: (given,) if isinstance(given, str) else tuple(given)
        for name, given in performed.options.items()
        if name in asked
    }


def _conditions(step: Step, chance: random.Random, mishap: Mishap | None) -> Mapping[str, str]:
    read: dict[str, str] = {}
    for window in step.windows:
        names = [f"{window.name}_before", f"{window.name}_after"] if window.before_and_after else [window.name]
        read |= {name: _reading(window, chance) for name in names}
    if mishap is not None and mishap.condition:
        name, text = mishap.condition
        read |= {key: text for key in read if key.startswith(name)}
    return read


def _reading(window: Window, chance: random.Random) -> str:
    middle, half = (window.low + window.high) / 2, (window.high - window.low) / 2
    return f"{middle + chance.uniform(-_HABIT, _HABIT) * half:.3g}"


def _instrument(bench: Bench, kind: str, mishap: Mishap | None) -> Instrument:
    wants_overdue = mishap is not None and mishap.overdue_instrument == kind
    for instrument in bench.instruments:
        is_overdue = instrument.calibration_on(bench.today) is None
        if instrument.kind == kind and is_overdue == wants_overdue:
            return instrument
    raise LookupError(f"the demo's bench has no {kind}")


def _evidence(bench: Bench, inspection: Inspection, step: Step, performed: Performed) -> tuple[Evidence, ...]:
    roles = {question.name for question in step.questions if question.kind == "captures"}
    kept = [
        replace(_keep(bench, path.name, path.read_bytes()), role=role)
        for role, paths in performed.files.items()
        if role in roles
        for path in paths
    ]
    if step.wants_photos:
        photo = label_photo(inspection.device.maker, inspection.device.serial)
        kept.append(replace(_keep(bench, f"label-{inspection.device.serial}.png", photo), role="photo"))
    return tuple(kept)


def _keep(bench: Bench, name: str, content: bytes) -> Evidence:
    return workflow.keep_file(bench.workplace, bench.inspector, name, BytesIO(content))
