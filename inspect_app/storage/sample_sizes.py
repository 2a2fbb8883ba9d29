"""How many devices of a sampled lot are looked at, so that its progress counts its sample and not the whole lot."""

import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from inspect_app.model import FollowUp
from inspect_app.storage.tables import LotVerdictRow, SampleChangeRow, SampleDrawRow


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleSize:
    """The devices of a drawn sample, those added to it too; and whether the verdict on the lot is given."""

    devices: int
    is_decided: bool


def sample_sizes(session: Session, lot_ids: Collection[int] | None = None) -> Mapping[int, SampleSize]:
    """Return the samples of some lots, or of every lot, by lot; a lot that is screened is looked at as a whole."""
    added = (
        select(SampleChangeRow.draw_id, func.count().label("count"))
        .where(SampleChangeRow.replaced_device_id.is_(None))
        .group_by(SampleChangeRow.draw_id)
        .subquery()
    )
    statement = (
        select(
            SampleDrawRow.lot_id, SampleDrawRow.lot_size, SampleDrawRow.plans, added.c.count, LotVerdictRow.follow_up
        )
        .outerjoin(added, added.c.draw_id == SampleDrawRow.id)
        .outerjoin(LotVerdictRow, LotVerdictRow.lot_id == SampleDrawRow.lot_id)
    )
    if lot_ids is not None:
        statement = statement.where(SampleDrawRow.lot_id.in_(lot_ids))
    return {
        lot_id: SampleSize(devices=_drawn(plans, lot_size) + (more or 0), is_decided=follow_up is not None)
        for lot_id, lot_size, plans, more, follow_up in session.execute(statement)
        if follow_up is not FollowUp.SCREEN
    }


def _drawn(plans: str, lot_size: int) -> int:
    return min(lot_size, max(int(one["plan"]["size"]) for one in json.loads(plans)))
