"""The documents of a whole lot: made in the background, stopped anywhere, gone on with; none is lost or made twice."""

import io
import subprocess
import sys
import zipfile
from datetime import timedelta

import pikepdf
import pytest

from inspect_app import workflow
from inspect_app.errors import NotAllowed, NotFound, UnusableInput
from inspect_app.workflow import BatchState
from tests.documents.reading import pages_of
from tests.truth.workplaces import GOOD_READINGS, PASSWORD, POOR_READINGS, Bench, answer_all, receive, sign


def signed_lot(bench: Bench, count: int) -> int:
    """Receive and sign so many devices; the second one is rejected."""
    lot_id = receive(bench, *(f"BM-{number:03d}" for number in range(1, count + 1)))
    for place, one in enumerate(workflow.lot_devices(bench.place, lot_id)):
        key = workflow.open_inspection(bench.place, bench.inspector, lot_id, one.device.id).id
        answer_all(bench, key, POOR_READINGS if place == 1 else GOOD_READINGS)
        sign(bench, key)
    return lot_id


def numbers(bench: Bench) -> list[str]:
    return sorted(one.document.number for one in workflow.issued_documents(bench.place))


def work(bench: Bench, processes: int = 1, most: int | None = None) -> None:
    """Let a worker do what is ordered; it is stopped, as by a signal, after so many documents."""
    told: list[object] = []
    workflow.work(
        bench.place,
        processes=processes,
        is_stopped=lambda: most is not None and len(told) >= most,
        told=told.append,
        until_empty=True,
    )


def test_a_lot_that_is_ordered_is_issued_by_the_worker_and_told_as_finished(bench: Bench) -> None:
    lot_id = signed_lot(bench, 3)

    ordered = workflow.order_batch(bench.place, bench.approver, lot_id, PASSWORD)
    assert (ordered.state, ordered.total, numbers(bench)) == (BatchState.WAITING, 3, [])
    work(bench)

    finished = workflow.batch(bench.place, lot_id)
    assert finished is not None
    assert (finished.state, finished.done, finished.refusals) == (BatchState.FINISHED, 3, ())
    assert numbers(bench) == ["C-2026-0001", "C-2026-0002", "R-2026-0001"]
    assert {one.document.issued_by.login for one in workflow.issued_documents(bench.place)} == {"ada"}


