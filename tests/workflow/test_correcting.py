"""Corrections: a person's word counts, the computed result stays, and nobody is overwritten."""

import io

import numpy as np
import pytest
from PIL import Image

from inspect_app import workflow
from inspect_app.documents import wording
from inspect_app.errors import EditConflict, NotAllowed, UnusableInput
from inspect_app.model import Entry, EntryState, Finding, Measured, Outcome
from inspect_app.workflow import StepAnswers
from tests.truth.workplaces import GOOD_READINGS, Bench, bar_answers, keep, open_first, sign

DISTURBED_COLUMNS = 16
QUIET = {"roi": ("20,4,40,40",)}
WHY = "a reflection of the lamp lies on the left edge"


def disturbed_frame(seed: int) -> bytes:
    """Return an even field of level 120 with noise of 4 levels, and a wild stripe of 16 columns at its left edge."""
    random = np.random.default_rng(seed)
    pixels = random.normal(120, 4, (48, 64))
    pixels[:, :DISTURBED_COLUMNS] = random.uniform(0, 255, (48, DISTURBED_COLUMNS))
    buffer = io.BytesIO()
    Image.fromarray(pixels.round().clip(0, 255).astype(np.uint8)).save(buffer, "PNG")
    return buffer.getvalue()


def captured(bench: Bench, reason: str | None = None) -> StepAnswers:
    """Return the answers of a person who shot two disturbed frames."""
    frames = tuple(keep(bench, f"frame{seed}.png", disturbed_frame(seed)) for seed in (1, 2))
    return StepAnswers(state=EntryState.RECORDED, evidence=frames, reason=reason)


@pytest.fixture
def inspection_id(bench: Bench) -> int:
    """Record the noise of a disturbed frame: its signal to noise is far below the contract's 10."""
    opened = open_first(bench)
    workflow.record_step(bench.place, bench.inspector, opened, "noise", captured(bench), 0)
    return opened


def snr(measured: Measured | None) -> float:
    assert measured is not None
    return next(one.quantity.value for one in measured.results if one.quantity_name == "snr")


def correct(bench: Bench, inspection_id: int, options: dict[str, tuple[str, ...]], seen: int = 0) -> Entry:
    return workflow.correct_result(bench.place, bench.inspector, inspection_id, "noise", options, WHY, (1, seen))


def finding(bench: Bench, inspection_id: int) -> Finding:
    judgements = workflow.judge_inspection(bench.place, workflow.inspection(bench.place, inspection_id)).judgements
    return next(one.finding for one in judgements if one.limit.clause == "4.2")


def test_the_corrected_result_counts_and_the_computed_one_is_kept(bench: Bench, inspection_id: int) -> None:
    """Truth: 120 over noise of 4 is 30; the stripe leaves far less than 10 over the whole frame."""
    entry = correct(bench, inspection_id, QUIET)

    assert snr(entry.measured) == pytest.approx(30, rel=0.1)
    assert snr(entry.computed) < 10
    assert workflow.inspection(bench.place, inspection_id).entries["noise"] == entry


def test_judging_follows_the_correction_and_its_withdrawal(bench: Bench, inspection_id: int) -> None:
    before = finding(bench, inspection_id)
    correct(bench, inspection_id, QUIET)
    corrected = finding(bench, inspection_id)
    correct(bench, inspection_id, {}, seen=1)

    after = finding(bench, inspection_id)

    assert (before, corrected, after) == (Finding.NONCONFORMING, Finding.CONFORMING, Finding.NONCONFORMING)


def test_trying_a_region_records_nothing(bench: Bench, inspection_id: int) -> None:
    measured = workflow.try_correction(bench.place, bench.inspector, inspection_id, "noise", QUIET)

    assert snr(measured) == pytest.approx(30, rel=0.1)
    assert workflow.inspection(bench.place, inspection_id).entries["noise"].corrections == ()


def test_the_document_says_which_result_counts_and_what_was_computed(bench: Bench, inspection_id: int) -> None:
    entry = correct(bench, inspection_id, QUIET)

    (told,) = wording.corrections_text(entry)

    assert told.startswith("the result counts as corrected by Ines on 2026-03-02")
    assert WHY in told
    assert "region 20,4,40,40" in told
    assert "computed before: Signal to noise" in told


def test_two_people_who_correct_at_once_are_told(bench: Bench, inspection_id: int) -> None:
    correct(bench, inspection_id, QUIET)

    with pytest.raises(EditConflict, match="Ines changed its result"):
        correct(bench, inspection_id, {"roi": ("30,4,30,30",)})


@pytest.mark.parametrize(
    ("options", "reason", "words"),
    [
        (QUIET, " ", "reason: it is empty"),
        ({"transfer": ("srgb",)}, WHY, "transfer is not set on the picture"),
        ({"roi": ("0,0,9000,9",)}, WHY, "beyond the picture"),
        ({"roi": ("around here",)}, WHY, "a region is written"),
    ],
)
def test_what_cannot_be_a_correction_is_refused_and_the_computed_result_counts(
    bench: Bench, inspection_id: int, options: dict[str, tuple[str, ...]], reason: str, words: str
) -> None:
    with pytest.raises(UnusableInput, match=words):
        workflow.correct_result(bench.place, bench.inspector, inspection_id, "noise", options, reason, (1, 0))

    assert workflow.inspection(bench.place, inspection_id).entries["noise"].corrections == ()


def test_readings_without_captures_are_corrected_by_answering_anew(bench: Bench, inspection_id: int) -> None:
    answers = bar_answers(bench, GOOD_READINGS)
    workflow.record_step(bench.place, bench.inspector, inspection_id, "bar-target.vertical", answers, 0)

    with pytest.raises(UnusableInput, match="no result from captures"):
        workflow.try_correction(bench.place, bench.inspector, inspection_id, "bar-target.vertical", {})


def test_a_signed_inspection_takes_no_correction(bench: Bench, inspection_id: int) -> None:
    for axis in ("horizontal", "vertical"):
        answers = bar_answers(bench, GOOD_READINGS)
        workflow.record_step(bench.place, bench.inspector, inspection_id, f"bar-target.{axis}", answers, 0)
    sign(bench, inspection_id)
    signature = workflow.inspection(bench.place, inspection_id).signature
    assert signature is not None
    assert signature.outcome is Outcome.REJECTED

    with pytest.raises(NotAllowed, match="signed"):
        correct(bench, inspection_id, QUIET)


def test_a_new_recording_of_the_step_starts_without_corrections(bench: Bench, inspection_id: int) -> None:
    correct(bench, inspection_id, QUIET)

    entry = workflow.record_step(bench.place, bench.inspector, inspection_id, "noise", captured(bench, "shot again"), 1)

    assert entry.corrections == ()
    assert entry.computed is None
