"""Inspections: opened for a device of a lot, taken up again, judged."""

from collections.abc import Sequence
from dataclasses import dataclass

from inspect_app import judge
from inspect_app.definitions import Contract, Form, step_results
from inspect_app.errors import NotAllowed, NotFound
from inspect_app.judge.watching import Alarm, hold
from inspect_app.model import AboutInspection, Entry, Inspection, Judgement, Outcome, Person, Verdict
from inspect_app.storage import Act, Session, documents, entries, inspections, signatures, sources
from inspect_app.storage.sources import Source
from inspect_app.workflow.arriving.contracts import contract_from, form_from, found_contract
from inspect_app.workflow.control.references import open_alarms
from inspect_app.workflow.lots import sampling
from inspect_app.workflow.typed_text import clean_reason
from inspect_app.workflow.workplace import Workplace, acting, reading


@dataclass(frozen=True, slots=True, kw_only=True)
class Assessment:
    """The judgements on an inspection, and the verdict that follows."""

    judgements: tuple[Judgement, ...]
    verdict: Verdict


def open_inspection(workplace: Workplace, person: Person, lot_id: int, device_id: int) -> Inspection:
    """Open the inspection of a device of a lot, or go on with the one that is open.

    One that was signed as held is taken up again. Two people who open at once get the same inspection.

    Raises
    ------
    NotFound
        The device is not in the lot.
    NotAllowed
        It was accepted or rejected already, or the person may not inspect.
    """
    with acting(workplace, person, "inspect", "inspection opened") as act:
        newest = inspections.newest_id(act.session, lot_id, device_id)
        if newest is None:
            return _open(workplace, act, person, lot_id, device_id)
        found = existing(act.session, newest)
        if found.signature is None:
            return found
        if found.signature.outcome is not Outcome.HELD:
            raise NotAllowed(
                found.device.serial,
                f"its inspection was signed as {found.signature.outcome.value}",
                "After repair inspect it again from its nonconformity, or receive it again in a new shipment.",
            )
        return _take_up(act, person, found, "taken up again")


def _open(workplace: Workplace, act: Act, person: Person, lot_id: int, device_id: int) -> Inspection:
    device = inspections.device_in_lot(act.session, lot_id, device_id)
    if device is None:
        raise NotFound(f"device {device_id}", f"it did not arrive in lot {lot_id}", "Choose one from the lot.")
    form = workplace.forms.get(device.device_class)
    if form is None:
        raise NotFound(device.serial, f"no form is for '{device.device_class}'", "Add a form for this class.")
    sampling.prove_drawn(act.session, lot_id, device)
    contract = sources.contract_of_lot(act.session, lot_id)
    key = inspections.add(
        act,
        lot_id=lot_id,
        device_id=device_id,
        form_id=_kept_form(act, form).id,
        contract_id=contract.id,
        opened_by=person,
    )
    act.tell(f"inspection {key}", serial=device.serial, form=form.revision, contract=contract.revision)
    return existing(act.session, key)


def _kept_form(act: Act, form: Form) -> Source:
    kept = sources.form_by_digest(act.session, form.digest)
    if kept is not None:
        return kept
    if sources.form(act.session, form.device_class, form.revision) is not None:
        raise NotAllowed(
            f"form for '{form.device_class}'",
            f"its text was changed and is still called revision {form.revision}",
            "A form is revised, never edited: give it the next revision.",
        )
    return sources.add_form(
        act, device_class=form.device_class, revision=form.revision, digest=form.digest, text=form.source
    )


def reopen(workplace: Workplace, person: Person, inspection_id: int, reason: str) -> Inspection:
    """Take up an inspection again that was signed as held, or whose document was revoked.

    Its signature stays in the record and counts no more.

    Raises
    ------
    UnusableInput
        No reason is given.
    NotAllowed
        It is not signed as held, or the person may not inspect.
    """
    reason = clean_reason(reason, "Say why the inspection is taken up again.")
    with acting(workplace, person, "inspect", "inspection taken up again") as act:
        found = existing(act.session, inspection_id)
        if found.signature is None:
            return found
        if found.signature.outcome is not Outcome.HELD and not _is_revoked(act.session, found.id):
            raise NotAllowed(
                found.device.serial,
                f"its inspection was signed as {found.signature.outcome.value}",
                "Only a held one can be taken up again, or one whose document was revoked.",
            )
        return _take_up(act, person, found, reason)