@pytest.fixture
def worth_a_pool(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a small lot be made by several processes, so that the test is quick."""
    monkeypatch.setattr("inspect_app.workflow.papers.lot_issuing._WORTH_A_POOL", 2)


@pytest.mark.usefixtures("worth_a_pool")
def test_two_processes_number_a_lot_without_gaps_in_the_order_of_arrival(bench: Bench) -> None:
    lot_id = signed_lot(bench, 4)

    steps = list(workflow.issue_lot(bench.place, bench.approver, lot_id, processes=2))

    issued = [(step.serial, step.document.number) for step in steps if step.document is not None]
    assert issued == [
        ("BM-001", "C-2026-0001"),
        ("BM-002", "R-2026-0001"),
        *((f"BM-{number:03d}", f"C-2026-{number - 1:04d}") for number in range(3, 5)),
    ]
    assert workflow.verify(bench.place).problems == ()
    content = workflow.document_path(bench.place, workflow.document(bench.place, "C-2026-0003")).read_bytes()
    assert all(line.holds is not False for line in workflow.prove_file(bench.place, "x.pdf", content))


@pytest.mark.usefixtures("worth_a_pool")
def test_a_number_that_somebody_takes_meanwhile_makes_no_gap_and_no_second_document(bench: Bench) -> None:
    lot_id = signed_lot(bench, 4)
    other = signed_lot_of_one(bench)

    steps = workflow.issue_lot(bench.place, bench.approver, lot_id, processes=2)
    first = next(steps)
    workflow.issue_document(bench.place, bench.approver, other)
    rest = list(steps)

    assert len([first, *rest]) == 4
    assert numbers(bench) == [*(f"C-2026-{number:04d}" for number in range(1, 5)), "R-2026-0001"]


def signed_lot_of_one(bench: Bench) -> int:
    lot_id = receive(bench, "BM-900", reference="DN-9")
    device = workflow.lot_devices(bench.place, lot_id)[0].device
    key = workflow.open_inspection(bench.place, bench.inspector, lot_id, device.id).id
    answer_all(bench, key)
    sign(bench, key)
    return key


def test_a_cancelled_batch_stops_keeps_what_is_issued_and_goes_on_when_ordered_again(bench: Bench) -> None:
    lot_id = signed_lot(bench, 3)
    workflow.order_batch(bench.place, bench.approver, lot_id, PASSWORD)
    with pytest.raises(NotAllowed, match="waiting already"):
        workflow.order_batch(bench.place, bench.approver, lot_id, PASSWORD)
    work(bench, most=1)

    cancelled = workflow.cancel_batch(bench.place, bench.approver, lot_id)
    assert cancelled.state is BatchState.CANCELLED
    assert numbers(bench) == ["C-2026-0001"]
    work(bench)
    assert numbers(bench) == ["C-2026-0001"]

    workflow.order_batch(bench.place, bench.approver, lot_id, PASSWORD)
    work(bench)
    assert numbers(bench) == ["C-2026-0001", "C-2026-0002", "R-2026-0001"]


def test_a_worker_that_is_killed_in_the_middle_loses_and_doubles_nothing(bench: Bench) -> None:
    """The worker is a real process, killed without warning once it has told its first document."""
    lot_id = signed_lot(bench, 3)
    workflow.order_batch(bench.place, bench.approver, lot_id, PASSWORD)
    instance = str(bench.place.settings.instance)
    command = [sys.executable, "-m", "inspect_app", "work", "--processes", "1", "--instance", instance]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as worker:
        assert worker.stdout is not None
        assert worker.stdout.readline().startswith("BM-001: C-")
        worker.kill()
    assert 1 <= len(numbers(bench)) < 3
    assert workflow.verify(bench.place).problems == ()

    bench.clock.now += timedelta(days=3650)
    stopped = workflow.batch(bench.place, lot_id)
    assert stopped is not None
    assert stopped.state is BatchState.STOPPED
    subprocess.run([*command, "--until-empty"], check=True, stdout=subprocess.PIPE)

    assert numbers(bench)[-1] == "R-2026-0001"
    assert [int(number[-4:]) for number in numbers(bench)] == [1, 2, 1]
    assert workflow.awaiting_documents(bench.place, lot_id) == ()
    assert workflow.verify(bench.place).problems == ()


def test_what_may_not_be_approved_is_told_and_the_rest_is_issued(bench: Bench) -> None:
    lot_id = signed_lot(bench, 1)
    other = receive(bench, "BM-901", reference="DN-8")
    device = workflow.lot_devices(bench.place, other)[0].device
    key = workflow.open_inspection(bench.place, bench.approver, other, device.id).id
    answer_all(bench, key)
    workflow.conclude(bench.place, bench.approver, key, PASSWORD, "BM-901")

    for one in (lot_id, other):
        workflow.order_batch(bench.place, bench.approver, one, PASSWORD)
    work(bench)

    refused = workflow.batch(bench.place, other)
    assert refused is not None
    assert "somebody else" in refused.refusals[0]
    assert numbers(bench) == ["C-2026-0001"]


def test_only_an_approver_with_the_password_orders_and_only_what_waits(bench: Bench) -> None:
    lot_id = signed_lot(bench, 1)

    for person, password in ((bench.inspector, PASSWORD), (bench.approver, "not the password")):
        with pytest.raises(NotAllowed):
            workflow.order_batch(bench.place, person, lot_id, password)
    with pytest.raises(NotFound, match="none was ordered"):
        workflow.cancel_batch(bench.place, bench.approver, lot_id)
    with pytest.raises(NotFound, match="no documents yet"):
        workflow.zipped_lot(bench.place, lot_id)
    list(workflow.issue_lot(bench.place, bench.approver, lot_id))
    with pytest.raises(UnusableInput, match="waits for a document"):
        workflow.order_batch(bench.place, bench.approver, lot_id, PASSWORD)


def test_a_lot_is_taken_away_as_issued_and_as_one_file_to_read(bench: Bench) -> None:
    lot_id = signed_lot(bench, 2)
    list(workflow.issue_lot(bench.place, bench.approver, lot_id))
    issued = workflow.documents_of_lot(bench.place, lot_id)

    with zipfile.ZipFile(io.BytesIO(workflow.zipped_lot(bench.place, lot_id))) as archive:
        assert archive.namelist() == ["C-2026-0001.pdf", "R-2026-0001.pdf", "authority.pem"]
        for document in issued:
            path = workflow.document_path(bench.place, document)
            assert archive.read(path.name) == path.read_bytes()
    merged = workflow.merged_lot(bench.place, lot_id)

    apart = [workflow.document_path(bench.place, document).read_bytes() for document in issued]
    assert pages_of(merged) == [page for one in apart for page in pages_of(one)]
    with pikepdf.open(io.BytesIO(merged)) as opened, opened.open_outline() as outline:
        assert [item.title for item in outline.root] == ["C-2026-0001", "R-2026-0001"]
        assert "/AcroForm" not in opened.Root
        assert "without their seals" in str(opened.docinfo["/Title"])
