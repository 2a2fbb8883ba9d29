"""Answers that gave results: the newest entry of each step with the result that counts, whether signed or not."""

import json
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any, Final, NamedTuple

from sqlalchemy import select
from sqlalchemy.orm import Session

from inspect_app.definitions import read_form_text
from inspect_app.model import Condition, EntryState, Measured, Result
from inspect_app.model.characteristic import CARRIED_OVER, lasting_condition
from inspect_app.model.transcript import from_json_values
from inspect_app.storage.audit import canonical_json
from inspect_app.storage.tables import CharacteristicRow, CorrectionRow, EntryInstrumentRow, EntryRow, MeasurementRow

_BULKY: Final = ("files", "traces", "features", "outlines", "warnings")


class CharacteristicKey(NamedTuple):
    """What makes a characteristic this one, as its row keeps it."""

    device_class: str
    check_name: str
    quantity_name: str
    condition: str
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """An entry with the result that counts, and where, when and with what it was recorded."""

    entry_id: int
    step_id: str
    recorded_at: datetime
    instrument_ids: tuple[int, ...]
    measured: Measured


@dataclass(frozen=True, slots=True, kw_only=True)
class AnswersGiven:
    """Every entry of some inspections, oldest first in each step, with its measurement and corrections."""

    entries: Mapping[int, Sequence[tuple[EntryRow, str | None]]]
    corrections: Mapping[int, Sequence[tuple[int, str]]]
    instruments: Mapping[int, Sequence[int]]

    def answers_of(self, inspection_id: int, *, before: int | None = None) -> list[Answer]:
        """Return those of an inspection that count and gave results of their own, as they stood before an event."""
        written = [pair for pair in self.entries[inspection_id] if before is None or pair[0].event_id < before]
        found = []
        for row, transcript in {row.step_id: (row, text) for row, text in written}.values():
            texts = [text for event_id, text in self.corrections[row.id] if before is None or event_id < before]
            if _counts(row) and transcript is not None:
                found.append(
                    Answer(
                        entry_id=row.id,
                        step_id=row.step_id,
                        recorded_at=row.recorded_at,
                        instrument_ids=tuple(self.instruments[row.id]),
                        measured=_results_of(texts[-1] if texts else transcript),
                    )
                )
        return found


def answers_given(session: Session, inspection_ids: Collection[int]) -> AnswersGiven:
    """Return what was answered in some inspections."""
    entries = _entries(session, inspection_ids)
    keys = [row.id for rows in entries.values() for row, _ in rows]
    return AnswersGiven(
        entries=entries, corrections=_corrections(session, keys), instruments=_instruments(session, keys)
    )


def characteristic_key(device_class: str, answer: Answer, result: Result, of_step: Condition) -> CharacteristicKey:
    """Return of which characteristic a result is."""
    return CharacteristicKey(
        device_class=device_class,
        check_name=answer.measured.check,
        quantity_name=result.quantity_name,
        condition=canonical_json(lasting_condition(of_step, result.condition)),
        unit=result.quantity.unit,
    )


def keys_of_characteristics(session: Session) -> dict[CharacteristicKey, int]:
    """Return the keys of the rows of all characteristics that were ever signed."""
    return {
        CharacteristicKey(row.device_class, row.check_name, row.quantity_name, row.condition, row.unit): row.id
        for row in session.scalars(select(CharacteristicRow))
    }


def _counts(row: EntryRow) -> bool:
    is_carried_over = row.revision == 1 and (row.reason or "").startswith(CARRIED_OVER)
    return row.state is EntryState.RECORDED and row.problem is None and not is_carried_over


def _entries(session: Session, inspection_ids: Collection[int]) -> Mapping[int, list[tuple[EntryRow, str | None]]]:
    statement = (
        select(EntryRow, MeasurementRow.transcript)
        .outerjoin(MeasurementRow, MeasurementRow.entry_id == EntryRow.id)
        .where(EntryRow.inspection_id.in_(inspection_ids))
        .order_by(EntryRow.inspection_id, EntryRow.step_id, EntryRow.revision)
    )
    found: dict[int, list[tuple[EntryRow, str | None]]] = defaultdict(list)
    for row, transcript in session.execute(statement):
        found[row.inspection_id].append((row, transcript))
    return found


def _corrections(session: Session, entry_ids: Collection[int]) -> Mapping[int, list[tuple[int, str]]]:
    statement = (
        select(CorrectionRow.entry_id, CorrectionRow.event_id, CorrectionRow.transcript)
        .where(CorrectionRow.entry_id.in_(entry_ids))
        .order_by(CorrectionRow.ordinal)
    )
    found: dict[int, list[tuple[int, str]]] = defaultdict(list)
    for entry_id, event_id, transcript in session.execute(statement):
        found[entry_id].append((event_id, transcript))
    return found


def _results_of(transcript: str) -> Measured:
    """Return a measurement without its curves and pictures, which are most of it and are not asked for."""
    return from_json_values({**json.loads(transcript), **dict.fromkeys(_BULKY, ())})


def _instruments(session: Session, entry_ids: Collection[int]) -> Mapping[int, list[int]]:
    statement = (
        select(EntryInstrumentRow.entry_id, EntryInstrumentRow.instrument_id)
        .where(EntryInstrumentRow.entry_id.in_(entry_ids))
        .order_by(EntryInstrumentRow.entry_id, EntryInstrumentRow.position)
    )
    found: dict[int, list[int]] = defaultdict(list)
    for entry_id, instrument_id in session.execute(statement):
        found[entry_id].append(instrument_id)
    return found


@lru_cache(maxsize=64)
def conditions_of(form: str) -> Mapping[str, Mapping[str, Any]]:
    """Return the nominal condition of each step of a form, by its id."""
    return {step.id: step.condition for step in read_form_text(form, "a form of the record").steps}
