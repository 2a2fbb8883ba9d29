"""Repeat checks: which accepted devices are to be inspected again soon, by what their contracts say today."""

import calendar
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Final

from inspect_app.model import Device
from inspect_app.storage import Session, repeats, sources
from inspect_app.storage.repeats import OldVerdict, RepeatRule
from inspect_app.workflow.arriving.contracts import contract_from
from inspect_app.workflow.workplace import Workplace, reading

DUE_WITHIN: Final = timedelta(days=30)
REPEATS_ON_A_PAGE: Final = 50
_YEAR_MONTHS: Final = 12
_Months = Mapping[tuple[str, str], int]


@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatDue:
    """A device to be inspected again, and by when."""

    device: Device
    contract_number: str
    inspection_id: int
    accepted_at: datetime
    due: date


@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatPage:
    """One page of the devices to be inspected again, the one due first first."""

    repeats: tuple[RepeatDue, ...]
    total: int
    page: int
    pages: int


def repeat_page(workplace: Workplace, page: int = 1) -> RepeatPage:
    """Return one page of the devices that are due within 30 days or past it; a page beyond the last is the last."""
    with reading(workplace) as session:
        return repeats_due(session, workplace.clock().date(), page)


def repeats_due(session: Session, today: date, page: int = 1, *, on_a_page: int = REPEATS_ON_A_PAGE) -> RepeatPage:
    """Return the same as `repeat_page`, within a transaction."""
    months = _months(session)
    if not months:
        return RepeatPage(repeats=(), total=0, page=1, pages=1)
    rules = [_rule(contract, device_class, today, count) for (contract, device_class), count in months.items()]
    total = repeats.count_old_verdicts(session, rules)
    pages = max(1, -(-total // on_a_page))
    page = min(max(1, page), pages)
    found = repeats.old_verdicts(session, rules, start=(page - 1) * on_a_page, count=on_a_page)
    return RepeatPage(repeats=tuple(_due(one, months) for one in found), total=total, page=page, pages=pages)


def months_later(day: date, months: int) -> date:
    """Return the same day of a later month (or earlier, by a minus), or that month's last one.

    Examples
    --------
    >>> months_later(date(2026, 8, 31), 6), months_later(date(2026, 3, 1), -24)
    (datetime.date(2027, 2, 28), datetime.date(2024, 3, 1))
    """
    years, month = divmod(day.month - 1 + months, _YEAR_MONTHS)
    last = calendar.monthrange(day.year + years, month + 1)[1]
    return date(day.year + years, month + 1, min(day.day, last))


def _months(session: Session) -> _Months:
    contracts = [contract_from(source) for source in sources.newest_contracts(session)]
    return {
        (one.number, device_class): months
        for one in contracts
        for device_class, months in one.repeat_after_months.items()
    }


def _rule(contract_number: str, device_class: str, today: date, months: int) -> RepeatRule:
    first_not_due = months_later(today + DUE_WITHIN, -months) + timedelta(days=1)
    return RepeatRule(
        contract_number=contract_number,
        device_class=device_class,
        signed_before=datetime.combine(first_not_due, time(), UTC),
    )


def _due(found: OldVerdict, months: _Months) -> RepeatDue:
    return RepeatDue(
        device=found.device,
        contract_number=found.contract_number,
        inspection_id=found.inspection_id,
        accepted_at=found.signed_at,
        due=months_later(found.signed_at.date(), months[found.contract_number, found.device.device_class]),
    )
