"""The dock: a shipment is taken down serial by serial, what is odd is asked about, then it is received."""

import io

import openpyxl
import pytest

from inspect_app import workflow

HEAD = {"contract": "TST-1", "reference": "DN-200"}


@pytest.fixture
def dock(inspector):
    inspector.get("/receive")
    return inspector


def scan(visitor, serial, already=""):
    return visitor.post("/receive", {**HEAD, "act": "add", "scan": serial, "serials": already})


def review(visitor, serials, **more):
    return visitor.post("/receive", {**HEAD, "act": "review", "serials": serials, **more})


def confirm(visitor, serials, **more):
    fields = {**HEAD, "serials": serials, "listed": visitor.value_of("listed")}
    return visitor.post("/receive/confirm", {**fields, **more})


def test_each_scan_is_added_to_the_list_and_the_cursor_stays_in_the_scan_field(dock):
    scan(dock, "TM-1001\r")
    page = scan(dock, "TM-1002", "TM-1001")

    assert page.status_code == 200
    assert "TM-1001\nTM-1002</textarea>" in dock.text().replace("\r", "")
    assert "2 on the list" in dock.words()
    assert dock.value_of("scan") == ""
    assert "autofocus" in dock.tag_of("scan")


def test_plain_serials_are_received_into_one_lot_of_their_class(dock, place):
    review(dock, "TM-1001\nTM-1002")
    assert dock.heading() == "What came with DN-200"

    page = confirm(dock, "TM-1001\nTM-1002")

    lot = workflow.lots(place)[0]
    assert lot.total == 2
    assert page.request.path == f"/lots/{lot.lot.id}"
    assert "Shipment DN-200 is received." in dock.words()


def test_nothing_is_recorded_by_looking_at_what_came(dock, place):
    review(dock, "TM-1001")

    assert workflow.lots(place) == ()


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_a_packing_list_tells_what_is_listed_and_what_is_missing(dock, kind):
    content = b"serial,device class\nTM-1001,test monocular\nTM-1002,test monocular\n"
    if kind == "xlsx":
        book = openpyxl.Workbook()
        for line in content.decode().splitlines():
            book.active.append(line.split(","))
        buffer = io.BytesIO()
        book.save(buffer)
        content = buffer.getvalue()

    review(dock, "TM-1001\nTM-9999", packing_list=(io.BytesIO(content), f"list.{kind}"))

    assert "Listed, but not here TM-1002" in dock.words()
    assert "This serial is not on the packing list" in dock.words()


def test_a_list_can_be_taken_as_it_stands(dock):
    packing_list = (io.BytesIO(b"serial\nTM-1001\nTM-1002\n"), "list.csv")
    dock.post("/receive", {**HEAD, "act": "add", "packing_list": packing_list})
    assert "The packing list names 2 devices" in dock.words()

    dock.post("/receive", {**HEAD, "act": "whole", "listed": dock.value_of("listed")})

    assert dock.heading() == "What came with DN-200"
    assert "not here" not in dock.words()


def test_a_serial_that_is_asked_about_is_not_received_without_an_answer_and_a_note(dock, place):
    packing_list = (io.BytesIO(b"serial\nTM-1001\n"), "list.csv")
    review(dock, "TM-1001\nTM-9999", packing_list=packing_list)

    page = confirm(dock, "TM-1001\nTM-9999")
    assert page.status_code == 422
    assert "Choose whether it is received or left out." in dock.words()
    page = confirm(dock, "TM-1001\nTM-9999", **{"take.TM-9999": "receive"})
    assert page.status_code == 422
    assert "Write a note that says why it is received." in dock.words()
    assert workflow.lots(place) == ()

    confirm(dock, "TM-1001\nTM-9999", **{"take.TM-9999": "receive", "note.TM-9999": "supplier confirmed by telephone"})

    rows = workflow.lot_devices(place, workflow.lots(place)[0].lot.id)
    odd = next(row for row in rows if row.device.serial == "TM-9999")
    assert odd.arrival_note == "supplier confirmed by telephone"
    assert not odd.is_on_list


def test_a_serial_that_is_left_out_is_not_received(dock, place):
    packing_list = (io.BytesIO(b"serial\nTM-1001\n"), "list.csv")
    review(dock, "TM-1001\nTM-9999", packing_list=packing_list)

    confirm(dock, "TM-1001\nTM-9999", **{"take.TM-9999": "leave out"})

    assert [row.device.serial for row in workflow.lot_devices(place, workflow.lots(place)[0].lot.id)] == ["TM-1001"]


def test_a_serial_scanned_twice_is_asked_about_once(dock):
    review(dock, "TM-1001\ntm-1001")

    assert dock.words().count("was scanned or listed more than once") == 1


def test_a_serial_that_was_received_before_is_shown_with_its_shipment(dock, lot):
    review(dock, "TM-0001")

    assert "was received before" in dock.words()
    assert f"DN-100, lot {lot.number}" in dock.words()


def test_sending_the_same_shipment_twice_receives_it_once(dock, place):
    review(dock, "TM-1001")
    confirm(dock, "TM-1001")
    dock.get("/receive")

    confirm(dock, "TM-1001")

    assert [lot.total for lot in workflow.lots(place)] == [1]


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("list.csv", b""),
        ("list.xlsx", b"PK\x03\x04 broken"),
        ("list.csv", b"colour\nred\n"),
        ("list.pdf", b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n1 0 obj\n"),
    ],
)
def test_a_packing_list_that_cannot_be_read_is_refused_at_its_field_and_the_serials_stay(dock, name, content):
    page = review(dock, "TM-1001\nTM-1002", packing_list=(io.BytesIO(content), name))

    assert page.status_code == 422
    assert 'id="packing_list-error"' in dock.text()
    assert '<a href="#packing_list">' in dock.text()
    assert "TM-1001\nTM-1002</textarea>" in dock.text().replace("\r", "")


def test_an_empty_page_names_what_is_missing(dock):
    page = dock.post("/receive", {"act": "review"})

    assert page.status_code == 422
    assert "Choose the contract." in dock.words()
    assert "Enter the number of the delivery note." in dock.words()


def test_without_serials_the_serials_are_asked_for(dock):
    page = review(dock, "")

    assert page.status_code == 422
    assert "Scan or type the serials that came, one a line." in dock.words()


def test_a_serial_that_is_no_serial_is_refused_and_named(dock):
    page = review(dock, "TM-1001\n" + "X" * 500)

    assert page.status_code == 422
    assert 'id="serials-error"' in dock.text()


def test_a_list_that_was_changed_in_the_page_is_proved_again(dock, place):
    page = confirm(dock, "TM-1001", listed="\x00" * 3 + "X" * 500)

    assert page.status_code == 422
    assert workflow.lots(place) == ()
