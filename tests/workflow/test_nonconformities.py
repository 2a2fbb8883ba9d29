"""Nonconformities: one for each demand not met, decided about with name and reason, carried out before it is closed."""

import sys
from datetime import timedelta

import pytest

from inspect_app import workflow
from inspect_app.errors import NotAllowed, NotFound, UnusableInput
from inspect_app.model import Disposition, Outcome, Severity
from tests.truth.workplaces import (
    GOOD_READINGS,
    PASSWORD,
    POOR_READINGS,
    START,
    Bench,
    answer_all,
    bar_answers,
    open_first,
    sign,
)

FIRST = "NC-2026-0001"


def reject(bench: Bench, serial: str = "BM-001", snr: str = "40") -> int:
    """Reject a device for its resolution (4.1, major), and for its noise (4.2, minor) where the ratio is poor."""
    inspection_id = open_first(bench, serial)
    answer_all(bench, inspection_id, POOR_READINGS, snr)
    sign(bench, inspection_id)
    return inspection_id


def found(bench: Bench, number: str = FIRST):
    return workflow.nonconformity(bench.place, number).nonconformity


def dispose(bench: Bench, disposition: Disposition, number: str = FIRST, **given) -> None:
    workflow.dispose(bench.place, bench.approver, number, disposition, "agreed by letter", **given)


def test_each_demand_that_is_not_met_becomes_one_nonconformity(either_bench: Bench) -> None:
    inspection_id = reject(either_bench, snr="5")

    listed = workflow.nonconformities(either_bench.place)

    assert [(one.number, one.clause, one.severity, one.kind) for one in listed] == [
        ("NC-2026-0002", "4.2", Severity.MINOR, "noise: snr"),
        ("NC-2026-0001", "4.1", Severity.MAJOR, "bar-target: angular resolution"),
    ]
    assert {one.inspection_id for one in listed} == {inspection_id}
    assert listed[1].step_id == "bar-target.horizontal"
    assert [one.number for one in workflow.nonconformity(either_bench.place, FIRST).siblings] == ["NC-2026-0002"]


