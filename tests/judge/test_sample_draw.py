"""The draw of a sample: any seed gives an order of all devices, and a change never brings one in twice."""

import hashlib
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspect_app.judge.sample_draw import draw_order, sample_of
from inspect_app.model import Person, Role, SampleChange

SOMEBODY = Person(id=1, login="ines", name="Ines", role=Role.INSPECTOR)
serials = st.lists(st.text("ABC0123456789-", min_size=1, max_size=8), unique=True, max_size=40)


def change(device_id, replaced=None):
    return SampleChange(
        device_id=device_id,
        replaced_device_id=replaced,
        reason="r",
        changed_at=datetime(2026, 3, 2, tzinfo=UTC),
        changed_by=SOMEBODY,
    )


@given(seed=st.text(max_size=64), lot=serials, data=st.data())
def test_a_draw_never_repeats_a_device_and_leaves_none_out(seed, lot, data):
    order = draw_order(seed, data.draw(st.permutations(lot)))

    assert sorted(order) == sorted(lot)
    assert order == draw_order(seed, lot)


def test_a_draw_can_be_made_again_by_hand():
    """Truth: the order of the SHA-256 of seed, line feed, serial."""
    lot = [f"QD-{count:03d}" for count in range(30)]
    by_hand = sorted(lot, key=lambda serial: hashlib.sha256(b"a seed\n" + serial.encode()).hexdigest())

    assert draw_order("a seed", lot) == tuple(by_hand)


def test_every_device_is_drawn_first_about_equally_often():
    """Truth: of 1000 seeds each of 5 devices comes first 200 times, give or take 4 standard deviations of 12.6."""
    firsts = [draw_order(f"seed {count}", "ABCDE")[0] for count in range(1000)]

    assert all(abs(firsts.count(device) - 200) < 51 for device in "ABCDE")


def test_a_serial_given_twice_is_no_lot():
    with pytest.raises(ValueError, match="twice"):
        draw_order("seed", ["A", "B", "A"])


def test_a_device_in_place_of_another_takes_its_place_and_an_added_one_comes_last():
    assert sample_of([4, 2, 9, 7], 2, [change(7, replaced=2), change(9)]) == (4, 7, 9)


@given(data=st.data())
def test_no_change_brings_a_device_in_twice(data):
    order = data.draw(st.permutations(range(8)))
    sample = order[:4]
    changes = []
    for added in order[4:]:
        replaced = data.draw(st.sampled_from([None, *sample]))
        changes.append(change(added, replaced))
        sample = sample_of(order, 4, changes)

        assert len(set(sample)) == len(sample)
    with pytest.raises(ValueError, match="already"):
        sample_of(order, 4, [*changes, change(sample[0])])
