"""Codes become exposure by the curve that was named, and by no other."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspect_app.capture.transfer import decoder
from inspect_app.errors import UnusableInput


def write_table(folder, text):
    path = folder / "curve.csv"
    path.write_text(text, encoding="utf-8")
    return f"table:{path}"


def test_linear_codes_are_shares_of_full_scale():
    """Truth: algebra."""
    exposure = decoder("linear")(np.array([0, 51, 255], dtype=np.uint8), 255)

    assert exposure == pytest.approx([0, 0.2, 1], abs=1e-15)


def test_srgb_follows_the_published_curve():
    """Truth: IEC 61966-2-1, 5.2, worked by hand: code 10 lies on the straight toe, codes 128 and 188 on the power."""
    exposure = decoder("srgb")(np.array([10, 128, 188]), 255)

    assert exposure == pytest.approx([10 / 255 / 12.92, 0.215861, 0.502886], abs=1e-6)


def test_the_two_parts_of_srgb_meet():
    """Truth: IEC 61966-2-1 rounds its constants so that toe and power differ by less than 1e-7 where they meet."""
    below, above = decoder("srgb")(np.array([0.04045 - 1e-12, 0.04045 + 1e-12]), 1)

    assert above - below == pytest.approx(0, abs=1e-7)


def test_a_power_raises_the_share_of_full_scale():
    """Truth: algebra."""
    assert decoder("power:2.2")(np.array([128]), 255)[0] == pytest.approx((128 / 255) ** 2.2, abs=1e-15)


@pytest.mark.parametrize("transfer", ["linear", "srgb", "power:0.45", "power:2.2"])
@given(codes=st.lists(st.integers(0, 65535), min_size=2, max_size=20))
def test_more_light_never_decodes_to_less(transfer, codes):
    """Property: every curve rises from 0 to 1."""
    exposure = decoder(transfer)(np.sort(np.array(codes)), 65535)

    assert np.all(np.diff(exposure) >= 0)
    assert exposure[0] >= 0
    assert exposure[-1] <= 1


@given(codes=st.lists(st.integers(0, 255), min_size=1, max_size=20))
def test_a_straight_table_is_the_linear_transfer(codes, tmp_path_factory):
    """Property: a table of two rows from 0,0 to 255,1 is a straight line."""
    table = decoder(write_table(tmp_path_factory.mktemp("table"), "code,exposure\n0,0\n255,1\n"))

    assert table(np.array(codes), 255) == pytest.approx(np.array(codes) / 255, abs=1e-12)


def test_a_table_keeps_its_own_scale_and_is_straight_between_its_rows(tmp_path):
    """Truth: interpolation by hand."""
    table = decoder(write_table(tmp_path, "code,exposure\n0,0\n100,2.0\n255,12.0\n"))

    assert table(np.array([50, 100, 131]), 255) == pytest.approx([1.0, 2.0, 4.0], abs=1e-12)


def test_a_code_outside_the_table_is_refused_with_both_ranges(tmp_path):
    table = decoder(write_table(tmp_path, "code,exposure\n16,0\n235,1\n"))

    with pytest.raises(UnusableInput, match="covers codes 16 to 235, the capture holds 3 to 240"):
        table(np.array([3, 240]), 255)


@pytest.mark.parametrize(
    ("text", "seen"),
    [
        ("", "its first line is 'nothing'"),
        ("code;exposure\n0;0\n", "its first line is 'code;exposure'"),
        ("0,0\n255,1\n", "its first line is '0,0'"),
        ("code,exposure\n", "0 rows"),
        ("code,exposure\n0,0\n", "1 rows"),
        ("code,exposure\n0,0\n128\n", "has 1 cells, not 2"),
        ("code,exposure\n0,0\n128,0.5,7\n", "has 3 cells, not 2"),
        ("code,exposure\n0,0\n128,half\n", "is not two numbers"),
        ("code,exposure\n0,0\n128,nan\n", "is not two numbers"),
        ("code,exposure\n0,0\n128,1e999\n", "is not two numbers"),
        ("code,exposure\n0,0\n128,0.5\n128,0.6\n", "at code 128 the code does not rise"),
        ("code,exposure\n0,0\n128,0.5\n255,0.4\n", "at code 255 the code does not rise or the exposure falls"),
        ("code,exposure\n0,-1\n255,1\n", "its exposures run from -1 to 1"),
        ("code,exposure\n0,1\n255,1\n", "its exposures run from 1 to 1"),
    ],
)
def test_a_table_that_is_no_curve_is_refused(tmp_path, text, seen):
    with pytest.raises(UnusableInput, match=seen) as caught:
        decoder(write_table(tmp_path, text))

    assert caught.value.where == "curve.csv"
    assert "code,exposure" in caught.value.remedy


def test_a_table_that_is_missing_or_no_text_is_refused(tmp_path):
    (tmp_path / "picture.csv").write_bytes(b"\x89PNG\xff\xfe")

    with pytest.raises(UnusableInput, match="no such file"):
        decoder(f"table:{tmp_path / 'absent.csv'}")
    with pytest.raises(UnusableInput, match="not a text file"):
        decoder(f"table:{tmp_path / 'picture.csv'}")
    with pytest.raises(UnusableInput, match="no such file"):
        decoder(f"table:{tmp_path}")


def test_a_table_of_many_megabytes_is_not_read(tmp_path):
    path = tmp_path / "large.csv"
    with path.open("wb") as file:
        file.truncate(5_000_000)

    with pytest.raises(UnusableInput, match="too large"):
        decoder(f"table:{path}")


@pytest.mark.parametrize("transfer", ["", "log", "linear:2", "power:", "table:", "power:0", "power:x"])
def test_an_unknown_transfer_is_refused(transfer):
    with pytest.raises(UnusableInput):
        decoder(transfer)
