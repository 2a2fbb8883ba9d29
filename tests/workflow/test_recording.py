"""Recording steps: nothing typed is lost, nothing passes in silence, nobody overwrites anybody."""

import threading
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from inspect_app import workflow
from inspect_app.errors import EditConflict, InspectError, NotAllowed, NotFound, NothingToMeasure, UnusableInput
from inspect_app.model import Entry, EntryState, Finding, Outcome
from inspect_app.workflow import StepAnswers
from tests.truth.workplaces import (
    GOOD_READINGS,
    Bench,
    answer_all,
    bar_answers,
    even_frame,
    keep,
    noise_answers,
    open_first,
    sign,
)

BAR = "bar-target.horizontal"


def record(bench: Bench, inspection_id: int, answers: StepAnswers, seen: int = 0, step: str = BAR) -> Entry:
    return workflow.record_step(bench.place, bench.inspector, inspection_id, step, answers, seen)


def newest(bench: Bench, inspection_id: int, step: str = BAR) -> Entry:
    return workflow.inspection(bench.place, inspection_id).entries[step]


def test_answers_are_measured_with_the_options_of_form_and_bench(bench: Bench) -> None:
    """Element 2,1 is 4 lp/mm (MIL-STD-150A: 2 ** (G + (E - 1) / 6)); at 10 m that is 40 cy/mrad."""
    entry = record(bench, open_first(bench), bar_answers(bench, GOOD_READINGS))

    assert entry.measured is not None
    values = {one.quantity_name: one.quantity.value for one in entry.measured.results}
    assert values["angular_resolution"] == pytest.approx(40, abs=1e-9)
    assert entry.measured.results[0].condition["axis"] == "horizontal"
    assert (entry.state, entry.problem, entry.revision) == (EntryState.RECORDED, None, 1)


def test_an_entry_is_read_back_as_it_was_recorded(either_bench: Bench) -> None:
    inspection_id = open_first(either_bench)
    files = tuple(keep(either_bench, f"frame {seed}.png", even_frame(seed)) for seed in (1, 2))
    answers = StepAnswers(state=EntryState.RECORDED, evidence=files)

    entry = record(either_bench, inspection_id, answers, step="noise")

    assert newest(either_bench, inspection_id, "noise") == entry
    assert entry.measured is not None
    assert {one.name for one in entry.measured.files} == {"frame 1.png", "frame 2.png"}
    assert [one.sha256 for one in entry.evidence] == [one.sha256 for one in files]


def test_a_draft_is_kept_as_typed_and_measures_nothing(bench: Bench) -> None:
    inspection_id = open_first(bench)
    typed = StepAnswers(state=EntryState.DRAFT, answers={"reading": ("2,", " ")}, conditions={"temperature_c": "warm"})

    entry = record(bench, inspection_id, typed)

    assert (entry.answers, entry.conditions, entry.measured) == ({"reading": ("2,",)}, {"temperature_c": "warm"}, None)


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"answers": {"reading": ("99,99",)}}, "Last element resolved"),
        ({"answers": {"reading": ("2;x",)}}, "Last element resolved"),
        ({"answers": {}}, "Last element resolved"),
        ({"conditions": {}}, "Illuminance at the target, before"),
        ({"instrument_ids": ()}, "illuminance meter"),
    ],
)
def test_what_cannot_be_recorded_is_told_at_its_field_and_kept_as_a_draft(
    bench: Bench, change: dict[str, object], where: str
) -> None:
    inspection_id = open_first(bench)
    answers = replace(bar_answers(bench), **change)  # type: ignore[arg-type]  # each change fits its field

    with pytest.raises(UnusableInput) as refused:
        record(bench, inspection_id, answers)

    assert refused.value.where == where
    kept = newest(bench, inspection_id)
    assert (kept.state, kept.revision, kept.measured) == (EntryState.DRAFT, 1, None)
    assert (kept.answers, kept.conditions) == (answers.answers, answers.conditions)


def test_each_error_names_the_field_that_it_belongs_to(bench: Bench) -> None:
    inspection_id = open_first(bench)
    form = workflow.form_of(bench.place, workflow.inspection(bench.place, inspection_id))
    step = form.step(BAR)

    fields = []
    for seen, change in enumerate(
        (
            {"answers": {"reading": ("99,99",)}},
            {"conditions": {**bar_answers(bench).conditions, "illuminance_lx_after": "dark"}},
            {"instrument_ids": ()},
            {"conditions": {**bar_answers(bench).conditions, "temperature_c": "40"}},
        )
    ):
        with pytest.raises(UnusableInput) as refused:
            record(bench, inspection_id, replace(bar_answers(bench), **change), seen)  # type: ignore[arg-type]  # fits
        fields.append(workflow.field_of(step, refused.value))

    assert fields == ["reading", "illuminance_lx_after", "instruments", "reason"]


