"""Sampled lots: drawn from a recorded seed, inspected as drawn, changed only with a reason, decided, come again."""

from dataclasses import replace

import pytest

from inspect_app import workflow
from inspect_app.errors import NotAllowed, NotFound, UnusableInput
from inspect_app.judge.sample_draw import draw_order
from inspect_app.model import FollowUp, Outcome, RulingKind, Severity, Stringency
from inspect_app.workflow import LotSearch
from tests.truth.sampled_lots import SAMPLED, draw, inspect_next, receive_sampled, reject_lot
from tests.truth.workplaces import CONTRACT, DEVICE_CLASS, POOR_READINGS, Bench, open_first, receive


def sampling(bench, lot_id):
    found = workflow.lot_sampling(bench.place, lot_id)
    assert found is not None
    return found


def sample(bench, lot_id):
    return [one.device.device.serial for one in sampling(bench, lot_id).devices]


def major(bench, lot_id):
    return next(one for one in sampling(bench, lot_id).classes if one.plan.severity is Severity.MAJOR)


def test_a_lot_is_drawn_from_a_seed_that_the_audit_chain_holds(either_bench: Bench) -> None:
    """Truth: letter B at level II, n = 3; the order of the draw, made again from the recorded seed."""
    lot_id = draw(either_bench, "DN-1")

    event = workflow.events(either_bench.place)[0]
    serials = [f"DN-1-{count:02d}" for count in range(1, 11)]
    assert event.action == "sample drawn"
    assert sample(either_bench, lot_id) == list(draw_order(event.detail["seed"], serials)[:3])
    assert workflow.verify(either_bench.place).problems == ()


def test_a_sample_is_drawn_once(bench: Bench) -> None:
    lot_id = draw(bench, "DN-1")
    first = sample(bench, lot_id)

    workflow.draw_sample(bench.place, bench.second, lot_id)

    assert sample(bench, lot_id) == first


def test_the_next_devices_are_those_of_the_sample_in_the_order_drawn(bench: Bench) -> None:
    lot_id = draw(bench, "DN-1")
    drawn = sample(bench, lot_id)

    fetched = [inspect_next(bench, lot_id) for _ in drawn]

    assert fetched == drawn
    assert workflow.next_device(bench.place, lot_id) is None


def test_nothing_is_inspected_before_the_draw_and_nothing_outside_it(bench: Bench) -> None:
    lot_id = receive_sampled(bench, "DN-1")
    devices = {one.device.serial: one.device.id for one in workflow.lot_devices(bench.place, lot_id)}
    with pytest.raises(NotAllowed, match="not drawn yet"):
        workflow.next_device(bench.place, lot_id)
    with pytest.raises(NotAllowed, match="not drawn yet"):
        workflow.open_inspection(bench.place, bench.inspector, lot_id, devices["DN-1-01"])

    workflow.draw_sample(bench.place, bench.inspector, lot_id)
    outside = next(serial for serial in devices if serial not in sample(bench, lot_id))

    with pytest.raises(NotAllowed, match="not in the sample"):
        workflow.open_inspection(bench.place, bench.inspector, lot_id, devices[outside])


def test_a_lot_without_plans_is_inspected_device_by_device(bench: Bench) -> None:
    lot_id = receive(bench, "BM-001", "BM-002")

    assert workflow.lot_sampling(bench.place, lot_id) is None
    with pytest.raises(NotAllowed, match="every device of it is looked at"):
        workflow.draw_sample(bench.place, bench.inspector, lot_id)


def test_a_lot_begun_before_its_contract_had_plans_goes_on_as_it_began(bench: Bench) -> None:
    open_first(bench, "BM-001", "BM-002")
    revised = SAMPLED.replace("TST-002", "TST-001").replace('revision = "1"', 'revision = "2"')
    workflow.adopt_contract(bench.place, None, revised, "c.toml")

    lot_id = workflow.lots(bench.place)[0].lot.id

    assert workflow.lot_sampling(bench.place, lot_id) is None
    assert CONTRACT in revised.replace('revision = "2"', 'revision = "1"')


