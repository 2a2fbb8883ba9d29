"""Switching: how a supplier's next lot is looked at, replayed from the record, and rulings of the authority."""

from dataclasses import dataclass

from inspect_app.errors import NotFound
from inspect_app.judge import switching
from inspect_app.model import (
    LotPlan,
    LotSeen,
    Outcome,
    Person,
    Ruling,
    RulingKind,
    Severity,
    SwitchingState,
)
from inspect_app.storage import Session, sources
from inspect_app.storage import sampling as kept
from inspect_app.storage.sampling import DecidedLot
from inspect_app.workflow.arriving.contracts import contract_from
from inspect_app.workflow.typed_text import clean_reason
from inspect_app.workflow.workplace import Workplace, acting, reading


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchingStep:
    """One event of a history, and the state that it led to."""

    event: LotSeen | Ruling
    state: SwitchingState


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchingRecord:
    """The switching of one supplier, device class and class of nonconformity: the state, and how it came about."""

    supplier: str
    device_class: str
    severity: Severity
    demand: LotPlan
    state: SwitchingState
    steps: tuple[SwitchingStep, ...]


def switching_state(
    session: Session, supplier: str, device_class: str, severity: Severity, demand: LotPlan
) -> SwitchingState:
    """Return how the next lot is looked at; always normal for plans that do not switch."""
    steps = _steps(session, supplier, device_class, severity, demand)
    return steps[-1].state if steps else switching.BEGIN


def _steps(
    session: Session, supplier: str, device_class: str, severity: Severity, demand: LotPlan
) -> tuple[SwitchingStep, ...]:
    edition = demand.switches_by
    if edition is None:
        return ()
    steps: list[SwitchingStep] = []
    state = switching.BEGIN
    for event in kept.history(session, supplier, device_class):
        seen = _seen(event, severity, demand)
        if seen is not None:
            state = switching.after(state, seen, edition)
            steps.append(SwitchingStep(event=seen, state=state))
    return tuple(steps)


def _seen(event: DecidedLot | tuple[Severity, Ruling], severity: Severity, demand: LotPlan) -> LotSeen | Ruling | None:
    """Return what an event says of one class of nonconformity; a lot rejected for another class may say nothing."""
    if not isinstance(event, DecidedLot):
        return event[1] if event[0] is severity else None
    plan = next((one for one in event.plans if one.severity is severity), None)
    count = next((one for one in event.verdict.counts if one.severity is severity), None)
    if plan is None or count is None or count.outcome is Outcome.HELD:
        return None
    if plan.demand.switches_by is not demand.switches_by:
        return None
    return LotSeen(
        lot=event.lot.number,
        plan=plan.plan,
        aql=plan.demand.aql,
        stringency=plan.stringency,
        devices=count.devices,
        count=count.count,
    )


def switching_records(workplace: Workplace, supplier: str | None = None) -> tuple[SwitchingRecord, ...]:
    """Return the switching of one supplier, or of all, as the newest contracts demand it."""
    with reading(workplace) as session:
        return records_of_switching(session, supplier)


def records_of_switching(session: Session, supplier: str | None = None) -> tuple[SwitchingRecord, ...]:
    """Return the same within a transaction."""
    contracts = [contract_from(source) for source in sources.newest_contracts(session)]
    found = {
        (contract.supplier, device_class, severity): demand
        for contract in contracts
        if supplier in (None, contract.supplier)
        for device_class, plans in contract.lot_plans.items()
        for severity, demand in plans.items()
        if demand.switches_by is not None
    }
    return tuple(_record(session, *key, demand) for key, demand in sorted(found.items(), key=lambda item: item[0]))


def _record(session: Session, supplier: str, device_class: str, severity: Severity, demand: LotPlan) -> SwitchingRecord:
    steps = _steps(session, supplier, device_class, severity, demand)
    return SwitchingRecord(
        supplier=supplier,
        device_class=device_class,
        severity=severity,
        demand=demand,
        state=steps[-1].state if steps else switching.BEGIN,
        steps=steps,
    )


def rule_switching(
    workplace: Workplace,
    person: Person,
    supplier: str,
    device_class: str,
    severity: Severity,
    kind: RulingKind,
    reason: str,
) -> None:
    """Record a ruling of the responsible authority.

    Raises
    ------
    NotFound
        No contract has a plan that switches for this supplier and these classes.
    UnusableInput
        No reason is given.
    NotAllowed
        The person is no approver.
    """
    reason = clean_reason(reason, "Say why.")
    known = {(one.supplier, one.device_class, one.severity) for one in switching_records(workplace, supplier)}
    if (supplier, device_class, severity) not in known:
        raise NotFound(
            supplier, f"no lots of '{device_class}' are sampled for {severity.value}", "Choose from the list."
        )
    with acting(workplace, person, "approve", "switching ruled") as act:
        kept.add_ruling(
            act, supplier=supplier, device_class=device_class, severity=severity, kind=kind, reason=reason, by=person
        )
        act.tell(supplier, device_class=device_class, severity=severity.value, ruling=kind.value, reason=reason)
