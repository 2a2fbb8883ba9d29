"""Reports as documents: numbered, sealed, kept, proved, ended; on the lots and the return of `live_through_sampling`.

There, a lot of four is rejected with one device found poor of the one looked at, that device is sent back, and a second
lot of two is the first come again.
"""

import dataclasses
import json
from datetime import date
from importlib import resources

import jsonschema
import pytest
from alembic.operations import Operations
from alembic.runtime.migration import MigrationContext
from sqlalchemy import text

from inspect_app import documents, workflow
from inspect_app.errors import NotAllowed, NotFound, UnusableInput
from inspect_app.model import AboutFleet, AboutLot, AboutReport, AboutReturn, Document, FollowUp
from inspect_app.storage import triggers
from inspect_app.storage.database import MIGRATIONS
from inspect_app.workflow import ProofLine
from tests.documents.reading import pages_of, text_of
from tests.truth.sampled_lots import live_through_sampling, receive_sampled, reject_lot
from tests.truth.workplaces import Bench, live_through_everything

EVERYTHING = AboutFleet()


@pytest.fixture
def lived(bench: Bench) -> Bench:
    live_through_sampling(bench)
    return bench


def issue(bench: Bench, about: AboutReport) -> Document:
    return workflow.issue_report(bench.place, bench.approver, about)


def bytes_of(bench: Bench, document: Document) -> bytes:
    return workflow.document_path(bench.place, document).read_bytes()


def first_lot(bench: Bench) -> AboutLot:
    return AboutLot(lot_id=min(one.lot.id for one in workflow.lots(bench.place)))


def first_return(bench: Bench) -> AboutReturn:
    return AboutReturn(return_shipment_id=workflow.returns(bench.place)[0].id)


def proof(bench: Bench, document: Document) -> dict[str, ProofLine]:
    return {line.question: line for line in workflow.prove_file(bench.place, "x.pdf", bytes_of(bench, document))}


def record_of(bench: Bench, document: Document) -> dict:
    (record,) = [one for one in workflow.attachments(bench.place, document) if one.name == "report.json"]
    return json.loads(record.content)


def test_each_kind_of_report_has_a_series_of_its_own_and_every_proof_of_it_holds(either_bench: Bench) -> None:
    live_through_sampling(either_bench)

    issued = [issue(either_bench, about) for about in (first_lot(either_bench), first_return(either_bench), EVERYTHING)]

    assert [one.number for one in issued] == ["L-2026-0001", "S-2026-0001", "F-2026-0001"]
    for one in issued[:2]:
        holds = {line.holds for line in proof(either_bench, one).values()}
        assert holds == {True, None}
        assert proof(either_bench, one)["Record"].said == "as it was kept"
    assert workflow.verify(either_bench.place).problems == ()


def test_a_lot_report_says_what_the_record_says(bench: Bench) -> None:
    """Truth: ten devices at level II are letter B, n = 3, Ac 0; 95 % are accepted at 1.7 % nonconforming."""
    lot_id = reject_lot(bench, "DN-1", FollowUp.SCREEN)
    sampling = workflow.lot_sampling(bench.place, lot_id)
    assert sampling is not None
    assert sampling.draw is not None

    pdf = bytes_of(bench, issue(bench, AboutLot(lot_id=lot_id)))
    said = text_of(pdf)

    assert "Rejected" in pages_of(pdf)[0]
    assert "what follows: screen." in said
    assert "2859-1, level II, AQL 4, letter B, plan of letter B" in said
    assert "1 of 3 1 found; accept up to 0, reject from 1 rejected" in said
    assert sampling.draw.seed in said.replace(" ", "")
    assert all(one.device.device.serial in said for one in sampling.devices)
    assert "with 1.695 in 100, 95 %" in said.replace("Of a process ", "")
    assert "Of 10 devices 0 are accepted, 1 rejected, 9 not decided or not looked at." in said


def test_a_lot_whose_sample_is_not_drawn_is_reported_as_open(bench: Bench) -> None:
    about = AboutLot(lot_id=receive_sampled(bench, "DN-1"))

    said = text_of(workflow.draft_report(bench.place, bench.inspector, about))

    assert "The verdict on the lot is not given yet." in said
    assert "No sample is drawn yet." in said
    assert "Draft for" in said
    assert "A draft is not sealed and proves nothing." in said