def test_a_device_takes_the_place_of_another_only_with_a_reason(bench: Bench) -> None:
    lot_id = draw(bench, "DN-1")
    before = sample(bench, lot_id)
    outside = next(f"DN-1-{count:02d}" for count in range(1, 11) if f"DN-1-{count:02d}" not in before)

    with pytest.raises(UnusableInput, match="Say why"):
        workflow.change_sample(bench.place, bench.inspector, lot_id, outside, before[1], "  ")
    workflow.change_sample(bench.place, bench.inspector, lot_id, outside, before[1], "crate is locked")

    assert sample(bench, lot_id) == [before[0], outside, before[2]]
    assert sampling(bench, lot_id).devices[1].change == f"in place of {before[1]}: crate is locked"
    assert sampling(bench, lot_id).devices[1].counts_for == (Severity.MAJOR, Severity.MINOR)


def test_an_added_device_is_inspected_and_counts_for_no_class(bench: Bench) -> None:
    lot_id = draw(bench, "DN-1")
    drawn = sample(bench, lot_id)
    outside = next(f"DN-1-{count:02d}" for count in range(1, 11) if f"DN-1-{count:02d}" not in drawn)
    workflow.change_sample(bench.place, bench.inspector, lot_id, outside, "", "it looks bent")

    for _ in drawn:
        inspect_next(bench, lot_id)
    assert inspect_next(bench, lot_id, POOR_READINGS) == outside

    assert sampling(bench, lot_id).devices[3].counts_for == ()
    assert sampling(bench, lot_id).outcome is Outcome.ACCEPTED


def test_what_was_begun_stays_in_the_sample(bench: Bench) -> None:
    lot_id = draw(bench, "DN-1")
    begun = inspect_next(bench, lot_id)
    drawn = sample(bench, lot_id)
    outside = next(f"DN-1-{count:02d}" for count in range(1, 11) if f"DN-1-{count:02d}" not in drawn)

    with pytest.raises(NotAllowed, match="was begun"):
        workflow.change_sample(bench.place, bench.inspector, lot_id, outside, begun, "a better one")
    for serial, words in ((drawn[1], "in the sample already"), ("DN-9-01", "not in this lot")):
        with pytest.raises(UnusableInput, match=words):
            workflow.change_sample(bench.place, bench.inspector, lot_id, serial, "", "more")
    with pytest.raises(UnusableInput, match="not in the sample"):
        workflow.change_sample(bench.place, bench.inspector, lot_id, outside, "DN-9-01", "more")


def test_a_good_sample_accepts_the_lot(bench: Bench) -> None:
    """Truth: n = 3, Ac 0 for major; n = 2, Ac 0 for minor."""
    lot_id = draw(bench, "DN-1")
    with pytest.raises(NotAllowed, match="does not decide it yet"):
        workflow.decide_lot(bench.place, bench.inspector, lot_id, FollowUp.TAKE_IN)
    for _ in range(3):
        inspect_next(bench, lot_id)

    with pytest.raises(NotAllowed, match="Choose take in"):
        workflow.decide_lot(bench.place, bench.inspector, lot_id, FollowUp.SCREEN)
    workflow.decide_lot(bench.place, bench.inspector, lot_id, FollowUp.TAKE_IN)

    verdict = sampling(bench, lot_id).verdict
    assert verdict is not None
    assert [(one.severity, one.devices, one.count) for one in verdict.counts] == [
        (Severity.MAJOR, 3, 0),
        (Severity.MINOR, 2, 0),
    ]


def test_a_minor_nonconformity_beyond_its_own_sample_does_not_reject_the_lot(bench: Bench) -> None:
    """The third device counts for major (n = 3), no longer for minor (n = 2)."""
    lot_id = draw(bench, "DN-1")
    inspect_next(bench, lot_id)
    inspect_next(bench, lot_id)

    inspect_next(bench, lot_id, snr="5")

    assert sampling(bench, lot_id).outcome is Outcome.ACCEPTED


