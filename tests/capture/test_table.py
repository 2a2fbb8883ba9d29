"""Reading logs: what loggers and spreadsheets write, and what they should not."""

import numpy as np
import pytest

from inspect_app.capture.table import read_table
from inspect_app.errors import UnusableInput


def read_bytes(tmp_path, content):
    path = tmp_path / "log.csv"
    path.write_bytes(content)
    return read_table(path, name="log.csv", role="scene", sha256="0").columns


@pytest.mark.parametrize(
    "content",
    [
        b"time_s,voltage_v\n0,4.1\n10,4.0\n",
        b"\xef\xbb\xbfTime_s ,Voltage_V\r\n0,4.1\r\n10,4.0\r\n",
        b"time_s;voltage_v\n0;4,1\n10;4,0",
        b"time_s\tvoltage_v\n0\t4,1\n10\t4,0\n",
        b'# a remark\n\n"time_s","voltage_v"\n"0","4.1"\n\n10,4.0\n\n',
        "time_s;voltage_v\n0;4,1\n10;4,0\n".encode("utf-16"),
        b"time_s,voltage_v\r\n0,4.1\r\ntime_s,voltage_v\r\n10,4.0\r\n",
        b"Logger 7;range;5 V\r\n# of 29 March\r\n\r\ntime_s;voltage_v\r\n0,0;4,1\r\n10,0;4,0\r\n",
        b"Logger 7\nserial,1234\ntime_s,voltage_v\n0,4.1\n10,4.0\n",
        b"Device: DL 20\nSerial; 123\nStart;2026-03-04 08:00\n\ntime_s;voltage_v\ns;V\n0;4,1\n10;4,0\n",
        b"Type,DL 20\nSerial,00417\nStart,2026-03-04 08:00:00\n\ntime_s,voltage_v\n0,4.1\n10,4.0\n",
        b"channel,range\n1,5\n2,10\n\ntime_s,voltage_v\n0,4.1\n10,4.0\n",
        b"Time,2026-03-04 08:00\nTime;Voltage\n[s];[V]\n0;4,1\n10;4,0\n",
        b'"Time","Voltage"\r\n"(s)","(V)"\r\n"0","4.1"\r\n"Time","Voltage"\r\n"(s)","(V)"\r\n"10","4.0"\r\n',
        b"sep=;\nMess-Ger\xe4t 3\ntime_s;voltage_v\n0;4,1\n10;4,0\n",
        b"line\n" * 45 + b"time_s,voltage_v\n0,4.1\n10,4.0\n",
    ],
)
def test_every_usual_way_of_writing_reads_the_same(tmp_path, content):
    columns = read_bytes(tmp_path, content)

    assert columns["time_s"].tolist() == [0, 10]
    assert columns["voltage_v"].tolist() == [4.1, 4.0]


def test_a_line_of_units_goes_into_the_names_where_it_fits_them(tmp_path):
    """A unit that is none, or not the name's own, stands in brackets: nobody takes the column for what it is not."""
    content = "time;voltage_v;current;stimulus;temperature_c\nms;mV;furlong;V;°C\n0;4100;1;2;20\n".encode("latin-1")

    assert list(read_bytes(tmp_path, content)) == [
        "time_ms", "voltage_v [mV]", "current [furlong]", "stimulus", "temperature_c",
    ]  # fmt: skip


def test_what_was_left_out_above_the_names_and_which_units_were_taken_is_told(tmp_path):
    path = tmp_path / "log.csv"
    path.write_bytes(b"Type,DL 20\nSerial,00417\n# a remark\n\ntime_s,voltage_v\ns,V\n0,4.1\n")

    notes = read_table(path, name="log.csv", role="scene", sha256="0").notes

    assert notes == (
        "2 lines above the column names left out, beginning with 'Type,DL 20'",
        "the units below the column names are taken: time_s in s, voltage_v in V",
    )


@pytest.mark.parametrize("above", [51, 200])
def test_column_names_below_the_first_fifty_lines_are_asked_for_farther_up(tmp_path, above):
    content = "".join(f"Note {number}\n" for number in range(above)) + "time_s,voltage_v\n0,4.1\n10,4.0\n"

    with pytest.raises(UnusableInput, match="among its first 50 lines none holds column names above numbers"):
        read_bytes(tmp_path, content.encode())


