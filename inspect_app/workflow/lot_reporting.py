"""The report of a sampled lot, printed from the record as it stands."""

from inspect_app.documents import LotClassLine, LotReport, lot_wording, render_lot_report, wording
from inspect_app.errors import NotAllowed
from inspect_app.model import Outcome
from inspect_app.workflow.sampling import ClassStanding, LotSampling, SampledDevice, lot_sampling
from inspect_app.workflow.workplace import Workplace


def lot_report(workplace: Workplace, lot_id: int) -> bytes:
    """Return the report of a sampled lot as PDF.

    Raises
    ------
    NotFound
        There is no such lot.
    NotAllowed
        It is not sampled, or its sample was not drawn yet.
    """
    sampling = lot_sampling(workplace, lot_id)
    if sampling is None or sampling.draw is None:
        raise NotAllowed(f"lot {lot_id}", "no sample of it was drawn", "Draw its sample first.")
    draw, lot, verdict = sampling.draw, sampling.lot, sampling.verdict
    report = LotReport(
        issuer=workplace.settings.issuer,
        lot_number=lot.number,
        facts=_facts(sampling),
        outcome="not given yet" if verdict is None else f"{verdict.outcome.value}, {verdict.follow_up.value}",
        outcome_reason=""
        if verdict is None
        else " ".join(
            part
            for part in (f"{verdict.decided_by.name}, {wording.minute(verdict.decided_at)}.", verdict.reason)
            if part
        ),
        classes=[_line(one) for one in sampling.classes],
        draw=f"Drawn {wording.minute(draw.drawn_at)} by {draw.drawn_by.name}: {lot_wording.draw_rule(draw)}. "
        f"Seed {draw.seed}",
        sample=[_row(one) for one in sampling.devices],
        figures=[lot_wording.plan_figure(one.plan, sampling.lot_size) for one in sampling.classes],
        printed_at=workplace.clock(),
    )
    return render_lot_report(report)


def _facts(sampling: LotSampling) -> list[tuple[str, str]]:
    lot, again = sampling.lot, sampling.resubmission
    facts = [
        ("Device class", lot.device_class),
        ("Supplier", lot.shipment.supplier),
        ("Contract", lot.shipment.contract_number),
        ("Delivery note", lot.shipment.reference),
        ("Received", wording.minute(lot.shipment.received_at)),
        ("Devices", str(sampling.lot_size)),
    ]
    return facts if again is None else [*facts, ("Comes again", f"lot {again.earlier.number}: {again.reason}")]


def _line(standing: ClassStanding) -> LotClassLine:
    return LotClassLine(
        severity=standing.plan.severity.value,
        plan=lot_wording.plan_source(standing.plan),
        stringency=lot_wording.stringency_word(standing.plan),
        decided=f"{standing.decided} of {standing.devices}",
        numbers=lot_wording.numbers_text(standing.plan.plan, standing.count),
        standing="open" if standing.outcome is Outcome.HELD else standing.outcome.value,
    )


def _row(one: SampledDevice) -> tuple[str, str, str]:
    outcome = one.device.outcome
    return one.device.device.serial, "open" if outcome is None else outcome.value, one.change
