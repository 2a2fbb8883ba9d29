"""Prove that what a contract demands is asked by the forms, before a device is measured in vain."""

from collections.abc import Mapping

from inspect_app.definitions.values import Contract, Form
from inspect_app.errors import UnusableInput
from inspect_app.judge import can_answer
from inspect_app.model import Limit, SpotAllowance


def prove_covered(contract: Contract, forms: Mapping[str, Form]) -> None:
    """Prove that every class of a contract has a form, and every demand a step that can answer it.

    Parameters
    ----------
    contract : Contract
        As read.
    forms : mapping of str to Form
        By device class.

    Raises
    ------
    UnusableInput
        Names the class without a form, or the clause without a step.
    """
    for device_class in contract.device_classes:
        if device_class not in forms:
            known = ", ".join(forms)
            raise UnusableInput(
                f"contract {contract.number}", f"no form is for '{device_class}'", f"Use one of {known}, or add a form."
            )
        demands: list[Limit | SpotAllowance] = [*contract.limits[device_class]]
        demands += contract.spot_allowances[device_class]
        for demand in demands:
            _prove_demand(contract, forms[device_class], demand)


def _prove_demand(contract: Contract, form: Form, demand: Limit | SpotAllowance) -> None:
    if any(can_answer(demand, step.check, step.condition) for step in form.steps):
        return
    under = ", ".join(f"{name} {value}" for name, value in demand.condition.items()) or "any condition"
    raise UnusableInput(
        f"contract {contract.number}, clause {demand.clause}",
        f"the form for '{form.device_class}' has no step {demand.check} under {under}",
        "Correct the condition, or add the step to the form.",
    )
