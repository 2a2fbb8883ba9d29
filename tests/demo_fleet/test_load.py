"""The loader takes a shipment through the whole job, once."""

import dataclasses

import pytest

from demo_fleet import load as loader
from demo_fleet.fleet import SHIPMENTS
from inspect_app import workflow
from inspect_app.model import FollowUp, Outcome, Severity

TUBES = next(shipment for shipment in SHIPMENTS if shipment.contract_number == "BSR-015")
CHOSEN = {"FW-26-3001": Outcome.ACCEPTED, "FW-26-3007": Outcome.REJECTED, "FW-26-3010": Outcome.HELD}


@pytest.fixture(scope="module")
def loaded(tmp_path_factory):
    """Load three devices twice: one as ordered, one with a scratched eyepiece, one that nobody could decide."""
    instance = tmp_path_factory.mktemp("demo")
    devices = tuple(device for device in TUBES.devices if device.serial in CHOSEN)
    told = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(loader, "SHIPMENTS", (dataclasses.replace(TUBES, devices=devices),))
        first = loader.load(instance, lambda done, total: told.append((done, total)))
        counts = _counts(instance)
        second = loader.load(instance, lambda _done, _total: None)
    return instance, first, second, counts, told


def _counts(instance):
    place = workflow.open_workplace(instance)
    try:
        return workflow.verify(place)
    finally:
        workflow.close_workplace(place)


def test_every_device_comes_out_as_planned(loaded):
    _, first, *_ = loaded

    assert {device.planned.serial: device.verdict.outcome for device in first.devices} == CHOSEN


def test_the_planned_clauses_decide(loaded):
    _, first, *_ = loaded

    for device in first.devices:
        assert set(device.planned.clauses) <= {judgement.limit.clause for judgement in device.verdict.deciding}


def test_accepted_and_rejected_devices_have_a_document_and_held_ones_none(loaded):
    instance, first, *_ = loaded

    kinds = {device.planned.serial: device.document and device.document.kind.value for device in first.devices}
    assert kinds == {"FW-26-3001": "certificate", "FW-26-3007": "rejection notice", "FW-26-3010": None}
    assert len(list((instance / "documents").glob("[CR]-*.pdf"))) == 2


def test_the_record_verifies_and_a_second_run_changes_nothing(loaded):
    instance, first, second, counts, _ = loaded

    assert counts.problems == ()
    assert _counts(instance) == counts
    assert (first.inspected, second.inspected) == (3, 0)
    assert [d.document for d in second.devices] == [d.document for d in first.devices]


def test_the_sampled_lot_is_drawn_decided_by_its_sample_screened_and_reported(loaded):
    """Truth: three devices at AQL 4.0 lead to letter B, n = 3, Ac 0: the scratched eyepiece rejects the lot."""
    instance, *_ = loaded
    place = workflow.open_workplace(instance)
    try:
        [lot] = workflow.lots(place)
        sampling = workflow.lot_sampling(place, lot.lot.id)
        reports = [
            one.document.kind for one in workflow.issued_documents(place) if one.document.kind.value == "lot report"
        ]
    finally:
        workflow.close_workplace(place)

    major = next(one for one in sampling.classes if one.plan.severity is Severity.MAJOR)
    assert (major.plan.plan.final_letter, major.plan.plan.size, major.count, major.outcome) == (
        "B",
        3,
        1,
        Outcome.REJECTED,
    )
    assert (sampling.verdict.outcome, sampling.verdict.follow_up) == (Outcome.REJECTED, FollowUp.SCREEN)
    assert len(reports) == 1


def test_each_account_gets_its_own_password_and_only_once(loaded):
    _, first, second, *_ = loaded

    assert len({account.password for account in first.new_accounts}) == 5
    assert second.new_accounts == ()


def test_progress_ends_with_all_devices(loaded):
    *_, told = loaded

    assert told[-1] == (3, 3)
    assert [done for done, _ in told] == sorted(done for done, _ in told)
