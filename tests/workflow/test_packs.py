"""Audit packs: whole, bounded, and proved by their own verifier with nothing but Python's standard library."""

import csv
import hashlib
import io
import json
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import BinaryIO

import jsonschema
import pytest
from pypdf import PdfReader

from inspect_app import workflow
from inspect_app.errors import NotFound, UnusableInput
from inspect_app.model import AboutFleet, AboutLot, AboutReturn, Disposition
from inspect_app.workflow import AcceptedArrival, PackKind, PackMatter
from tests.truth.sampled_lots import live_through_sampling
from tests.truth.workplaces import (
    CONTRACT,
    DEVICE_CLASS,
    Bench,
    answer_all,
    even_frame,
    keep,
    live_and_reject_one,
    live_through_everything,
    receive,
    sign,
)
from tests.truth.workplaces import bench as furnished_bench


@pytest.fixture(scope="module")
def packed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Live through everything, and pack the lot, its contract and one serial."""
    folder = tmp_path_factory.mktemp("packed")
    with furnished_bench(folder / "instance") as opened:
        send_back(opened, live_and_reject_one(opened))
        lot = workflow.inspection(opened.place, 1).lot
        receive(opened, "BM-900", reference="DN-99")  # another device, in a lot of its own
        report_on_both_suppliers(opened, lot.id)
        for kind, name in ((PackKind.LOT, lot.number), (PackKind.CONTRACT, "TST-001"), (PackKind.SERIAL, "BM-001")):
            matter = workflow.pack_matter(opened.place, kind, name)
            with (folder / f"{kind}.zip").open("wb") as target:
                assert told_while_packing(opened, matter, target) == "1 to the last, one by one"
    return folder


def send_back(opened: Bench, rejected: int) -> None:
    """Send a rejected device back, and issue the list that goes with it: S-1."""
    for one in workflow.nonconformities_of(opened.place, rejected):
        workflow.dispose(opened.place, opened.approver, one.number, Disposition.RETURN, "out of limits")
    device = workflow.inspection(opened.place, rejected).device
    workflow.send_back(opened.place, opened.inspector, device.maker, "RT-1", [device.id])
    about = AboutReturn(return_shipment_id=workflow.returns(opened.place)[0].id)
    workflow.issue_report(opened.place, opened.approver, about)


def report_on_both_suppliers(opened: Bench, lot_id: int) -> None:
    """Issue a report on the lot, on its contract and on the fleet; let another supplier deliver, and report on it too.

    Numbers in their order: L-1 the lot, F-1 its contract, F-2 everything, L-2 and F-3 the other supplier's.
    """
    place, by = opened.place, opened.approver
    strange = CONTRACT.replace("TST-001", "TST-009").replace("Invented Maker", "Other Maker")
    workflow.adopt_contract(place, None, strange, "tst-009.toml")
    arrivals = [AcceptedArrival(serial="OM-001", device_class=DEVICE_CLASS)]
    shipment = workflow.receive_shipment(place, opened.inspector, "TST-009", "DN-9", arrivals)
    theirs = workflow.lots_of_shipment(place, shipment.id)[0]
    device = workflow.lot_devices(place, theirs.id)[0].device
    inspection = workflow.open_inspection(place, opened.inspector, theirs.id, device.id).id
    answer_all(opened, inspection)
    sign(opened, inspection)
    for about in (
        AboutLot(lot_id=lot_id),
        AboutFleet(contract_number="TST-001"),
        AboutFleet(),
        AboutLot(lot_id=theirs.id),
        AboutFleet(contract_number="TST-009"),
    ):
        workflow.issue_report(place, by, about)


def told_while_packing(opened: Bench, matter: PackMatter, target: BinaryIO) -> str:
    """Write a pack and say how its progress was told."""
    told: list[tuple[int, int]] = []
    workflow.write_pack(opened.place, opened.auditor, matter, target, lambda *step: told.append(step))
    total = told[-1][1]
    return "1 to the last, one by one" if told == [(done, total) for done in range(1, total + 1)] else str(told)


def unpacked(packed: Path, kind: str, to: Path) -> Path:
    with zipfile.ZipFile(packed / f"{kind}.zip") as archive:
        archive.extractall(to)
    return to


def verified(folder: Path) -> tuple[int, str]:
    """Run the pack's own verifier: no packages, no environment, no user site."""
    run = subprocess.run(
        [sys.executable, "-I", "-S", folder / "verify.py"], capture_output=True, text=True, cwd="/", check=False
    )
    assert run.stderr == ""
    return run.returncode, run.stdout


@pytest.mark.parametrize("kind", ["lot", "contract", "serial"])
def test_a_pack_proves_itself(packed: Path, kind: str, tmp_path: Path) -> None:
    status, said = verified(unpacked(packed, kind, tmp_path))

    assert (status, said.splitlines()[1:]) == (0, ["All agrees."])