def test_a_page_lists_the_open_ones_before_the_closed_ones(
    either_bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    reject(either_bench, snr="5")
    dispose(either_bench, Disposition.SCRAP, "NC-2026-0002")
    workflow.close(either_bench.place, either_bench.approver, "NC-2026-0002", "in the bin")

    whole = workflow.nonconformity_page(either_bench.place)
    monkeypatch.setattr(sys.modules["inspect_app.workflow.outcomes.nonconformities"], "ON_A_PAGE", 1)
    last = workflow.nonconformity_page(either_bench.place, 9)

    assert [one.number for one in whole.rows] == [FIRST, "NC-2026-0002"]
    assert [one.number for one in last.rows] == ["NC-2026-0002"]
    assert (last.total, last.page, last.pages) == (2, 2, 2)


def test_counting_takes_the_class_that_counts_now(either_bench: Bench) -> None:
    reject(either_bench, snr="5")
    workflow.classify(either_bench.place, either_bench.approver, FIRST, Severity.MINOR, "on the box only")

    counted = {by: workflow.nonconformity_pareto(either_bench.place, by) for by in ("class", "supplier", "kind")}

    assert [(row.name, row.count) for row in counted["class"]] == [("minor", 2)]
    assert [row.count for row in counted["supplier"]] == [2]
    assert [row.name for row in counted["kind"]] == ["bar-target: angular resolution", "noise: snr"]


def test_an_accepted_device_has_no_nonconformity(bench: Bench) -> None:
    inspection_id = open_first(bench)
    answer_all(bench, inspection_id, GOOD_READINGS)
    sign(bench, inspection_id)

    assert workflow.nonconformities(bench.place) == ()


def test_classification_and_disposition_are_an_approvers_and_keep_their_reasons(bench: Bench) -> None:
    reject(bench)
    with pytest.raises(NotAllowed, match="inspector may not do this"):
        workflow.classify(bench.place, bench.inspector, FIRST, Severity.CRITICAL, "blinds the crew")
    with pytest.raises(UnusableInput, match="reason"):
        workflow.classify(bench.place, bench.approver, FIRST, Severity.CRITICAL, " ")

    workflow.classify(bench.place, bench.approver, FIRST, Severity.CRITICAL, "blinds the crew")
    dispose(bench, Disposition.SCRAP)
    dispose(bench, Disposition.RETURN)

    one = found(bench)
    assert (one.severity, one.contract_severity) == (Severity.CRITICAL, Severity.MAJOR)
    assert [act.by.login for act in one.acts] == ["ada"] * 3
    assert one.disposed.disposition is Disposition.RETURN


@pytest.mark.parametrize(("days", "words"), [(None, "Say until when"), (-400, "is past")])
def test_a_concession_needs_an_end_to_come(bench: Bench, days: int | None, words: str) -> None:
    reject(bench)
    end = None if days is None else START.date() + timedelta(days=days)

    with pytest.raises(UnusableInput, match=words):
        dispose(bench, Disposition.CONCESSION, valid_until=end)


def test_a_concession_is_closed_with_its_end_on_record(bench: Bench) -> None:
    reject(bench)
    dispose(bench, Disposition.CONCESSION, valid_until=START.date() + timedelta(days=90))

    workflow.close(bench.place, bench.approver, FIRST, "crew told")

    assert found(bench).is_closed
    assert found(bench).disposed.valid_until == START.date() + timedelta(days=90)
    with pytest.raises(NotAllowed, match="it is closed"):
        dispose(bench, Disposition.SCRAP)


def test_nothing_is_closed_before_it_is_decided_and_carried_out(bench: Bench) -> None:
    reject(bench)
    for disposition, words in ((None, "Dispose of it first"), (Disposition.RETURN, "was not sent back"), (
        Disposition.REPAIR, "was not accepted since")):  # fmt: skip
        if disposition is not None:
            dispose(bench, disposition)
        with pytest.raises(NotAllowed, match=words):
            workflow.close(bench.place, bench.approver, FIRST, "done")


def test_what_goes_back_is_listed_until_it_is_sent(either_bench: Bench) -> None:
    place, inspector = either_bench.place, either_bench.inspector
    reject(either_bench)
    assert workflow.devices_to_return(place) == ()
    dispose(either_bench, Disposition.RETURN)
    (waiting,) = workflow.devices_to_return(place, "Invented Maker")
    assert [one.number for one in waiting.nonconformities] == [FIRST]

    workflow.send_back(place, inspector, "Invented Maker", "RT-1", [waiting.device.id], "two crates")

    assert workflow.devices_to_return(place) == ()
    assert [(one.reference, one.devices) for one in workflow.returns(place)] == [
        ("RT-1", ((waiting.device.id, "BM-001"),))
    ]
    workflow.close(place, either_bench.approver, FIRST, "credit note 7")
    assert found(either_bench).is_closed


def test_a_return_of_what_does_not_wait_is_refused(bench: Bench) -> None:
    place, inspector = bench.place, bench.inspector
    reject(bench)
    dispose(bench, Disposition.RETURN)
    (waiting,) = workflow.devices_to_return(place)
    for reference, ids, words in (
        ("RT-1", (), "none is chosen"),
        ("RT-1", (999,), "does not wait"),
        ("", (1,), "empty"),
    ):
        with pytest.raises(UnusableInput, match=words):
            workflow.send_back(place, inspector, "Invented Maker", reference, ids)

    workflow.send_back(place, inspector, "Invented Maker", "RT-1", [waiting.device.id])

    with pytest.raises(UnusableInput, match="was used"):
        workflow.send_back(place, inspector, "Invented Maker", "RT-1", [waiting.device.id])


def test_after_repair_only_what_failed_and_what_it_could_have_upset_is_asked_again(either_bench: Bench) -> None:
    place, inspector = either_bench.place, either_bench.inspector
    first = reject(either_bench)
    with pytest.raises(NotAllowed, match="not disposed as repair"):
        workflow.inspect_again(place, inspector, first)
    dispose(either_bench, Disposition.REPAIR)

    again = workflow.inspect_again(place, inspector, first)

    assert {step.id for step in workflow.unanswered_steps(place, again)} == {
        "bar-target.horizontal",
        "bar-target.vertical",
    }
    assert again.entries["noise"].reason == f"carried over from inspection {first}, recorded 2026-03-02 by Ines"
    assert again.entries["noise"].measured == workflow.inspection(place, first).entries["noise"].measured
    for axis in ("horizontal", "vertical"):
        answers = bar_answers(either_bench, GOOD_READINGS)
        workflow.record_step(place, inspector, again.id, f"bar-target.{axis}", answers, 0)
    signature = workflow.conclude(place, inspector, again.id, PASSWORD, "BM-001")
    assert signature.outcome is Outcome.ACCEPTED
    workflow.close(place, either_bench.approver, FIRST, "new lens")
    assert workflow.verify(place).problems == ()


def test_a_repair_that_could_upset_more_repeats_that_too(bench: Bench) -> None:
    first = reject(bench)
    assert workflow.nonconformity(bench.place, FIRST).checks == ("noise",)
    dispose(bench, Disposition.REPAIR, repeats=["noise"])

    again = workflow.inspect_again(bench.place, bench.inspector, first)

    assert again.entries == {}
    assert workflow.inspect_again(bench.place, bench.second, first).id == again.id


def test_a_device_that_was_not_rejected_is_not_inspected_again(bench: Bench) -> None:
    with pytest.raises(NotAllowed, match="it was not rejected"):
        workflow.inspect_again(bench.place, bench.inspector, open_first(bench))


def test_a_number_that_does_not_exist_is_refused_by_name(bench: Bench) -> None:
    with pytest.raises(NotFound, match="NC-1"):
        workflow.nonconformity(bench.place, "NC-1")
