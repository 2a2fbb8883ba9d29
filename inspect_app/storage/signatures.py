"""Signatures in the record: the end of an inspection, and its being taken up again."""

from collections.abc import Collection

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from inspect_app.model import Judgement, Person, Verdict
from inspect_app.storage import results
from inspect_app.storage.audit import Act
from inspect_app.storage.convert import assessment_from, assessment_text
from inspect_app.storage.counting import COUNTING_SIGNATURE
from inspect_app.storage.tables import InspectionRow, ReopeningRow, SignatureRow


def add_signature(
    act: Act,
    inspection_id: int,
    *,
    signed_by: Person,
    remark: str,
    judgements: tuple[Judgement, ...],
    verdict: Verdict,
) -> None:
    """Sign an inspection; its judgements are frozen with it, and its results listed."""
    count = act.session.scalar(select(func.count()).where(SignatureRow.inspection_id == inspection_id)) or 0
    row = act.add(
        SignatureRow(
            inspection_id=inspection_id,
            ordinal=count + 1,
            signed_at=act.at,
            signed_by_id=signed_by.id,
            outcome=verdict.outcome,
            remark=remark,
            assessment=assessment_text(judgements, verdict),
        )
    )
    results.list_results(act.session, (row.id,))


def counting_signature_id(session: Session, inspection_id: int) -> int | None:
    """Return the key of the signature that counts."""
    return session.scalar(
        select(SignatureRow.id).join(InspectionRow, COUNTING_SIGNATURE).where(InspectionRow.id == inspection_id)
    )


def frozen_assessments(
    session: Session, inspection_ids: Collection[int]
) -> dict[int, tuple[tuple[Judgement, ...], Verdict]]:
    """Return the judgements and the verdict of each signed inspection, as they were signed."""
    statement = select(InspectionRow.id, SignatureRow.assessment).join(SignatureRow, COUNTING_SIGNATURE)
    rows = session.execute(statement.where(InspectionRow.id.in_(inspection_ids)))
    return {key: assessment_from(text) for key, text in rows}


def add_reopening(act: Act, inspection_id: int, *, reopened_by: Person, reason: str) -> None:
    """Take the counting signature of an inspection back."""
    signature_id = counting_signature_id(act.session, inspection_id)
    if signature_id is None:
        raise ValueError(f"inspection {inspection_id} is not signed")
    act.add(ReopeningRow(signature_id=signature_id, reopened_at=act.at, reopened_by_id=reopened_by.id, reason=reason))