def test_a_pack_holds_documents_captures_records_tables_and_an_index(packed: Path, tmp_path: Path) -> None:
    folder = unpacked(packed, "lot", tmp_path)

    (certificate,) = (folder / "documents").glob("C-*.pdf")
    assert certificate.read_bytes().startswith(b"%PDF-")
    assert len(list((folder / "evidence").iterdir())) >= 3
    rows = list(csv.DictReader(io.StringIO((folder / "tables" / "results.csv").read_text("utf-8-sig"))))
    assert {row["serial"] for row in rows} == {"BM-001", "BM-002"}
    words = "".join(page.extract_text() for page in PdfReader(folder / "index.pdf").pages)
    assert "Index of an audit pack" in words
    assert "Draft" not in words
    assert "BM-002" in words


def test_its_records_keep_to_the_schema_beside_them(packed: Path, tmp_path: Path) -> None:
    folder = unpacked(packed, "lot", tmp_path)
    schema = json.loads((folder / "records" / "measurements-1.schema.json").read_text("utf-8"))

    records = list((folder / "records").glob("inspection-*.json"))

    assert records
    for record in records:
        jsonschema.validate(json.loads(record.read_text("utf-8")), schema)


def test_a_pack_says_nothing_of_other_devices(packed: Path, tmp_path: Path) -> None:
    """The chain is whole, but of other matters it holds the digests alone: BM-002 came in the same shipment."""
    folder = unpacked(packed, "serial", tmp_path)

    for path in folder.rglob("*"):
        if path.is_file() and path.suffix in (".json", ".jsonl", ".csv"):
            text = path.read_text("utf-8")
            assert "BM-001" in text or path.parent.name != "chain"
            assert not {serial for serial in ("BM-002", "BM-900") if serial in text}, path.name
    events = [json.loads(line) for line in (folder / "chain" / "events.jsonl").read_text("utf-8").splitlines()]
    assert [event["id"] for event in events] == list(range(1, len(events) + 1))
    assert any("content" not in event for event in events)


@pytest.mark.parametrize("kind", list(PackKind))
def test_a_pack_holds_the_reports_on_its_lot_its_contract_and_its_returns(
    packed: Path, kind: PackKind, tmp_path: Path
) -> None:
    """The device that was sent back is of the contract, but of another lot."""
    folder = unpacked(packed, kind, tmp_path)

    reports = {path.stem for path in (folder / "documents").glob("[LSF]-*.pdf")}

    sent_back = {"S-2026-0001"} if kind is PackKind.CONTRACT else set()
    assert reports == {"L-2026-0001", "F-2026-0001"} | sent_back
    rows = [json.loads(line) for line in (folder / "chain" / "rows.jsonl").read_text("utf-8").splitlines()]
    assert {row["number"] for row in rows if row.get("table") == "document"} >= reports


def test_draw_change_and_verdict_go_into_the_pack_of_a_lot_and_not_of_a_serial(bench: Bench, tmp_path: Path) -> None:
    """They tell of all devices of the lot, so they are nothing to hand out with one."""
    live_through_sampling(bench)
    inspected = workflow.inspection(bench.place, 1)

    packed_tables = {}
    for kind, name in ((PackKind.LOT, inspected.lot.number), (PackKind.SERIAL, inspected.device.serial)):
        matter = workflow.pack_matter(bench.place, kind, name)
        with (tmp_path / f"{kind}.zip").open("wb") as target:
            workflow.write_pack(bench.place, bench.auditor, matter, target, lambda *_: None)
        folder = unpacked(tmp_path, kind, tmp_path / kind)
        assert verified(folder)[0] == 0
        rows = (folder / "chain" / "rows.jsonl").read_text("utf-8").splitlines()
        packed_tables[kind] = {json.loads(row).get("table") for row in rows}

    of_the_lot = {"sample_draw", "sample_change", "lot_verdict"}
    assert packed_tables[PackKind.LOT] >= of_the_lot
    assert not packed_tables[PackKind.SERIAL] & of_the_lot


@pytest.mark.parametrize("kind", list(PackKind))
def test_of_another_supplier_nothing_stands_in_a_pack(packed: Path, kind: PackKind, tmp_path: Path) -> None:
    """Their device came by another contract; the report on everything tells of both, and is left out."""
    folder = unpacked(packed, kind, tmp_path)

    for path in folder.rglob("*"):
        if path.suffix in (".json", ".jsonl", ".csv"):
            text = path.read_text("utf-8")
        elif path.suffix == ".pdf":
            text = "".join(page.extract_text() for page in PdfReader(path).pages)
        else:
            continue
        assert not {words for words in ("OM-001", "Other Maker", "TST-009") if words in text}, path.name


def change_a_report(folder: Path) -> None:
    path = folder / "documents" / "L-2026-0001.pdf"
    path.write_bytes(path.read_bytes() + b"%")
    renew_manifest(folder, path)


def exchange_two_documents(folder: Path) -> None:
    """Let each be there with a digest that a row names, only under the other's number."""
    one, other = folder / "documents" / "L-2026-0001.pdf", folder / "documents" / "F-2026-0001.pdf"
    content = one.read_bytes()
    one.write_bytes(other.read_bytes())
    other.write_bytes(content)
    renew_manifest(folder, one)
    renew_manifest(folder, other)