def test_a_rejected_lot_that_is_screened_opens_every_device(bench: Bench) -> None:
    lot_id = reject_lot(bench, "DN-1", FollowUp.SCREEN, devices=4)

    fetched = [inspect_next(bench, lot_id) for _ in range(3)]

    assert len(set(fetched)) == 3
    assert workflow.next_device(bench.place, lot_id) is None
    assert major(bench, lot_id).count == 1


def test_a_verdict_on_a_lot_is_given_once(bench: Bench) -> None:
    lot_id = reject_lot(bench, "DN-1")

    workflow.decide_lot(bench.place, bench.second, lot_id, FollowUp.RETURN)
    with pytest.raises(NotAllowed, match="Ines decided: rejected, return"):
        workflow.decide_lot(bench.place, bench.second, lot_id, FollowUp.SCREEN)
    with pytest.raises(NotAllowed, match="its verdict is given"):
        workflow.change_sample(bench.place, bench.inspector, lot_id, "DN-1-01", "", "late")


def test_a_lot_that_comes_again_is_tightened_and_does_not_count_in_switching(bench: Bench) -> None:
    """Truth: tightened, letter B at AQL 4.0 leads to letter C: n = 5, Ac 0 (MIL-STD-105E, Table II-B)."""
    first = reject_lot(bench, "DN-1", FollowUp.RESUBMIT)
    number = workflow.lot(bench.place, first).lot.number
    again = receive_sampled(bench, "DN-2")

    workflow.declare_resubmission(bench.place, bench.inspector, again, number, "sorted by the maker")
    workflow.draw_sample(bench.place, bench.inspector, again)

    assert (major(bench, again).plan.stringency, major(bench, again).devices) == (Stringency.TIGHTENED, 5)
    assert sampling(bench, again).resubmission.earlier.id == first
    assert sampling(bench, first).resubmitted_as.lot.id == again
    inspect_next(bench, again, POOR_READINGS)
    workflow.decide_lot(bench.place, bench.inspector, again, FollowUp.RETURN)
    state = next(one for one in workflow.switching_records(bench.place) if one.severity is Severity.MAJOR)
    assert len(state.steps) == 1
    assert state.state.stringency is Stringency.NORMAL


def test_only_a_rejected_lot_of_the_same_kind_comes_again(bench: Bench) -> None:
    other = receive(bench, "BM-001")
    again = receive_sampled(bench, "DN-2")
    number = workflow.lot(bench.place, other).lot.number

    with pytest.raises(NotFound, match="no such lot"):
        workflow.declare_resubmission(bench.place, bench.inspector, again, "L-99", "sorted")
    with pytest.raises(NotAllowed, match="was not rejected"):
        workflow.declare_resubmission(bench.place, bench.inspector, again, number, "sorted")


def test_two_rejected_lots_tighten_the_next_and_the_record_says_why(bench: Bench) -> None:
    """Truth: ISO 2859-1:1999, 9.3.1; the minor class, whose sample was cut short, saw no verdict."""
    numbers = [workflow.lot(bench.place, reject_lot(bench, reference)).lot.number for reference in ("DN-1", "DN-2")]

    third = receive_sampled(bench, "DN-3")

    standing = major(bench, third)
    assert (standing.plan.stringency, standing.devices) == (Stringency.TIGHTENED, 5)
    assert standing.reason == (
        f"Tightened after lot {numbers[1]}: {numbers[0]} and {numbers[1]} of 2 consecutive lots were not accepted."
    )
    records = {one.severity: one for one in workflow.switching_records(bench.place)}
    assert records[Severity.MINOR].steps == ()
    assert records[Severity.MAJOR].state.stringency is Stringency.TIGHTENED