def test_captures_that_hold_nothing_are_kept_before_they_are_refused(bench: Bench) -> None:
    """Frames of different size cannot be one scene; a failed measurement never costs a new capture."""
    inspection_id = open_first(bench)
    frames = (keep(bench, "a.png", even_frame(1)), keep(bench, "notes.txt", b"no picture at all"))

    with pytest.raises((UnusableInput, NothingToMeasure)) as refused:
        record(bench, inspection_id, StepAnswers(state=EntryState.RECORDED, evidence=frames), step="noise")

    assert "notes.txt" in refused.value.where
    assert newest(bench, inspection_id, "noise").evidence == frames


@pytest.mark.parametrize("text", ["0.9", "1.1", "0,9 lx", "1100 mlx"])
def test_a_condition_on_the_edge_of_its_window_is_inside(bench: Bench, text: str) -> None:
    """1 lx within 10 % is 0.9 to 1.1 lx, ends included."""
    entry = record(bench, open_first(bench), bar_answers(bench, illuminance_lx_before=text, illuminance_lx_after=text))

    assert entry.problem is None


@pytest.mark.parametrize("name", ["illuminance_lx_before", "illuminance_lx_after"])
def test_a_condition_outside_its_window_needs_a_reason_and_counts_as_not_measured(bench: Bench, name: str) -> None:
    inspection_id = open_first(bench)
    answers = bar_answers(bench, **{name: "1.2"})

    with pytest.raises(UnusableInput, match=r"was 1\.2 lx, not 0\.9 to 1\.1"):
        record(bench, inspection_id, answers)
    entry = record(bench, inspection_id, replace(answers, reason="lamp drifts"), 1)

    assert entry.measured is None
    assert entry.problem is not None
    assert "1.2 lx" in entry.problem
    answer_rest(bench, inspection_id)
    findings = {one.limit.clause: one.finding for one in judgements(bench, inspection_id)}
    assert findings == {"4.1": Finding.NOT_MEASURED, "4.2": Finding.CONFORMING}


def answer_rest(bench: Bench, inspection_id: int) -> None:
    record(bench, inspection_id, bar_answers(bench), step="bar-target.vertical")
    record(bench, inspection_id, noise_answers(), step="noise")


def judgements(bench: Bench, inspection_id: int) -> tuple[workflow.Assessment, ...]:
    found = workflow.inspection(bench.place, inspection_id)
    return workflow.judge_inspection(bench.place, found).judgements  # type: ignore[return-value]  # a tuple of judgements


def test_an_instrument_past_its_calibration_counts_as_not_measured(bench: Bench) -> None:
    """The meter's calibration is due on 1 September 2026."""
    inspection_id = open_first(bench)
    bench.clock.now = datetime(2026, 9, 2, 8, 0, tzinfo=UTC)

    with pytest.raises(UnusableInput, match="due on 2026-09-01"):
        record(bench, inspection_id, bar_answers(bench))
    entry = record(bench, inspection_id, replace(bar_answers(bench), reason="no other meter"), 1)

    assert entry.problem is not None
    assert "LM-1 was out of calibration" in entry.problem


def test_an_instrument_is_in_calibration_to_the_end_of_its_due_day(bench: Bench) -> None:
    inspection_id = open_first(bench)
    bench.clock.now = datetime(2026, 9, 1, 23, 59, tzinfo=UTC)

    assert record(bench, inspection_id, bar_answers(bench)).problem is None


def test_an_entry_shows_the_calibrations_that_were_known_when_it_was_recorded(bench: Bench) -> None:
    inspection_id = open_first(bench)
    before = record(bench, inspection_id, bar_answers(bench)).instruments[0]
    newer = replace(bench.meter.calibrations[0], certificate="K-2", due_on=datetime(2027, 9, 1, tzinfo=UTC).date())

    workflow.add_calibration(bench.place, bench.administrator, bench.meter.id, newer)

    assert newest(bench, inspection_id).instruments == (before,)
    assert len(workflow.instruments(bench.place)[0].calibrations) == 2


