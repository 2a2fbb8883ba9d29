"""How often the looks behind a lot's verdicts are wrong, by the reader study of looks that counts at the bench."""

from dataclasses import dataclass
from typing import Final

from inspect_app.documents.lot_wording import looks_source
from inspect_app.judge.characteristic import WrongVerdicts
from inspect_app.model import ReaderErrors, Severity, StudyKind
from inspect_app.storage import sources, studies
from inspect_app.workflow.arriving.contracts import contract_from
from inspect_app.workflow.lots.progress import lot
from inspect_app.workflow.workplace import Workplace, reading

_CHECK: Final = "look"


@dataclass(frozen=True, slots=True, kw_only=True)
class LookErrors:
    """What the counting study of looks says, and in which classes of nonconformity the contract demands looks."""

    study_number: str
    errors: ReaderErrors
    severities: frozenset[Severity]

    @property
    def source(self) -> str:
        """What is named beside a curve that is drawn by it."""
        return looks_source(self.study_number, self.errors)

    def of(self, severity: Severity) -> WrongVerdicts | None:
        """Return how often verdicts on one class are wrong by it; None where no look decides about that class."""
        if severity not in self.severities:
            return None
        return WrongVerdicts(false_reject=self.errors.false_reject, false_accept=self.errors.false_accept)


def look_errors(workplace: Workplace, lot_id: int) -> LookErrors | None:
    """Return how often looks at the devices of a lot are wrong; None where no study counts or no look is demanded.

    Raises
    ------
    NotFound
        There is no such lot.
    """
    found = lot(workplace, lot_id).lot
    with reading(workplace) as session:
        counting = studies.counting_adoption(session, StudyKind.LOOKS)
        if counting is None or counting.errors is None:
            return None
        contract = contract_from(sources.contract_of_lot(session, lot_id))
    limits = contract.limits.get(found.device_class, ())
    severities = frozenset(one.severity for one in limits if one.check == _CHECK)
    if not severities:
        return None
    return LookErrors(study_number=counting.study_number, errors=counting.errors, severities=severities)
