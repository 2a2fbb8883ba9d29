"""The lot plans of a contract: how many devices are looked at for each class of nonconformity, proved on the tables."""

from collections.abc import Mapping, Sequence
from typing import Final

from inspect_app.definitions.toml_source import Table
from inspect_app.errors import InspectError
from inspect_app.judge.sampling import plan_for
from inspect_app.model import Edition, LotPlan, PlanKind, Severity

_EDITIONS: Final = (Edition.MIL_STD_105E.value, Edition.ISO_2859_1.value)
_FIELDS: Final[Mapping[str, str]] = {
    "AQL": "aql",
    "level": "level",
    "limiting quality": "limiting_percent",
    "consumer risk": "consumer_risk",
}
_ANY_LOT: Final = 1000  # a level or an AQL that the tables do not know is one for every size of lot


def read_lot_plans(top: Table, classes: Sequence[str]) -> Mapping[str, Mapping[Severity, LotPlan]]:
    """Return the lot plans of a contract by device class and class of nonconformity.

    Parameters
    ----------
    top : Table
        The contract.
    classes : sequence of str
        Device classes that it demands something of.

    Raises
    ------
    UnusableInput
        A plan is given twice, speaks of a class without demands, or is not in the tables.
    """
    plans: dict[str, dict[Severity, LotPlan]] = {}
    for table in top.tables("sampling"):
        plan = _read_plan(table)
        for device_class in table.text_or_texts("device_class"):
            if device_class not in classes:
                raise table.error(
                    "device_class", f"the contract demands nothing of '{device_class}'", "Name a class of its limits."
                )
            of_class = plans.setdefault(device_class, {})
            for severity in _severities(table):
                if severity in of_class:
                    raise table.error("severity", f"'{device_class}' has a plan for {severity} already", "Keep one.")
                of_class[severity] = plan
        table.finish()
    return plans


def _severities(table: Table) -> tuple[Severity, ...]:
    words = [severity.value for severity in Severity]
    for given in table.text_or_texts("severity"):
        if given not in words:
            raise table.error("severity", f"'{given}' is none of its words", f"Use one of {', '.join(words)}.")
    return tuple(Severity(given) for given in table.text_or_texts("severity"))


def _read_plan(table: Table) -> LotPlan:
    kind = PlanKind(table.word("plan", [kind.value for kind in PlanKind]))
    if kind is PlanKind.EVERY_DEVICE:
        plan = LotPlan(kind=kind, acceptance_number=_acceptance_number(table))
    elif kind is PlanKind.SINGLE:
        edition = Edition(table.word("edition", _EDITIONS))
        plan = LotPlan(kind=kind, edition=edition, level=table.text("level"), aql=table.number("aql"))
    elif kind is PlanKind.ON_ZERO:
        plan = LotPlan(kind=kind, level=table.text("level"))
    else:
        plan = LotPlan(
            kind=kind,
            limiting_percent=table.number("limiting_percent"),
            consumer_risk=table.number("consumer_risk"),
        )
    try:
        plan_for(plan, _ANY_LOT)
    except InspectError as error:
        raise table.error(_FIELDS[error.where], error.problem, error.remedy) from error
    return plan


def _acceptance_number(table: Table) -> int:
    number = table.optional_number("acceptance_number") or 0.0
    if number < 0 or number != int(number):
        raise table.error("acceptance_number", f"{number:g} is no count", "Give 0 or a whole number above it.")
    return int(number)