def test_cannot_tell_is_recorded_as_such(bench: Bench) -> None:
    entry = record(bench, open_first(bench), StepAnswers(state=EntryState.CANNOT_TELL, reason="target lost"))

    assert entry.state is EntryState.CANNOT_TELL
    assert entry.problem == "the inspector could not tell: target lost"


def test_a_correction_says_why_and_keeps_what_it_corrects(bench: Bench) -> None:
    inspection_id = open_first(bench)
    record(bench, inspection_id, bar_answers(bench, ("1,1", "1,1")))
    corrected = bar_answers(bench, ("2,1", "2,1"))

    with pytest.raises(UnusableInput, match="Say why"):
        record(bench, inspection_id, corrected, 1)
    record(bench, inspection_id, replace(corrected, reason="typed the wrong group"), 2)

    past = workflow.entry_history(bench.place, inspection_id, BAR)
    assert [(one.revision, one.state, one.answers["reading"]) for one in past] == [
        (1, EntryState.RECORDED, ("1,1", "1,1")),
        (2, EntryState.DRAFT, ("2,1", "2,1")),
        (3, EntryState.RECORDED, ("2,1", "2,1")),
    ]


@pytest.mark.parametrize("state", list(EntryState))
def test_a_double_submit_is_appended_once(bench: Bench, state: EntryState) -> None:
    inspection_id = open_first(bench)
    answers = replace(bar_answers(bench), state=state)

    first, second = record(bench, inspection_id, answers), record(bench, inspection_id, answers)

    assert first == second
    assert len(workflow.entry_history(bench.place, inspection_id, BAR)) == 1


def test_a_refused_submit_sent_again_leaves_one_draft(bench: Bench) -> None:
    inspection_id = open_first(bench)
    answers = bar_answers(bench, ("99,99",))

    for seen in (0, 0, 1):
        with pytest.raises(UnusableInput):
            record(bench, inspection_id, answers, seen)

    assert len(workflow.entry_history(bench.place, inspection_id, BAR)) == 1


def test_of_two_people_on_one_step_the_later_is_told_who_was_first(bench: Bench) -> None:
    inspection_id = open_first(bench)
    workflow.record_step(bench.place, bench.second, inspection_id, BAR, bar_answers(bench, ("1,1",)), 0)

    with pytest.raises(EditConflict, match="Ivo kept a newer answer"):
        record(bench, inspection_id, bar_answers(bench, ("2,1",)))

    assert newest(bench, inspection_id).answers["reading"] == ("1,1",)


def test_edits_at_the_same_moment_append_one_and_refuse_the_others(either_bench: Bench) -> None:
    inspection_id = open_first(either_bench)
    outcomes: list[str] = []

    def edit(group: int) -> None:
        try:
            record(either_bench, inspection_id, bar_answers(either_bench, (f"{group},1",)))
            outcomes.append("appended")
        except EditConflict:
            outcomes.append("refused")

    threads = [threading.Thread(target=edit, args=(group,)) for group in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert sorted(outcomes) == ["appended", "refused", "refused", "refused"]
    assert len(workflow.entry_history(either_bench.place, inspection_id, BAR)) == 1


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"answers": {"distance_m": ("3",)}}, "asks no such thing"),
        ({"answers": {"reading": ("x" * 5000,)}}, "5000 characters"),
        ({"answers": {"reading": ("1,1",) * 501}}, "501 answers"),
        ({"conditions": {"humidity_percent": "40"}}, "no such condition"),
    ],
)
def test_what_the_form_does_not_ask_is_refused(bench: Bench, change: dict[str, object], words: str) -> None:
    answers = replace(bar_answers(bench), **change)  # type: ignore[arg-type]  # each change fits its field

    with pytest.raises(UnusableInput, match=words):
        record(bench, open_first(bench), answers)


def test_a_file_of_a_role_that_the_check_does_not_take_is_refused(bench: Bench) -> None:
    stray = keep(bench, "dark.png", even_frame(3), role="dark")

    with pytest.raises(UnusableInput, match="takes no dark"):
        record(bench, open_first(bench), StepAnswers(state=EntryState.DRAFT, evidence=(stray,)), step="noise")


def test_a_file_that_was_never_kept_cannot_be_named(bench: Bench) -> None:
    stray = replace(keep(bench, "a.png", even_frame(3)), sha256="0" * 64)

    with pytest.raises(NotFound, match=r"a\.png"):
        record(bench, open_first(bench), StepAnswers(state=EntryState.DRAFT, evidence=(stray,)), step="noise")