def test_a_lot_without_plans_is_reported_device_by_device(bench: Bench) -> None:
    live_through_everything(bench)

    said = text_of(workflow.draft_report(bench.place, bench.approver, first_lot(bench)))

    assert "Every device of this lot is inspected and stands for itself." in said
    assert "accepted C-2026-0001" in said


def test_a_return_list_names_device_demand_and_what_is_asked(lived: Bench) -> None:
    said = text_of(bytes_of(lived, issue(lived, first_return(lived))))

    assert "Return RT-1 to Invented Maker" in said
    assert "because of 1 nonconformity." in said
    assert "NC-2026-0001" in said
    assert "Returned: what caused the nonconformity, and whether it will be credited." in said
    assert "Lithium cells" in said


def test_a_fleet_report_counts_with_exact_intervals(lived: Bench) -> None:
    """Clopper and Pearson for 1 of 1: from (alpha / 2) ** (1 / n) = 2.5 % to 100 %."""
    record = record_of(lived, issue(lived, EVERYTHING))

    assert record["told"] == [
        "Devices rejected at their first inspection: 1 of 1: 100.0 % (2.5 to 100.0 %).",
        "Lots rejected on first submission: 1 of 1: 100.0 % (2.5 to 100.0 %).",
    ]
    assert {name: record["facts"][name] for name in ("Shipments", "Lots", "Devices received", "Rejected")} == {
        "Shipments": "2",
        "Lots": "2",
        "Devices received": "6",
        "Rejected": "1",
    }
    assert [row[0] for row in record["tables"]["nonconformities"]["rows"]] == ["NC-2026-0001"]
    assert {row[1] for row in record["tables"]["instruments"]["rows"]} == {"LM-1"}


def test_documents_in_a_fleet_report_are_told_by_runs_of_numbers(bench: Bench) -> None:
    live_through_everything(bench)
    issued = [one.document.number for one in workflow.issued_documents(bench.place)]

    record = record_of(bench, issue(bench, EVERYTHING))

    assert [row[0] for row in record["tables"]["documents"]["rows"]] == issued[::-1]
    assert "Certificate, C-2026: 0001" in record["remarks"]["Documents"][0]


def test_a_scope_narrows_the_fleet_down_by_contract_class_supplier_and_days(lived: Bench) -> None:
    received = workflow.lots(lived.place)[0].lot.shipment.received_at.date()
    for scope in (
        AboutFleet(contract_number="TST-002"),
        AboutFleet(supplier="Invented Maker", device_class="bench monocular"),
        AboutFleet(received_from=received, received_until=received),
    ):
        assert workflow.report_subject(lived.place, scope)
    for scope in (
        AboutFleet(contract_number="TST-001"),
        AboutFleet(received_until=date(2020, 1, 1)),
        AboutFleet(device_class="none"),
    ):
        with pytest.raises(NotFound, match="no lot was received"):
            workflow.issue_report(lived.place, lived.approver, scope)
    with pytest.raises(UnusableInput, match="is before"):
        issue(lived, AboutFleet(received_from=date(2026, 2, 1), received_until=date(2026, 1, 1)))


def test_reports_keep_to_their_published_schema(lived: Bench) -> None:
    schema_text = resources.files(documents).joinpath("schemas/report-1.json").read_text(encoding="utf-8")
    jsonschema.Draft202012Validator.check_schema(json.loads(schema_text))
    schema = jsonschema.Draft202012Validator(json.loads(schema_text), format_checker=jsonschema.FormatChecker())

    for about in (first_lot(lived), first_return(lived), EVERYTHING):
        record = record_of(lived, issue(lived, about))
        assert [error.message for error in schema.iter_errors(record)] == []
        assert not schema.is_valid(record | {"extra": 1})
        assert not schema.is_valid(record | {"document": "C-2026-0001"})


