"""Prove that what a contract demands can be answered by the forms, before a device is measured in vain."""

from collections.abc import Mapping

from inspect_app.definitions.outlook import look_ahead
from inspect_app.definitions.values import Contract, Form
from inspect_app.errors import UnusableInput
from inspect_app.measure import CHECKS, Check


def prove_covered(contract: Contract, forms: Mapping[str, Form], checks: Mapping[str, Check] = CHECKS) -> None:
    """Prove that every class of a contract has a form, and every demand a step that can answer it and decide it.

    Parameters
    ----------
    contract : Contract
        As read.
    forms : mapping of str to Form
        By device class.
    checks : mapping, optional
        As in `look_ahead`.

    Raises
    ------
    UnusableInput
        Names the class without a form, or the clause that no step can answer or no reading can meet.
    """
    for outlook in look_ahead(contract, forms, checks):
        at = f"contract {contract.number}"
        if outlook.device_class in forms:
            at = f"{at}, clause {outlook.demand.clause}"
        for trouble in outlook.troubles:
            if trouble.is_error:
                raise UnusableInput(at, trouble.problem, trouble.remedy)
