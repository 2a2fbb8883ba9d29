"""Files in parts: only the bytes that are here count, one sender at a time, and what is left is cleared away."""

import io
import os
from datetime import UTC, datetime

import pytest

from inspect_app.errors import EditConflict, InspectError, NotFound, UnusableInput
from inspect_app.storage.parts import PARTS_WAIT, PartStore

SENDER = "person 1, inspection 1"


@pytest.fixture
def store(tmp_path):
    return PartStore(folder=tmp_path / "parts")


def add(store, known, offset, content):
    return store.append(known, offset, io.BytesIO(content))


def test_a_file_grows_part_by_part_until_it_is_whole(store):
    begun = store.begin(SENDER, "film.mp4", 10)

    half = add(store, begun, 0, b"01234")
    whole = add(store, begun, 5, b"56789")

    assert (half.received_bytes, half.is_whole) == (5, False)
    assert whole.is_whole
    assert store.path(begun.key).read_bytes() == b"0123456789"


def test_bytes_are_added_where_the_file_ends_and_nowhere_else(store):
    begun = store.begin(SENDER, "film.mp4", 10)
    add(store, begun, 0, b"01234")

    for wrong in (0, 4, 6):
        with pytest.raises(EditConflict, match="5 bytes of it are here"):
            add(store, begun, wrong, b"x")

    assert store.find(begun.key, SENDER).received_bytes == 5


def test_more_than_was_announced_is_refused(store):
    begun = store.begin(SENDER, "film.mp4", 3)

    with pytest.raises(UnusableInput, match="more came"):
        add(store, begun, 0, b"0123")


def test_two_pages_cannot_send_the_same_file_at_once(store):
    begun = store.begin(SENDER, "film.mp4", 10)

    class Meanwhile(io.BytesIO):
        def read(self, size=-1):
            with pytest.raises(EditConflict, match="another page is sending it"):
                add(store, begun, 0, b"x")
            return super().read(size)

    assert store.append(begun, 0, Meanwhile(b"01")).received_bytes == 2


def test_a_file_is_found_by_its_own_sender_alone(store):
    begun = store.begin(SENDER, "film.mp4", 10)

    for key, sender in ((begun.key, "person 2, inspection 1"), ("0" * 32, SENDER), ("../../etc/passwd", SENDER)):
        with pytest.raises(NotFound):
            store.find(key, sender)
    assert store.unfinished("person 2, inspection 1") == ()
    assert store.unfinished(SENDER)[0].name == "film.mp4"


def test_a_file_that_was_kept_is_known_for_who_did_not_hear_of_it(store):
    begun = store.begin(SENDER, "film.mp4", 3)
    whole = add(store, begun, 0, b"012")

    store.settle(whole, "a" * 64)

    assert store.find(begun.key, SENDER).kept_sha256 == "a" * 64
    assert store.unfinished(SENDER) == ()
    assert not store.path(begun.key).exists()


def test_what_nobody_finished_is_cleared_away_after_a_while(store):
    left = store.begin(SENDER, "left.mp4", 10)
    long_ago_s = (datetime.now(UTC) - PARTS_WAIT).timestamp() - 60
    for place in store.folder.iterdir():
        os.utime(place, (long_ago_s, long_ago_s))

    young = store.begin(SENDER, "young.mp4", 10)

    assert [one.key for one in store.unfinished(SENDER)] == [young.key]
    assert not store.path(left.key).exists()


def test_a_file_that_grew_lately_is_not_cleared_away(store):
    begun = store.begin(SENDER, "film.mp4", 10)
    for place in store.folder.iterdir():
        os.utime(place, (0, 0))
    add(store, begun, 0, b"01234")

    store.begin(SENDER, "other.mp4", 10)

    assert store.find(begun.key, SENDER).received_bytes == 5


def test_a_file_for_which_the_disk_has_no_room_is_refused_before_it_is_sent(store):
    with pytest.raises(InspectError, match="no room"):
        store.begin(SENDER, "film.mp4", 1 << 60)


def test_a_file_that_was_dropped_is_gone(store):
    begun = store.begin(SENDER, "film.mp4", 10)

    store.drop(begun.key)

    with pytest.raises(NotFound):
        store.find(begun.key, SENDER)
    with pytest.raises(NotFound):
        add(store, begun, 0, b"x")
