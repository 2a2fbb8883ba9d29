"""Reader studies: kept once with their table, and let count at the bench by an approver."""

import math
from dataclasses import replace

import pytest

from inspect_app import workflow
from inspect_app.errors import InspectError, NotAllowed, NotFound, NothingToMeasure, UnusableInput
from inspect_app.model import StudyKind
from inspect_app.workflow import NewStudy
from tests.judge.test_gauge import trials
from tests.truth import workplaces
from tests.truth.studies import BAD, BAD_ACCEPTED, GOOD, GOOD_REJECTED, PERCENT, elements, looks

NEW = NewStudy(kind=StudyKind.ELEMENTS, title="Bar target near starlight", table_name="study.csv", table=elements())
READINGS = ("part,reader,value\n" + "".join(f"{t.part},{t.reader},{t.value}\n" for t in trials())).encode()


@pytest.fixture
def bench(tmp_path):
    with workplaces.bench(tmp_path) as made:
        yield made


def bar_target(bench, inspection_id, readings=("2,1", "2,1"), step="bar-target.horizontal", seen=0):
    answers = workplaces.bar_answers(bench, readings)
    entry = workflow.record_step(bench.place, bench.inspector, inspection_id, step, answers, seen)
    return next(one for one in entry.measured.results if one.quantity_name == "resolution")


def test_a_study_is_kept_with_who_when_what_on_and_the_number_of_its_layout(bench):
    number = workflow.keep_study(
        bench.place, bench.inspector, replace(NEW, instrument_id=bench.meter.id, remark="three evenings")
    )

    kept = workflow.reader_study(bench.place, number).study
    assert number == "RS-2026-001"
    assert (kept.kept_by.name, kept.instrument.serial, kept.layout, kept.remark) == (
        "Ines", "LM-1", "7", "three evenings",
    )  # fmt: skip
    assert kept.table.encode() == NEW.table


def test_the_same_table_again_is_the_same_study_and_another_is_the_next(bench):
    first = workflow.keep_study(bench.place, bench.inspector, NEW)

    assert workflow.keep_study(bench.place, bench.inspector, replace(NEW, title="Again")) == first
    assert workflow.keep_study(bench.place, bench.inspector, replace(NEW, table=elements("8"))) == "RS-2026-002"
    assert [one.number for one in workflow.reader_studies(bench.place)] == ["RS-2026-002", "RS-2026-001"]


def test_readers_of_the_study_that_counts_stand_in_the_uncertainty_by_its_name(bench):
    """Element 2,1 is 4 lp/mm; u of one reader over √2 for two readings, beside the step from element to element."""
    number = workflow.keep_study(bench.place, bench.inspector, NEW)
    workflow.adopt_study(bench.place, bench.approver, number, "the readers of this bench")
    inspection = workplaces.open_first(bench, "BM-001")

    found = bar_target(bench, inspection)

    step, readers = found.budget
    assert step.standard_uncertainty == pytest.approx(4 * math.log(2) / 6 / math.sqrt(12))
    assert readers.source == "readers, from study RS-2026-001"
    assert readers.standard_uncertainty == pytest.approx(4 * PERCENT / 100 / math.sqrt(2))
    assert readers.degrees_of_freedom == pytest.approx(workflow.counting_study(bench.place).doubt.degrees_of_freedom)


def test_a_kept_study_alone_changes_nothing_and_an_ended_one_counts_no_longer(bench):
    inspection = workplaces.open_first(bench, "BM-001", "BM-002")
    number = workflow.keep_study(bench.place, bench.inspector, NEW)
    kept_only = bar_target(bench, inspection)

    workflow.adopt_study(bench.place, bench.approver, number, "the readers of this bench")
    workflow.end_study(bench.place, bench.approver, number, "two of them left")
    ended = bar_target(bench, inspection, step="bar-target.vertical")

    assert [line.source for line in kept_only.budget] == [line.source for line in ended.budget]
    assert not any("study" in line.source for line in ended.budget)
    acts = workflow.reader_study(bench.place, number).study.adoptions
    assert [(act.doubt is None, act.reason) for act in acts] == [
        (False, "the readers of this bench"), (True, "two of them left"),
    ]  # fmt: skip


def test_a_contract_is_looked_ahead_with_the_readers_that_count(bench):
    """One reader's per cent by the study, in quadrature with 100 ln 2 / 6 / √12 = 3.335 % for the element."""
    number = workflow.keep_study(bench.place, bench.inspector, NEW)
    workflow.adopt_study(bench.place, bench.approver, number, "the readers of this bench")

    [form] = workflow.forms_at_the_bench(bench.place).values()

    expected = form.step("bar-target.horizontal").expected["resolution"]
    assert expected.percent == pytest.approx(math.hypot(100 * math.log(2) / 6 / math.sqrt(12), PERCENT))
    assert expected.basis.startswith("one reader by study RS-2026-001")
    assert form.step("noise").expected == bench.place.forms[form.device_class].step("noise").expected


