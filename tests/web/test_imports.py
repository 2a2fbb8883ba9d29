"""Lists taken over from files: every line is looked at first, and then all are taken over, or none."""

import io

import pytest

from inspect_app.workflow import IMPORTS, NOT_IMPORTED

HEADING = "contract,delivery_note,lot,device_class,serial,note,is_on_packing_list,received_at,received_by\r\n"


def choose(visitor, name, text, file_name="old.csv"):
    """Choose a file on the page of a list."""
    visitor.get(f"/imports/{name}")
    return visitor.post(f"/imports/{name}", {"file": (io.BytesIO(text.encode()), file_name)})


def test_the_page_tells_of_every_list_what_can_be_done(inspector):
    inspector.get("/imports/")

    words = inspector.words().lower()
    for name in IMPORTS:
        assert name.replace("-", " ") in words
    for name, (reason, remedy) in NOT_IMPORTED.items():
        assert f"{name.replace('-', ' ')} {reason} {remedy}".lower() in words


def test_a_file_is_looked_at_and_then_taken_over(inspector, lot):
    answer = choose(inspector, "arrivals", HEADING + "TST-1,DN-9,,test monocular,TM-0900,,,,\r\n")
    assert answer.status_code == 200
    assert "1 line: 1 new, 0 known, 0 wrong. Nothing is taken over yet." in inspector.words()

    hidden = {name: inspector.value_of(name) for name in ("digest", "file_name")}
    inspector.post("/imports/arrivals/take", hidden)

    assert "Taken over from old.csv: 1 new, 0 known already." in inspector.words()
    assert "TM-0900" in inspector.get("/export/arrivals.csv").get_data(as_text=True)


def test_a_file_with_a_wrong_line_is_told_and_cannot_be_taken_over(inspector, lot):
    text = HEADING + "TST-1,DN-9,,test monocular,TM-0900,,,,\r\nTST-1,DN-9,,sofa,TM-0901,,,,\r\n"

    answer = choose(inspector, "arrivals", text)

    assert answer.status_code == 422
    assert "It cannot be taken over" in inspector.words()
    assert "says nothing of the class 'sofa'" in inspector.words()
    assert "Take all lines over" not in inspector.words()


@pytest.mark.parametrize("text", ["", HEADING.replace(",", ";") + "TST-1;DN\r\n", HEADING + "TST-1,DN-9"])
def test_a_file_that_is_no_such_list_is_refused_in_words(inspector, text):
    answer = choose(inspector, "arrivals", text)

    assert answer.status_code == 422
    assert "old.csv" in inspector.words()


def test_what_nobody_looked_at_is_not_taken_over(inspector):
    inspector.get("/imports/arrivals")

    answer = inspector.post("/imports/arrivals/take", {"digest": "../../record", "file_name": "x.csv"})

    assert answer.status_code == 404


@pytest.mark.parametrize(
    ("login", "path", "status"),
    [("aud", "/imports/arrivals", 403), ("ina", "/imports/accounts", 403), ("ina", "/imports/results", 422)],
)
def test_who_may_not_type_it_in_may_not_import_it(as_role, login, path, status):
    assert as_role(login).get(path).status_code == status
