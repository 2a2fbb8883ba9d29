"""Concluding: the signature under an inspection, with its judgements frozen."""

from typing import Final

from inspect_app.definitions import Step
from inspect_app.errors import NotAllowed, UnusableInput
from inspect_app.model import EntryState, Inspection, Outcome, Person, Signature
from inspect_app.storage import nonconformities, signatures
from inspect_app.workflow.bench.inspecting import assess, contract_of, existing, form_of
from inspect_app.workflow.bench.inspecting import inspection as read_inspection
from inspect_app.workflow.control.references import open_alarms
from inspect_app.workflow.people.accounts import prove_password
from inspect_app.workflow.typed_text import clean_remark, normalise_serial
from inspect_app.workflow.workplace import Workplace, acting

_NAMED_STEPS: Final = 3


def unanswered_steps(workplace: Workplace, inspection: Inspection) -> tuple[Step, ...]:
    """Return the steps that are not answered yet, or only begun."""
    return tuple(step for step in form_of(workplace, inspection).steps if not _is_answered(inspection, step))


def _is_answered(inspection: Inspection, step: Step) -> bool:
    entry = inspection.entries.get(step.id)
    return entry is not None and entry.state is not EntryState.DRAFT


def conclude(
    workplace: Workplace, person: Person, inspection_id: int, password: str, serial_again: str, remark: str = ""
) -> Signature:
    """Sign an inspection; its judgements are frozen with the signature.

    A held device is signed as held, gets no document, and can be taken up again. Signing twice signs once.

    Raises
    ------
    NotAllowed
        The password is wrong, a step is not answered, or somebody else signed already.
    UnusableInput
        The serial typed again is another one.
    """
    prove_password(workplace, person, password)
    remark = clean_remark("remark", remark)
    opened = read_inspection(workplace, inspection_id)
    form, contract = form_of(workplace, opened), contract_of(workplace, opened)
    if normalise_serial(serial_again) != opened.device.serial:
        raise UnusableInput(
            "serial",
            f"{serial_again.strip()[:40]} is not {opened.device.serial}",
            "Scan the device that is before you; if it is another one, open its inspection.",
        )
    with acting(workplace, person, "inspect", "inspection signed") as act:
        found = existing(act.session, inspection_id)
        if found.signature is not None:
            return _signed_already(found, found.signature, person)
        open_steps = [step for step in form.steps if not _is_answered(found, step)]
        if open_steps:
            raise _not_answered(found, open_steps)
        assessment = assess(form, contract, found, open_alarms(act.session))
        signatures.add_signature(
            act,
            found.id,
            signed_by=person,
            remark=remark,
            judgements=assessment.judgements,
            verdict=assessment.verdict,
        )
        outcome = assessment.verdict.outcome
        if outcome is Outcome.REJECTED:
            nonconformities.record_found(act, found.id, assessment.verdict.deciding)
        act.tell(f"inspection {found.id}", serial=found.device.serial, outcome=outcome.value)
        return Signature(signed_at=act.at, signed_by=person, outcome=outcome, remark=remark)


def _signed_already(found: Inspection, signature: Signature, person: Person) -> Signature:
    if signature.signed_by.id == person.id:
        return signature
    raise NotAllowed(
        found.device.serial,
        f"{signature.signed_by.name} signed its inspection as {signature.outcome.value}",
        "Look at it; a held one can be taken up again.",
    )


def _not_answered(found: Inspection, steps: list[Step]) -> NotAllowed:
    named = "; ".join(step.title for step in steps[:_NAMED_STEPS])
    more = f"; and {len(steps) - _NAMED_STEPS} more" if len(steps) > _NAMED_STEPS else ""
    count = "1 step is" if len(steps) == 1 else f"{len(steps)} steps are"
    return NotAllowed(found.device.serial, f"{count} not answered: {named}{more}", "Answer them, or say Cannot tell.")
