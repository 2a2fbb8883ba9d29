"""References on the pages: added, read, limited, cleared, by who may."""

import pytest

IN_ORDER = ("30.1", "29.8", "30.3", "30.0", "29.7", "30.2", "30.1", "29.9", "30.0", "30.2")


@pytest.fixture
def approver(as_role):
    return as_role("app")


@pytest.fixture
def address(approver):
    """Add a reference and give the address of its page."""
    approver.get("/references/")
    made = approver.post("/references/", {"name": "Even field 1", "check": "noise", "quantity": "snr"})
    assert approver.heading() == "Even field 1"
    return made.request.path


def read(visitor, address, *values):
    visitor.get(address)
    for value in values:
        answer = visitor.post(f"{address}/readings", {"reading-value": value})
        assert answer.status_code == 200
    return visitor.get(address)


def test_a_reference_is_read_and_its_limits_are_set(approver, inspector, address):
    read(inspector, address, *IN_ORDER)
    approver.get(address)

    approver.post(f"{address}/limits", {"limits-first": "1", "limits-last": "10", "limits-reason": "ten quiet days"})

    approver.get("/references/")
    assert "Even field 1" in approver.words()
    approver.get(address)
    assert "limits from readings 1 to 10. ten quiet days" in approver.words()


def test_a_signal_is_said_at_once_and_cleared_by_an_approver(approver, inspector, address):
    read(inspector, address, *IN_ORDER)
    approver.get(address)
    approver.post(f"{address}/limits", {"limits-first": "1", "limits-last": "10", "limits-reason": "ten quiet days"})

    read(inspector, address, "26")
    assert "Reading 11 signals" in inspector.words()
    assert "An approver clears it" in inspector.words()
    approver.get(address)
    approver.post(f"{address}/clearance", {"clear-seen": "11", "clear-reason": "the lamp was exchanged"})

    approver.get(address)
    assert "Reading 11 signals" not in approver.words()
    assert "signals up to reading 11 cleared. the lamp was exchanged" in approver.words()


@pytest.mark.parametrize(
    ("typed", "words"),
    [({}, "neither captures nor a number"), ({"reading-value": "thirty"}, "thirty"), ({"reading-value": "NaN"}, "NaN")],
)
def test_what_is_no_reading_is_refused_and_the_text_stays(inspector, address, typed, words):
    inspector.get(address)

    page = inspector.post(f"{address}/readings", {**typed, "reading-remark": "before lunch"})

    assert page.status_code == 422
    assert words in inspector.words()
    assert "before lunch" in page.text


def test_too_few_readings_set_no_limits(approver, inspector, address):
    read(inspector, address, "30")
    approver.get(address)

    page = approver.post(f"{address}/limits", {"limits-first": "1", "limits-last": "1", "limits-reason": "hurry"})

    assert page.status_code == 422
    assert "1 results are too few" in approver.words()


def test_a_reading_is_named_by_a_whole_number(approver, inspector, address):
    read(inspector, address, "30")
    approver.get(address)

    page = approver.post(f"{address}/limits", {"limits-first": "one", "limits-last": "1e9", "limits-reason": "hurry"})

    assert page.status_code == 422
    assert "Give a whole number. You entered one." in approver.words()
    assert "Give a whole number. You entered 1e9." in approver.words()


def test_an_inspector_cannot_clear_or_add(inspector, address):
    inspector.get(address)

    assert inspector.post(f"{address}/clearance", {"clear-seen": "1", "clear-reason": "fine"}).status_code == 403
    assert inspector.post("/references/", {"name": "Two", "check": "noise", "quantity": "snr"}).status_code == 403


def test_a_reference_that_cannot_be_is_refused_beside_its_field(approver):
    approver.get("/references/")

    page = approver.post("/references/", {"name": "Two", "check": "noise", "quantity": "mtf50"})

    assert page.status_code == 422
    assert "noise gives no 'mtf50'" in approver.words()


def test_there_is_no_reference_99(inspector):
    assert inspector.get("/references/99").status_code == 404