def test_only_an_approver_rules_on_switching_and_says_why(bench: Bench) -> None:
    receive_sampled(bench, "DN-1")
    ruling = ("Invented Maker", DEVICE_CLASS, Severity.MAJOR, RulingKind.ALLOW_REDUCED)

    with pytest.raises(NotAllowed, match="inspector may not do this"):
        workflow.rule_switching(bench.place, bench.inspector, *ruling, "steady")
    with pytest.raises(UnusableInput, match="reason"):
        workflow.rule_switching(bench.place, bench.approver, *ruling, "")
    with pytest.raises(NotFound, match="critical"):
        workflow.rule_switching(
            bench.place, bench.approver, "Invented Maker", DEVICE_CLASS, Severity.CRITICAL, ruling[3], "steady"
        )
    workflow.rule_switching(bench.place, bench.approver, *ruling, "steady")

    assert next(one for one in workflow.switching_records(bench.place)).state.has_consent


def test_after_discontinuation_no_lot_is_drawn_until_a_ruling(bench: Bench) -> None:
    """Truth: ISO 2859-1:1999, 9.4: five lots not accepted on tightened, after the two that led there."""
    for count in range(7):
        reject_lot(bench, f"DN-{count}")
    lot_id = receive_sampled(bench, "DN-8")

    with pytest.raises(NotAllowed, match="5 lots were not accepted on tightened"):
        workflow.draw_sample(bench.place, bench.inspector, lot_id)
    workflow.rule_switching(
        bench.place, bench.approver, "Invented Maker", DEVICE_CLASS, Severity.MAJOR, RulingKind.RESUME, "new lens glue"
    )
    workflow.draw_sample(bench.place, bench.inspector, lot_id)

    assert major(bench, lot_id).plan.stringency is Stringency.TIGHTENED


def test_a_seed_of_ones_own_is_what_is_recorded(bench: Bench) -> None:
    place = replace(bench.place, draw_seed=lambda: "ab" * 32)
    lot_id = receive_sampled(bench, "DN-1")

    workflow.draw_sample(place, bench.inspector, lot_id)

    assert sampling(bench, lot_id).draw.seed == "ab" * 32


def test_the_progress_of_a_sampled_lot_counts_its_sample(bench):
    """Truth: of ten devices at level II three are looked at; a device more was added with a reason."""
    lot_id = draw(bench, "DN-1")
    inspect_next(bench, lot_id)
    sampled = {one.device.device.serial for one in workflow.lot_sampling(bench.place, lot_id).devices}
    left_out = next(
        one.device.serial for one in workflow.lot_devices(bench.place, lot_id) if one.device.serial not in sampled
    )

    before = workflow.lot(bench.place, lot_id)
    workflow.change_sample(bench.place, bench.inspector, lot_id, left_out, "", "its box was wet")
    after = workflow.lot(bench.place, lot_id)

    assert (before.total, before.wanted, before.accepted, before.untouched) == (10, 3, 1, 2)
    assert (after.wanted, after.untouched) == (4, 3)


@pytest.mark.parametrize(("follow_up", "wanted", "untouched"), [(FollowUp.RETURN, 1, 0), (FollowUp.SCREEN, 10, 9)])
def test_after_the_verdict_nothing_is_left_to_do_unless_the_lot_is_screened(bench, follow_up, wanted, untouched):
    lot_id = reject_lot(bench, "DN-1", follow_up)

    found = workflow.lot(bench.place, lot_id)
    open_lots = workflow.lot_page(bench.place, LotSearch(), 1, is_open=True).lots

    assert (found.wanted, found.untouched, found.rejected) == (wanted, untouched, 1)
    assert [one.lot.id for one in open_lots] == ([lot_id] if follow_up is FollowUp.SCREEN else [])


def test_a_sampled_lot_is_open_until_its_verdict(bench):
    lot_id = draw(bench, "DN-1")
    for _ in range(3):
        inspect_next(bench, lot_id)

    assert workflow.next_device(bench.place, lot_id) is None
    assert [one.lot.id for one in workflow.lot_page(bench.place, LotSearch(), 1, is_open=True).lots] == [lot_id]
    workflow.decide_lot(bench.place, bench.inspector, lot_id, FollowUp.TAKE_IN)
    assert workflow.lot_page(bench.place, LotSearch(), 1, is_open=True).lots == ()
