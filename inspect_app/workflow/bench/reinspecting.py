"""Inspecting a repaired device again: only what failed, and what the repair could have upset, is asked anew."""

from inspect_app.errors import NotAllowed
from inspect_app.model import Disposition, EntryState, Inspection, Nonconformity, Outcome, Person
from inspect_app.model.characteristic import CARRIED_OVER
from inspect_app.storage import Act, entries, inspections, sources
from inspect_app.storage import nonconformities as kept
from inspect_app.storage.entries import NewEntry
from inspect_app.workflow.arriving.contracts import found_contract
from inspect_app.workflow.bench.inspecting import existing, form_of
from inspect_app.workflow.workplace import Workplace, acting


def inspect_again(workplace: Workplace, person: Person, inspection_id: int) -> Inspection:
    """Open a new inspection of a repaired device under the same form and contract.

    Steps of the checks that failed, and of those that the approver named for the repair, are asked anew; the entries of
    all others are carried over, with that as their reason.

    Raises
    ------
    NotAllowed
        The device was not rejected, was inspected since, or not all its nonconformities are to be repaired, or the
        person may not inspect.
    """
    with acting(workplace, person, "inspect", "inspected again after repair") as act:
        found = existing(act.session, inspection_id)
        newest = inspections.newest_id(act.session, found.lot.id, found.device.id)
        if newest != inspection_id:
            again = existing(act.session, newest or inspection_id)
            if again.signature is None:
                return again
            raise NotAllowed(found.device.serial, "it was inspected again already", "Look at its newest inspection.")
        repeated = _checks_to_repeat(found, kept.nonconformities(act.session, inspection_id=inspection_id))
        form = form_of(workplace, found)
        key = _open(act, found, person)
        carried = 0
        for step in form.steps:
            if step.check not in repeated and _carry_over(act, found, step.id, key, person):
                carried += 1
        act.tell(
            f"inspection {key}",
            serial=found.device.serial,
            after=f"inspection {inspection_id}",
            repeated=", ".join(sorted(repeated)),
            carried_over=str(carried),
        )
        return existing(act.session, key)


def _checks_to_repeat(found: Inspection, nonconformities: tuple[Nonconformity, ...]) -> frozenset[str]:
    if found.signature is None or found.signature.outcome is not Outcome.REJECTED or not nonconformities:
        raise NotAllowed(found.device.serial, "it was not rejected", "Go on with its inspection.")
    repeated: set[str] = set()
    for one in nonconformities:
        if one.disposed is None or one.disposed.disposition is not Disposition.REPAIR:
            raise NotAllowed(one.number, "it is not disposed as repair", "An approver decides what happens with it.")
        repeated |= {one.check, *one.disposed.repeats}
    return frozenset(repeated)


def _open(act: Act, found: Inspection, person: Person) -> int:
    form = sources.form_by_digest(act.session, found.form_digest)
    contract = sources.contract_by_digest(act.session, found.contract_digest)
    number = found.lot.shipment.contract_number
    return inspections.add(
        act,
        lot_id=found.lot.id,
        device_id=found.device.id,
        form_id=found_contract(form, number).id,
        contract_id=found_contract(contract, number).id,
        opened_by=person,
    )


def _carry_over(act: Act, found: Inspection, step_id: str, key: int, person: Person) -> bool:
    entry = found.entries.get(step_id)
    if entry is None or entry.state is EntryState.DRAFT:
        return False
    when = f"{entry.recorded_at:%Y-%m-%d}"
    entries.add_entry(
        act,
        key,
        NewEntry(
            step_id=step_id,
            revision=1,
            state=entry.state,
            answers=entry.answers,
            conditions=entry.conditions,
            instrument_ids=tuple(one.id for one in entry.instruments),
            evidence=entry.evidence,
            problem=entry.problem,
            reason=f"{CARRIED_OVER} {found.id}, recorded {when} by {entry.recorded_by.name}",
            measured=entry.measured,
            program_version=entries.program_version_of(act.session, entry.id) or "",
        ),
        person,
    )
    return True