def take_a_report_out(folder: Path) -> None:
    path = folder / "documents" / "L-2026-0001.pdf"
    manifest = json.loads((folder / "manifest.json").read_text("utf-8"))
    del manifest["files"]["documents/L-2026-0001.pdf"]
    (folder / "manifest.json").write_text(json.dumps(manifest), "utf-8")
    path.unlink()


def slip_a_document_in(folder: Path) -> None:
    path = folder / "documents" / "L-2026-9999.pdf"
    path.write_bytes(b"%PDF-1.7")
    manifest = json.loads((folder / "manifest.json").read_text("utf-8"))
    manifest["files"]["documents/L-2026-9999.pdf"] = {"sha256": "", "size_bytes": 8}
    (folder / "manifest.json").write_text(json.dumps(manifest), "utf-8")
    renew_manifest(folder, path)


def change_a_capture(folder: Path) -> None:
    path = next((folder / "evidence").iterdir())
    path.write_bytes(path.read_bytes() + b" ")


def change_a_row(folder: Path) -> None:
    path = folder / "chain" / "rows.jsonl"
    path.write_text(path.read_text("utf-8").replace('"outcome":"accepted"', '"outcome":"rejected"'), "utf-8")
    renew_manifest(folder, path)


def drop_a_row(folder: Path) -> None:
    path = folder / "chain" / "rows.jsonl"
    path.write_text("".join(path.read_text("utf-8").splitlines(keepends=True)[1:]), "utf-8")
    renew_manifest(folder, path)


def change_an_event(folder: Path) -> None:
    path = folder / "chain" / "events.jsonl"
    path.write_text(path.read_text("utf-8").replace("inspection signed", "inspection opened", 1), "utf-8")
    renew_manifest(folder, path)


def cut_the_chain(folder: Path) -> None:
    path = folder / "chain" / "events.jsonl"
    path.write_text("".join(path.read_text("utf-8").splitlines(keepends=True)[:-1]), "utf-8")
    renew_manifest(folder, path)


def take_a_capture_out(folder: Path) -> None:
    path = next((folder / "evidence").iterdir())
    manifest = json.loads((folder / "manifest.json").read_text("utf-8"))
    del manifest["files"][path.relative_to(folder).as_posix()]
    (folder / "manifest.json").write_text(json.dumps(manifest), "utf-8")
    path.unlink()


def slip_a_file_in(folder: Path) -> None:
    (folder / "documents" / "C-2026-9999.pdf").write_bytes(b"%PDF-1.7")


def renew_manifest(folder: Path, path: Path) -> None:
    """Let the manifest agree, as a forger would."""
    manifest = json.loads((folder / "manifest.json").read_text("utf-8"))
    manifest["files"][path.relative_to(folder).as_posix()]["sha256"] = hashlib.sha256(path.read_bytes()).hexdigest()
    (folder / "manifest.json").write_text(json.dumps(manifest), "utf-8")


@pytest.mark.parametrize(
    ("forge", "words"),
    [
        (change_a_capture, "it was changed"),
        (change_a_row, "a row that it wrote was changed, added or removed"),
        (drop_a_row, "a row that it wrote was changed, added or removed"),
        (change_an_event, "it was changed"),
        (cut_the_chain, "it does not end with the digest that the manifest names"),
        (take_a_capture_out, "a row names it, and it is not in the pack"),
        (slip_a_file_in, "the manifest does not name it"),
        (change_a_report, "document L-2026-0001: its file is not the one that was issued"),
        (exchange_two_documents, "document F-2026-0001: its file is not the one that was issued"),
        (take_a_report_out, "document L-2026-0001: its file is not in the pack"),
        (slip_a_document_in, "document L-2026-9999: no row says that it was issued"),
    ],
)
def test_whatever_is_forged_is_named(packed: Path, tmp_path: Path, forge, words: str) -> None:
    folder = unpacked(packed, "lot", tmp_path)

    forge(folder)

    status, said = verified(folder)
    assert status == 1
    assert words in said


@pytest.mark.parametrize("kind", list(PackKind))
def test_what_is_not_there_is_not_packed(bench: Bench, kind: PackKind) -> None:
    with pytest.raises(UnusableInput):
        workflow.pack_matter(bench.place, kind, "ZZ-404")


def test_a_contract_without_inspections_has_nothing_to_pack(bench: Bench) -> None:
    matter = workflow.pack_matter(bench.place, PackKind.CONTRACT, "TST-001")

    with pytest.raises(NotFound, match="nothing of it was inspected"):
        workflow.write_pack(bench.place, bench.auditor, matter, io.BytesIO(), lambda *_: None)


def test_a_file_that_is_gone_is_named(bench: Bench) -> None:
    live_through_everything(bench)
    digest = keep(bench, "look.png", even_frame(7)).sha256
    bench.place.evidence.path(digest).unlink()
    matter = workflow.pack_matter(bench.place, PackKind.SERIAL, "BM-001")

    with pytest.raises(NotFound, match=digest[:12]):
        workflow.write_pack(bench.place, bench.auditor, matter, io.BytesIO(), lambda *_: None)
