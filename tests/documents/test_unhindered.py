"""Cycles are looked for again once the last document is made, whoever began first."""

import gc

import pytest

from inspect_app.documents.unhindered import unhindered


def test_cycles_are_not_looked_for_meanwhile_and_again_afterwards():
    with unhindered():
        assert not gc.isenabled()

    assert gc.isenabled()


def test_the_first_of_two_to_end_leaves_the_other_unhindered():
    first, second = unhindered(), unhindered()
    first.__enter__()
    second.__enter__()

    first.__exit__(None, None, None)
    assert not gc.isenabled()

    second.__exit__(None, None, None)
    assert gc.isenabled()


def test_a_failure_leaves_no_trace():
    with pytest.raises(ZeroDivisionError), unhindered():
        raise ZeroDivisionError

    assert gc.isenabled()


def test_who_had_turned_the_search_off_finds_it_off():
    gc.disable()
    try:
        with unhindered():
            pass

        assert not gc.isenabled()
    finally:
        gc.enable()