def _is_revoked(session: Session, inspection_id: int) -> bool:
    """Say whether the newest document on the signature that counts was revoked."""
    signature_id = signatures.counting_signature_id(session, inspection_id)
    if signature_id is None:
        return False
    about = AboutInspection(inspection_id=inspection_id, signature_id=signature_id)
    newest = next(iter(documents.documents_about(session, about)), None)
    return newest is not None and newest.end is not None


def _take_up(act: Act, person: Person, found: Inspection, reason: str) -> Inspection:
    signatures.add_reopening(act, found.id, reopened_by=person, reason=reason)
    act.tell(f"inspection {found.id}", serial=found.device.serial, reason=reason)
    return existing(act.session, found.id)


def inspection(workplace: Workplace, inspection_id: int) -> Inspection:
    """Return an inspection with the newest entry of each step.

    Raises
    ------
    NotFound
        There is none.
    """
    with reading(workplace) as session:
        return existing(session, inspection_id)


def existing(session: Session, inspection_id: int) -> Inspection:
    """Return an inspection, or say that there is none."""
    found = inspections.inspections(session, (inspection_id,))
    if not found:
        raise NotFound(f"inspection {inspection_id}", "there is no such inspection", "Choose one from a lot.")
    return found[0]


def form_of(workplace: Workplace, inspection: Inspection) -> Form:
    """Return the form of an inspection as it stood when it was opened."""
    for form in workplace.forms.values():
        if form.digest == inspection.form_digest:
            return form
    with reading(workplace) as session:
        kept = sources.form_by_digest(session, inspection.form_digest)
    if kept is None:
        raise NotFound(f"form {inspection.form_digest[:12]}", "the record holds no such form", "Run verify.")
    return form_from(kept)


def contract_of(workplace: Workplace, inspection: Inspection) -> Contract:
    """Return the contract of an inspection as it stood when it was opened."""
    with reading(workplace) as session:
        kept = sources.contract_by_digest(session, inspection.contract_digest)
    return contract_from(found_contract(kept, inspection.lot.shipment.contract_number))


def entry_history(workplace: Workplace, inspection_id: int, step_id: str) -> tuple[Entry, ...]:
    """Return every revision of a step's entry, oldest first."""
    with reading(workplace) as session:
        return entries.entries_of_step(session, inspection_id, step_id)


def last_of_lot(workplace: Workplace, inspection: Inspection, step_id: str) -> Entry | None:
    """Return what was recorded last for a step of another device of the lot: the bench may still stand that way."""
    with reading(workplace) as session:
        return entries.last_of_lot(session, inspection.lot.id, step_id, inspection.id)


def judge_inspection(workplace: Workplace, inspection: Inspection) -> Assessment:
    """Return judgements and verdict: as frozen for a signed inspection, computed now for one under way."""
    if inspection.signature is not None:
        with reading(workplace) as session:
            frozen = signatures.frozen_assessments(session, (inspection.id,)).get(inspection.id)
        if frozen is not None:
            return Assessment(judgements=frozen[0], verdict=frozen[1])
    with reading(workplace) as session:
        alarms = open_alarms(session)
    return assess(form_of(workplace, inspection), contract_of(workplace, inspection), inspection, alarms)


def assess(form: Form, contract: Contract, inspection: Inspection, alarms: Sequence[Alarm] = ()) -> Assessment:
    """Judge the newest entries of an inspection against its contract; what a signal of the bench concerns is held."""
    device_class = inspection.device.device_class
    judgements = judge.judge_results(
        contract.limits.get(device_class, ()),
        contract.spot_allowances.get(device_class, ()),
        step_results(form, inspection.entries),
    )
    held = hold(judgements, alarms, {step: entry.recorded_at for step, entry in inspection.entries.items()})
    return Assessment(judgements=held, verdict=judge.device_verdict(held))