@pytest.mark.parametrize("above", [0, 46, 48])
def test_column_names_among_the_first_fifty_lines_are_found(tmp_path, above):
    content = "".join(f"Note {number}\n" for number in range(above)) + "time_s,voltage_v\ns,V\n" + "0,4.1\n" * 5

    assert list(read_bytes(tmp_path, content.encode())) == ["time_s", "voltage_v"]


def test_a_plain_log_needs_no_note(tmp_path):
    path = tmp_path / "log.csv"
    path.write_bytes(b"# a remark\n\ntime_s,voltage_v\n0,4.1\n")

    assert read_table(path, name="log.csv", role="scene", sha256="0").notes == ()


def test_an_empty_cell_is_not_a_number(tmp_path):
    columns = read_bytes(tmp_path, b"time_s,voltage_v\n0,4.1\n10,\n20,3.9\n")

    assert np.isnan(columns["voltage_v"]).tolist() == [False, True, False]


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        (b"", "empty"),
        (b"\n\n", "empty"),
        (b"time_s,voltage_v\n", "no numbers"),
        (b"0,4.1\n10,4.0\n", "line 1 holds numbers"),
        (b"time_s,voltage_v\n0,4.1\n10,off\n", "line 3 holds 'off'"),
        (b"Logger 7\n\ntime_s,voltage_v\n0,4.1\n10,off\n", "line 5 holds 'off'"),
        (b"time_s,voltage_v\nup,down\n0,4.1\n", "line 2 holds 'up'"),
        (b"time_s,voltage_v\ns,V\n", "no numbers"),
        (b"time_s,voltage_v\n7\ntime_s,voltage_v\n0,4.1\n10,4.0\n", "line 2 has 1 columns"),
        (b"time_s,voltage_v\n0,4.1,7\n10,4.0,7\n", "line 2 has 3 columns"),
        (b"time_s,voltage_v\n0,4.1\ntime_s,voltage_v\n10,off\n", "line 4 holds 'off'"),
        (b"time_s,voltage_v\n0,4.1\ntime_s,current_a\n10,4.0\n", "line 3 holds 'time_s'"),
        (b"time_s,voltage_v\n0,4.1\n10,nan\n", "line 3 holds 'nan'"),
        (b"time;voltage_v\n2026-10-25 01:30:00;4,1\n", "Write all times as seconds, as in a column time_s."),
        (b"time_s,voltage_v\n0,4.1\n10,1e999\n", "line 3 holds '1e999'"),
        (b"time_s,voltage_v\n0,4.1\n10,-1e308\n", "line 3 holds '-1e308'"),
        (b"time_s,voltage_v\n0,4.1\n10,4.0,7\n", "line 3 has 3 columns"),
        (b"time_s,voltage_v\n0,4.1\n10\n", "line 3 has 1 columns"),
        (b"time_s,time_s\n0,4.1\n", "two columns"),
        (b"time_s,\n0,4.1\n", "without a name"),
        (bytes(range(256)) * 50, "line"),
        (b"time_s,voltage_v\n1-2,3\n", "line 2 holds '1-2'"),
    ],
)
def test_what_is_no_log_is_refused_with_the_line(tmp_path, content, problem):
    with pytest.raises(UnusableInput, match=problem):
        read_bytes(tmp_path, content)


def test_a_log_longer_than_a_block_is_joined_without_loss(tmp_path):
    """Algebra: 700 000 rows, more than one block of 8 MB, sum to n (n - 1) / 2."""
    count = 700_000
    rows = "\n".join(f"{number},{number % 7}.5" for number in range(count))

    columns = read_bytes(tmp_path, f"time_s,voltage_v\n{rows}\n".encode())

    assert len(columns["time_s"]) == count
    assert columns["time_s"].sum() == count * (count - 1) / 2


def test_a_wrong_line_far_down_is_named_by_its_number(tmp_path):
    rows = ["1,2"] * 3_000_000
    rows[2_500_000] = "1,x"

    with pytest.raises(UnusableInput, match="line 2500002 holds 'x'"):
        read_bytes(tmp_path, ("a,b\n" + "\n".join(rows)).encode())