def test_a_report_is_issued_once_and_made_anew_only_in_place_of_the_old_one(lived: Bench) -> None:
    about = first_lot(lived)
    old = issue(lived, about)
    before = bytes_of(lived, old)

    assert issue(lived, about).number == old.number
    new = workflow.supersede_document(lived.place, lived.approver, old.number, "a device was found")

    assert new.number == "L-2026-0002"
    assert "Supersedes L-2026-0001 of 2026-03-02" in text_of(bytes_of(lived, new))
    assert bytes_of(lived, old) == before
    assert "superseded by L-2026-0002" in proof(lived, old)["Standing"].said
    assert [one.number for one in workflow.documents_about(lived.place, about)] == ["L-2026-0002", "L-2026-0001"]


def test_after_a_revoked_report_comes_a_new_one_that_tells_of_it(lived: Bench) -> None:
    about = first_return(lived)
    workflow.revoke_document(lived.place, lived.approver, issue(lived, about).number, "the crate was changed")

    new = issue(lived, about)

    assert new.number == "S-2026-0002"
    assert "on the same return was revoked: the crate was changed" in text_of(bytes_of(lived, new))


def test_an_inspector_neither_issues_nor_ends_a_report(lived: Bench) -> None:
    about = first_lot(lived)
    with pytest.raises(NotAllowed):
        workflow.issue_report(lived.place, lived.inspector, about)
    document = issue(lived, about)

    assert not workflow.may_end(lived.place, lived.inspector, document)
    for ending in (workflow.supersede_document, workflow.revoke_document):
        with pytest.raises(NotAllowed):
            ending(lived.place, lived.inspector, document.number, "by the wrong person")


def test_a_report_on_nothing_is_not_found(bench: Bench) -> None:
    for about in (AboutLot(lot_id=99), AboutReturn(return_shipment_id=99), EVERYTHING):
        with pytest.raises(NotFound):
            issue(bench, about)


def test_a_record_that_goes_on_after_a_report_is_told_and_no_failure(lived: Bench) -> None:
    document = issue(lived, EVERYTHING)
    receive_sampled(lived, "DN-S3")

    line = proof(lived, document)["Record"]

    assert line.holds is None
    assert "a report tells what was so when it was issued" in line.said


def test_a_printed_report_is_proved_by_its_number_and_digest(lived: Bench) -> None:
    document = issue(lived, first_lot(lived))
    (record,) = [one for one in workflow.attachments(lived.place, document) if one.name == "report.json"]

    found, lines = workflow.prove_number(lived.place, f"{document.number}:{record.sha256}".upper())

    assert found == document
    assert lines[0].holds
    assert "lot report on lot" in lines[0].said


def test_the_same_report_gives_the_same_bytes_on_a4_and_other_bytes_on_letter(lived: Bench) -> None:
    settings = dataclasses.replace(lived.place.settings, paper="Letter")
    at = lived.place.clock()
    still = dataclasses.replace(lived.place, clock=lambda: at)

    once = workflow.draft_report(still, lived.approver, EVERYTHING)

    assert workflow.draft_report(still, lived.approver, EVERYTHING) == once
    letter = workflow.draft_report(dataclasses.replace(still, settings=settings), lived.approver, EVERYTHING)
    assert letter != once
    assert text_of(letter).count("End of fleet report") == 1


def test_the_migration_keeps_documents_their_ends_and_their_seals(bench: Bench) -> None:
    """The table is built anew on a record that has documents and an end of one: the audit chain still holds."""
    live_through_everything(bench)
    before = workflow.issued_documents(bench.place)
    script: dict = {}
    exec((MIGRATIONS / "versions" / "20261126_report_on_lots.py").read_text(), script)  # noqa: S102 (our own file)

    with bench.place.database.engine.execution_options(writes=True).begin() as connection:
        with Operations.context(MigrationContext.configure(connection)):
            script["_rebuild_document"]()
        triggers.create(connection, [("document", "id")])
        assert connection.execute(text("PRAGMA foreign_key_check")).all() == []

    assert workflow.issued_documents(bench.place) == before
    assert [one for one in workflow.verify(bench.place).problems if "as this program builds it" not in one] == []
