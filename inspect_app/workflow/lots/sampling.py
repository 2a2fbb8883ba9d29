"""Sampled lots: the plans that hold, the recorded draw, the devices to fetch, and how the lot stands."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import Final

from inspect_app.errors import NotAllowed, NotFound, UnusableInput
from inspect_app.judge.lot_acceptance import class_outcome, lot_outcome, sample_count
from inspect_app.judge.sample_draw import draw_order, sample_of
from inspect_app.judge.sampling import plan_for
from inspect_app.model import (
    Device,
    FollowUp,
    Judgement,
    Lot,
    LotVerdict,
    Outcome,
    Person,
    Resubmission,
    SampleDraw,
    Severity,
    SeverityPlan,
    Stringency,
)
from inspect_app.storage import Session, arrivals, sources
from inspect_app.storage import sampling as kept
from inspect_app.workflow.arriving.contracts import contract_from
from inspect_app.workflow.lots.progress import DeviceState, LotDevice, devices_in
from inspect_app.workflow.lots.switching import switching_state
from inspect_app.workflow.typed_text import clean_reason, normalise_serial
from inspect_app.workflow.workplace import Workplace, acting, reading

_RESUBMITTED: Final = "A lot that comes again is looked at on tightened inspection."


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassStanding:
    """How a lot stands in one class of nonconformity; `reason` says why it is looked at so strictly."""

    plan: SeverityPlan
    reason: str
    devices: int
    decided: int
    count: int
    outcome: Outcome


@dataclass(frozen=True, slots=True, kw_only=True)
class SampledDevice:
    """One device of a sample; an added one counts for no class, `change` says why it is there."""

    device: LotDevice
    counts_for: tuple[Severity, ...]
    change: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LotSampling:
    """A lot that is sampled: its plans, its draw if there is one, and what was found so far.

    `stopped` says why no sample may be drawn; empty where it may.
    """

    lot: Lot
    lot_size: int
    classes: tuple[ClassStanding, ...]
    draw: SampleDraw | None
    devices: tuple[SampledDevice, ...]
    outcome: Outcome
    verdict: LotVerdict | None
    resubmission: Resubmission | None
    resubmitted_as: Resubmission | None
    stopped: str = ""

    @property
    def is_screened(self) -> bool:
        """Whether the verdict sends every device of the lot to the bench."""
        return self.verdict is not None and self.verdict.follow_up is FollowUp.SCREEN


def lot_sampling(workplace: Workplace, lot_id: int) -> LotSampling | None:
    """Return how a sampled lot stands, or None where every device is looked at for itself.

    Raises
    ------
    NotFound
        There is no such lot.
    """
    with reading(workplace) as session:
        return sampling_of(session, lot_id)


def sampling_of(session: Session, lot_id: int) -> LotSampling | None:
    """Return the same as `lot_sampling`, within a transaction."""
    lot = arrivals.lots_by_key(session, (lot_id,)).get(lot_id)
    if lot is None:
        raise NotFound(f"lot {lot_id}", "there is no such lot", "Choose one from the list.")
    draw = kept.draw_of(session, lot_id)
    if draw is not None:
        return _drawn(session, lot, devices_in(session, lot_id), draw)
    if arrivals.has_begun(session, lot_id):
        return None  # begun before its contract had plans: every device stands for itself
    return _planned(session, lot, arrivals.count_arrived(session, lot_id))


def _planned(session: Session, lot: Lot, lot_size: int) -> LotSampling | None:
    contract = contract_from(sources.contract_of_lot(session, lot.id))
    demands = contract.lot_plans.get(lot.device_class, {})
    resubmission = kept.resubmission_of(session, lot.id)
    classes: list[ClassStanding] = []
    stopped = ""
    for severity in (one for one in Severity if one in demands):
        demand = demands[severity]
        state = switching_state(session, lot.shipment.supplier, lot.device_class, severity, demand)
        stringency, reason = state.stringency, state.reason
        stopped = state.reason if state.is_discontinued else stopped
        if resubmission is not None and demand.switches_by is not None:
            stringency, reason = Stringency.TIGHTENED, _RESUBMITTED
        plan = plan_for(demand, lot_size, stringency)
        pinned = SeverityPlan(severity=severity, demand=demand, stringency=stringency, plan=plan)
        classes.append(_standing(pinned, lot_size, {}, (), reason if demand.switches_by else ""))
    if not classes:
        return None
    return LotSampling(
        lot=lot,
        lot_size=lot_size,
        classes=tuple(classes),
        draw=None,
        devices=(),
        outcome=Outcome.HELD,
        verdict=None,
        resubmission=resubmission,
        resubmitted_as=None,
        stopped=stopped,
    )


def _drawn(session: Session, lot: Lot, devices: Sequence[LotDevice], draw: SampleDraw) -> LotSampling:
    sample = _sample(draw, devices)
    judged = kept.first_judgements(session, lot.id, sample)
    classes = tuple(_standing(one, draw.lot_size, judged, sample, "") for one in draw.plans)
    return LotSampling(
        lot=lot,
        lot_size=draw.lot_size,
        classes=classes,
        draw=draw,
        devices=_sampled(draw, devices, sample),
        outcome=lot_outcome(one.outcome for one in classes),
        verdict=kept.verdict_on(session, lot.id),
        resubmission=kept.resubmission_of(session, lot.id),
        resubmitted_as=kept.resubmitted_as(session, lot.id),
    )


def _sample(draw: SampleDraw, devices: Sequence[LotDevice]) -> tuple[int, ...]:
    keys = {one.device.serial: one.device.id for one in devices}
    order = [keys[serial] for serial in draw_order(draw.seed, keys)]
    return sample_of(order, draw.size, draw.changes)


def _standing(
    plan: SeverityPlan, lot_size: int, judged: Mapping[int, tuple[Judgement, ...]], sample: Sequence[int], reason: str
) -> ClassStanding:
    size = plan.plan.devices_of(lot_size)
    decided = [judged[device_id] for device_id in sample[:size] if device_id in judged]
    count = sample_count(plan.plan, decided, plan.severity)
    return ClassStanding(
        plan=plan,
        reason=reason,
        devices=size,
        decided=len(decided),
        count=count,
        outcome=class_outcome(plan.plan, lot_size=lot_size, decided=len(decided), count=count),
    )


def _sampled(draw: SampleDraw, devices: Sequence[LotDevice], sample: Sequence[int]) -> tuple[SampledDevice, ...]:
    by_key = {one.device.id: one for one in devices}
    changes = {change.device_id: change for change in draw.changes}
    found = []
    for place, device_id in enumerate(sample):
        change = changes.get(device_id)
        replaced = by_key.get(change.replaced_device_id) if change and change.replaced_device_id else None
        told = "" if change is None else f"added: {change.reason}"
        if change is not None and replaced is not None:
            told = f"in place of {replaced.device.serial}: {change.reason}"
        found.append(
            SampledDevice(
                device=by_key[device_id],
                counts_for=tuple(one.severity for one in draw.plans if place < one.plan.devices_of(draw.lot_size)),
                change=told,
            )
        )
    return tuple(found)


def next_device(workplace: Workplace, lot_id: int, *, is_shuffled: bool = False) -> LotDevice | None:
    """Return the device to fetch next: the first untouched one, else the first open one, else None.

    Of a sampled lot these are the devices of the sample in the order drawn; once the lot is screened, all of them.
    Shuffled, they come in an order that neither supplier nor reader can foresee from the serials; it stays the same for
    all who work on the lot.

    Raises
    ------
    NotAllowed
        The sample of the lot was not drawn yet.
    """
    with reading(workplace) as session:
        sampling = sampling_of(session, lot_id)
        devices: Sequence[LotDevice] = devices_in(session, lot_id)
    if sampling is not None and not sampling.is_screened:
        if sampling.draw is None:
            raise _not_drawn(sampling.lot.number)
        devices = [one.device for one in sampling.devices]
    if is_shuffled:
        devices = sorted(devices, key=lambda one: sha256(f"{lot_id} {one.device.id}".encode()).digest())
    for state in (DeviceState.UNTOUCHED, DeviceState.OPEN):
        for device in devices:
            if device.state is state:
                return device
    return None


def _not_drawn(where: str) -> NotAllowed:
    return NotAllowed(where, "the sample of this lot was not drawn yet", "Draw it on the page of the lot.")


def prove_drawn(session: Session, lot_id: int, device: Device) -> None:
    """See that a device may be inspected: it is in the sample, or its lot is not sampled or is screened.

    Raises
    ------
    NotAllowed
        The sample was not drawn, or the device is not in it.
    """
    sampling = sampling_of(session, lot_id)
    if sampling is None or sampling.is_screened:
        return
    if sampling.draw is None:
        raise _not_drawn(device.serial)
    if device.id not in {one.device.device.id for one in sampling.devices}:
        raise NotAllowed(
            device.serial,
            f"it is not in the sample of lot {sampling.lot.number}",
            "Fetch the next device of the sample.",
        )


def draw_sample(workplace: Workplace, person: Person, lot_id: int) -> None:
    """Draw the sample of a lot from a new random seed, which goes into the audit chain; drawing twice draws once.

    Raises
    ------
    NotAllowed
        The lot is not sampled, no lot of this supplier is taken now, or the person may not inspect.
    """
    with acting(workplace, person, "inspect", "sample drawn") as act:
        sampling = _sampled_lot(act.session, lot_id)
        if sampling.draw is not None:
            return
        if sampling.stopped:
            raise NotAllowed(sampling.lot.number, sampling.stopped, "An approver has to rule that inspection resumes.")
        seed = workplace.draw_seed()
        kept.add_draw(
            act,
            lot_id,
            contract_id=sources.contract_of_lot(act.session, lot_id).id,
            seed=seed,
            lot_size=sampling.lot_size,
            plans=tuple(one.plan for one in sampling.classes),
            by=person,
        )
        size = max(one.devices for one in sampling.classes)
        act.tell(f"lot {sampling.lot.number}", seed=seed, devices=str(sampling.lot_size), sample=str(size))


def _sampled_lot(session: Session, lot_id: int) -> LotSampling:
    sampling = sampling_of(session, lot_id)
    if sampling is None:
        raise NotAllowed(f"lot {lot_id}", "every device of it is looked at", "Take the next device.")
    return sampling


def change_sample(
    workplace: Workplace, person: Person, lot_id: int, serial: str, replaced_serial: str, reason: str
) -> None:
    """Add a device to a sample, or take it in place of one that is not begun yet.

    Raises
    ------
    UnusableInput
        No reason is given, or a serial is not where it must be.
    NotAllowed
        Nothing was drawn, the lot is decided, the device to be replaced was begun, or the person may not inspect.
    """
    reason = clean_reason(reason, "Say why the sample is changed.")
    added = normalise_serial(serial)
    replaced = normalise_serial(replaced_serial) if replaced_serial.strip() else ""
    with acting(workplace, person, "inspect", "sample changed") as act:
        sampling = _sampled_lot(act.session, lot_id)
        if sampling.draw is None:
            raise _not_drawn(sampling.lot.number)
        if sampling.verdict is not None:
            raise NotAllowed(sampling.lot.number, "its verdict is given", "A decided sample stays as it is.")
        sample = {one.device.device.serial: one.device for one in sampling.devices}
        kept.add_change(
            act,
            sampling.draw.id,
            device_id=_to_be_added(act.session, lot_id, added, sample),
            replaced_device_id=_to_be_replaced(replaced, sample),
            reason=reason,
            by=person,
        )
        act.tell(f"lot {sampling.lot.number}", added=added, replaced=replaced or "none", reason=reason)


def _to_be_added(session: Session, lot_id: int, serial: str, sample: Mapping[str, LotDevice]) -> int:
    if serial in sample:
        raise UnusableInput("added serial", f"{serial} is in the sample already", "Scan another one.")
    for one in devices_in(session, lot_id):
        if one.device.serial == serial:
            return one.device.id
    raise UnusableInput("added serial", f"{serial} is not in this lot", "Scan a device of this lot.")


def _to_be_replaced(serial: str, sample: Mapping[str, LotDevice]) -> int | None:
    if not serial:
        return None
    found = sample.get(serial)
    if found is None:
        raise UnusableInput("replaced serial", f"{serial} is not in the sample", "Scan the device that is left out.")
    if found.state is not DeviceState.UNTOUCHED:
        raise NotAllowed(serial, "its inspection was begun", "What was begun stays in the sample.")
    return found.device.id
