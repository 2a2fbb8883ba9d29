"""Accepted devices whose verdict is so old that they are to be inspected again."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from sqlalchemy import ColumnElement, and_, func, or_, select
from sqlalchemy.orm import Session, aliased

from inspect_app.model import Device, Outcome
from inspect_app.storage.convert import device_of
from inspect_app.storage.tables import DeviceRow, DeviceVerdictRow

_later: Final = aliased(DeviceVerdictRow)


@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatRule:
    """The devices of one class under one contract are due whose verdict was signed before a moment."""

    contract_number: str
    device_class: str
    signed_before: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class OldVerdict:
    """A device whose newest verdict is an acceptance that has grown old."""

    device: Device
    contract_number: str
    inspection_id: int
    signed_at: datetime


def old_verdicts(session: Session, rules: Sequence[RepeatRule], *, start: int, count: int) -> tuple[OldVerdict, ...]:
    """Return devices that are due by one of the rules from a place on, the oldest verdict first."""
    statement = (
        select(DeviceVerdictRow, DeviceRow)
        .join(DeviceRow, DeviceRow.id == DeviceVerdictRow.device_id)
        .where(_is_due(rules))
        .order_by(DeviceVerdictRow.signed_at, DeviceVerdictRow.signature_id)
    )
    return tuple(
        OldVerdict(
            device=device_of(device, verdict.device_class),
            contract_number=verdict.contract_number,
            inspection_id=verdict.inspection_id,
            signed_at=verdict.signed_at,
        )
        for verdict, device in session.execute(statement.offset(start).limit(count))
    )


def count_old_verdicts(session: Session, rules: Sequence[RepeatRule]) -> int:
    """Return how many devices are due by one of the rules."""
    return session.scalar(select(func.count(DeviceVerdictRow.signature_id)).where(_is_due(rules))) or 0


def _is_due(rules: Sequence[RepeatRule]) -> ColumnElement[bool]:
    is_newest = ~(
        select(_later.signature_id)
        .where(_later.device_id == DeviceVerdictRow.device_id, _later.signature_id > DeviceVerdictRow.signature_id)
        .exists()
    )
    by_rule = (
        and_(
            DeviceVerdictRow.contract_number == rule.contract_number,
            DeviceVerdictRow.device_class == rule.device_class,
            DeviceVerdictRow.signed_at < rule.signed_before,
        )
        for rule in rules
    )
    return and_(DeviceVerdictRow.outcome == Outcome.ACCEPTED, or_(*by_rule), is_newest)
