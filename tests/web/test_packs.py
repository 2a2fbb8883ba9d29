"""Audit packs on the pages: ordered, written by the worker, taken away, cancelled."""

import io
import zipfile

import pytest

from inspect_app import workflow


@pytest.fixture
def auditor(as_role):
    return as_role("aud")


def order(visitor, kind, name):
    visitor.get("/packs/")
    return visitor.post("/packs/", {"kind": kind, "name": name})


def work(place):
    return workflow.work(place, processes=1, is_stopped=lambda: False, until_empty=True)


def test_a_pack_is_ordered_written_and_taken_away(auditor, inspection, place):
    serial = inspection.device.serial

    assert order(auditor, "serial", serial).status_code == 200
    assert "waiting" in auditor.words()
    assert work(place) == 1
    auditor.get("/packs/")

    assert "finished" in auditor.words()
    (one,) = workflow.pack_orders(place)
    sent = auditor.get(f"/packs/{one.key}")
    with zipfile.ZipFile(io.BytesIO(sent.get_data())) as archive:
        assert {"manifest.json", "verify.py", "index.pdf", "chain/events.jsonl"} <= set(archive.namelist())


def test_what_is_not_there_is_refused_beside_its_field(auditor):
    assert order(auditor, "serial", "ZZ-404").status_code == 422
    assert "it never arrived" in auditor.words()
    assert order(auditor, "lot", "").status_code == 422
    assert order(auditor, "fleet", "all").status_code == 422


def test_a_pack_can_be_cancelled_and_ordered_again(auditor, inspection, place):
    serial = inspection.device.serial
    order(auditor, "serial", serial)
    (one,) = workflow.pack_orders(place)

    auditor.post(f"/packs/{one.key}/cancel")
    assert "cancelled" in auditor.words()
    work(place)
    assert auditor.get(f"/packs/{one.key}").status_code == 404
    order(auditor, "serial", serial)
    work(place)

    assert auditor.get(f"/packs/{one.key}").status_code == 200


def test_a_matter_without_inspections_says_so(auditor, lot, place):
    order(auditor, "lot", lot.number)
    work(place)
    auditor.get("/packs/")

    assert "nothing of it was inspected yet" in auditor.words()


def test_progress_is_told_to_the_script(auditor, inspection, place):
    order(auditor, "serial", inspection.device.serial)
    (one,) = workflow.pack_orders(place)

    assert auditor.get(f"/packs/{one.key}/progress").json["under_way"] is True
    assert auditor.get("/packs/none.zip/progress").status_code == 404