@pytest.mark.parametrize("role", ["auditor", "administrator"])
def test_who_may_not_inspect_records_nothing(bench: Bench, role: str) -> None:
    inspection_id = open_first(bench)

    with pytest.raises(NotAllowed):
        workflow.record_step(bench.place, getattr(bench, role), inspection_id, BAR, bar_answers(bench), 0)

    assert workflow.entry_history(bench.place, inspection_id, BAR) == ()


def test_a_signed_inspection_takes_no_more_answers(bench: Bench) -> None:
    inspection_id = open_first(bench)
    answer_all(bench, inspection_id)
    sign(bench, inspection_id)

    with pytest.raises(NotAllowed, match="signed"):
        record(bench, inspection_id, replace(bar_answers(bench), reason="late"), 1)


def test_an_unknown_step_or_inspection_is_told(bench: Bench) -> None:
    with pytest.raises(NotFound):
        record(bench, open_first(bench), bar_answers(bench), step="telepathy")
    with pytest.raises(NotFound):
        record(bench, 4711, bar_answers(bench))


def test_a_file_on_the_machine_is_never_read_from_the_bench(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """A transfer table is a path; only a form may name one."""
    inspection_id = open_first(bench)
    form = workflow.form_of(bench.place, workflow.inspection(bench.place, inspection_id))
    noise = form.step("noise")
    transfer = replace(noise.questions[1], name="transfer", label="Transfer", kind="text", unit=None, is_optional=True)
    asking = replace(noise, questions=(*noise.questions, replace(transfer, way="")))
    opened = replace(form, steps=tuple(asking if step.id == "noise" else step for step in form.steps))
    monkeypatch.setitem(bench.place.forms, form.device_class, opened)  # type: ignore[arg-type]  # a dict underneath
    frames = tuple(keep(bench, f"{seed}.png", even_frame(seed)) for seed in (1, 2))
    answers = StepAnswers(state=EntryState.RECORDED, evidence=frames, answers={"transfer": ("table:/etc/passwd",)})

    with pytest.raises(InspectError, match="not taken from the bench"):
        record(bench, inspection_id, answers, step="noise")


def test_the_verdict_follows_the_readings(bench: Bench) -> None:
    """The contract wants 20 cy/mrad: element 0,1 at 10 m is 10, 2,1 is 40."""
    inspection_id = open_first(bench)
    answer_all(bench, inspection_id, ("0,1", "0,1"))

    verdict = workflow.judge_inspection(bench.place, workflow.inspection(bench.place, inspection_id)).verdict

    assert verdict.outcome is Outcome.REJECTED
    assert [one.limit.clause for one in verdict.deciding] == ["4.1"]


def test_an_inspection_just_opened_is_held_for_want_of_answers(bench: Bench) -> None:
    found = workflow.inspection(bench.place, open_first(bench))

    assessment = workflow.judge_inspection(bench.place, found)

    assert assessment.verdict.outcome is Outcome.HELD
    assert {one.finding for one in assessment.judgements} == {Finding.NOT_MEASURED}


def test_light_that_drifts_by_more_than_half_of_its_window_does_not_count(bench: Bench) -> None:
    """Truth: the window is 0.9 to 1.1 lx, half of its width 0.1 lx; 0.92 to 1.06 drifts by 0.14 lx inside of it."""
    drifting = bar_answers(bench, illuminance_lx_before="0.92", illuminance_lx_after="1.06")
    steady = bar_answers(bench, illuminance_lx_before="0.95", illuminance_lx_after="1.05")
    inspection_id = open_first(bench)

    with pytest.raises(UnusableInput, match=r"drifted from 0.92 to 1.06 lx, more than 0.1 lx"):
        record(bench, inspection_id, drifting)

    assert record(bench, inspection_id, steady, seen=1).problem is None


def test_an_approver_lets_an_instrument_past_its_calibration_count_with_a_printed_reason(bench: Bench) -> None:
    bench.clock.now = datetime(2026, 10, 1, 8, 0, tzinfo=UTC)  # the meter was due on 2026-09-01
    inspection_id = open_first(bench)
    answers = replace(bar_answers(bench), reason="compared with the reference lamp this morning")

    inspector = record(bench, inspection_id, answers)
    approver = workflow.record_step(bench.place, bench.approver, inspection_id, BAR, answers, 1)

    assert (inspector.measured, approver.problem) == (None, None)
    assert "LM-1 was out of calibration" in str(inspector.problem)
    assert approver.measured is not None
    assert "used by leave of Ada, approver" in approver.measured.warnings[-1]
    assert approver.reason == "compared with the reference lamp this morning"