def test_the_newest_study_adopted_is_the_one_that_counts(bench):
    numbers = [workflow.keep_study(bench.place, bench.inspector, replace(NEW, table=elements(name))) for name in "12"]

    for number in numbers:
        workflow.adopt_study(bench.place, bench.approver, number, "newer readers")

    assert workflow.counting_study(bench.place).study_number == numbers[-1]
    assert [workflow.reader_study(bench.place, number).counts for number in numbers] == [False, True]


@pytest.mark.parametrize(
    ("act", "kind", "words"),
    [
        (lambda b: workflow.keep_study(b.place, b.inspector, replace(NEW, title=" ")), UnusableInput, "title"),
        (lambda b: workflow.keep_study(b.place, b.inspector, replace(NEW, table=b"part,x\n")), UnusableInput, "reader"),
        (
            lambda b: workflow.keep_study(b.place, b.inspector, replace(NEW, table=elements("9"), instrument_id=99)),
            NotFound,
            "99",
        ),
        (lambda b: workflow.keep_study(b.place, b.auditor, NEW), NotAllowed, "auditor"),
        (lambda b: workflow.reader_study(b.place, "RS-1"), NotFound, "RS-1"),
        (lambda b: workflow.adopt_study(b.place, b.inspector, "RS-2026-001", "x"), NotAllowed, "inspector"),
        (lambda b: workflow.adopt_study(b.place, b.approver, "RS-2026-001", " "), UnusableInput, "reason"),
        (lambda b: workflow.adopt_study(b.place, b.approver, "RS-2026-002", "x"), NotAllowed, "no study of elements"),
        (lambda b: workflow.end_study(b.place, b.approver, "RS-2026-001", "x"), NotAllowed, "does not count"),
    ],
)
def test_what_cannot_be_is_refused_in_words(bench, act, kind, words):
    workflow.keep_study(bench.place, bench.inspector, NEW)
    plain = replace(NEW, kind=StudyKind.READINGS, table=READINGS)
    workflow.keep_study(bench.place, bench.inspector, plain)

    with pytest.raises(kind, match=words) as caught:
        act(bench)

    assert isinstance(caught.value, InspectError)
    assert workflow.counting_study(bench.place) is None


def test_a_study_of_readers_who_read_nothing_is_not_adopted(bench):
    """Repeats six elements apart: one reader alone is in doubt by more than 50 %."""
    rows = [f'{part},{reader},"{part + up},1"' for part in range(3) for reader in "AB" for up in (0, 6)]
    table = "\n".join(["part,reader,value", *rows]).encode()
    number = workflow.keep_study(bench.place, bench.inspector, replace(NEW, table=table))

    with pytest.raises(NotAllowed, match="50 % are the most"):
        workflow.adopt_study(bench.place, bench.approver, number, "x")


LOOKS = NewStudy(kind=StudyKind.LOOKS, title="Look and function", table_name="looks.csv", table=looks())


def test_a_study_of_looks_counts_beside_one_of_elements(bench):
    """Truth: the table was made with so many wrong looks."""
    elements_number, looks_number = (workflow.keep_study(bench.place, bench.inspector, new) for new in (NEW, LOOKS))
    for number in (elements_number, looks_number):
        workflow.adopt_study(bench.place, bench.approver, number, "the readers of this bench")

    found = workflow.counting_study(bench.place, StudyKind.LOOKS)

    assert workflow.counting_study(bench.place).study_number == elements_number
    assert (found.study_number, found.doubt) == (looks_number, None)
    told = found.errors
    assert (told.good, told.good_rejected, told.bad, told.bad_accepted) == (GOOD, GOOD_REJECTED, BAD, BAD_ACCEPTED)
    assert (told.false_reject, told.false_accept) == (0.1, 0.2)
    assert workflow.verify(bench.place).problems == ()
    workflow.end_study(bench.place, bench.approver, looks_number, "new readers")
    assert workflow.counting_study(bench.place, StudyKind.LOOKS) is None
    assert workflow.counting_study(bench.place).study_number == elements_number


@pytest.mark.parametrize(
    ("table", "kind", "words"),
    [
        (looks().replace(b",fail\n", b",\n"), NothingToMeasure, "no bad item has a reference"),
        (looks().replace(b",pass\n", b",\n"), NothingToMeasure, "no good item has a reference"),
        (looks().replace(b",fail\n", b",worn\n"), UnusableInput, "'worn' says neither good nor bad"),
    ],
)
def test_a_study_of_looks_counts_only_where_it_is_known_what_is_good(bench, table, kind, words):
    number = workflow.keep_study(bench.place, bench.inspector, replace(LOOKS, table=table))

    with pytest.raises(kind, match=words):
        workflow.adopt_study(bench.place, bench.approver, number, "the readers of this bench")

    assert workflow.counting_study(bench.place, StudyKind.LOOKS) is None
