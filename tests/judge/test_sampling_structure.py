"""The tables of which no public text was at hand, held by the structure that their standards build on.

ISO 2859-1:1999, Table 2-C, and MIL-STD-1916 (1 April 1996, approved for public release), Tables I and II: both were
written down from memory, and only the beginnings of public copies could be read. What can be proved without the paper:
sizes that are one series, ranges that repeat, letters along diagonals, and for ISO 2859-1 that it differs from the
compared table of MIL-STD-105E in nothing but what its foreword names, the gap between acceptance and rejection number.
"""

import pytest

from inspect_app.judge.sampling_tables import tables

KNOWN = tables()
REDUCED_ISO, REDUCED_105E = KNOWN.single["reduced-2859-1"], KNOWN.single["reduced-105E"]
SMALL = [aql for aql in KNOWN.aqls if aql <= 10]
LETTERS = "ABCDE"
SERIES = [base * 2**octave for octave in range(-1, 12) for base in (4, 5, 6)]
"""Three sizes an octave: 4, 5, 6, 8, 10, 12, 16 ...; what is not whole is printed as the next one, 3 at least."""


@pytest.mark.parametrize(
    ("iso", "older"), list(zip(REDUCED_ISO, REDUCED_105E, strict=True)), ids=lambda row: row.letter
)
def test_reduced_inspection_differs_between_the_editions_in_the_gap_alone(iso, older):
    """ISO 2859-1:1999 closes the gap: its acceptance number lies in it, and where 0/2 stood is an arrow."""
    assert (iso.letter, iso.size) == (older.letter, older.size)
    for aql in SMALL:
        cell, acceptance_and_rejection = iso.cells[aql], older.cells[aql]
        if acceptance_and_rejection == "0/1":
            assert cell == "0"
        elif acceptance_and_rejection == "0/2":
            assert cell in "v^"
        elif "/" in acceptance_and_rejection:
            acceptance, rejection = map(int, acceptance_and_rejection.split("/"))
            assert acceptance <= int(cell) < rejection
        else:
            assert cell in "v^"


def test_reduced_sizes_are_those_of_normal_inspection_two_letters_before():
    """MIL-STD-105E and ISO 2859-1: from C on a reduced sample is the normal one two letters up; A and B take two."""
    normal = [row.size for row in KNOWN.single["normal"]]

    for rows in (REDUCED_ISO, REDUCED_105E):
        assert [row.size for row in rows] == [2, 2, *normal[:-2]]


@pytest.mark.parametrize("row", range(len(REDUCED_ISO)), ids=lambda row: REDUCED_ISO[row].letter)
def test_along_a_diagonal_of_reduced_inspection_stands_one_plan(row):
    """Every letter takes what the letter before has one AQL higher: 0, 1, 2, 3, 5, 6, 8, 10."""
    numbers = [cell for cell in REDUCED_ISO[row].cells.values() if cell.isdigit()]
    known = ["0", "1", "2", "3", "5", "6", "8", "10"]

    if REDUCED_ISO[row].letter not in LETTERS:  # these go on, to AQLs that count nonconformities alone
        assert numbers == known[known.index(numbers[0]) :]


@pytest.mark.parametrize("letter", LETTERS)
def test_a_sample_that_accepts_on_zero_is_one_of_a_single_series(letter):
    """MIL-STD-1916, Table II: each letter is one step of the series on, each column four."""
    at = SERIES.index(5) + LETTERS.index(letter)
    columns = [*reversed(KNOWN.levels_on_zero), "T"]

    for place, column in enumerate(columns):
        assert KNOWN.sizes_on_zero[letter][column] == SERIES[at + 4 * place], column
    assert KNOWN.sizes_on_zero[letter]["R"] == max(3, round(SERIES[at - 4]))


def test_lots_of_plans_that_accept_on_zero_grow_by_32_in_six_ranges():
    """MIL-STD-1916, Table I: 170, 288, 544, 960, 1632, 3072, then the first four of them times 32."""
    ends = [start - 1 for start in KNOWN.smallest_lots_on_zero[1:]]

    assert ends[:6] == [170, 288, 544, 960, 1632, 3072]
    assert ends[6:] == [32 * end for end in ends[:4]]


@pytest.mark.parametrize("level", KNOWN.levels_on_zero)
def test_letters_of_plans_that_accept_on_zero_run_along_diagonals(level):
    """MIL-STD-1916, Table I: a letter later with each range and with each looser level, from A to E."""
    column = KNOWN.levels_on_zero.index(level)

    found = [letters[level] for letters in KNOWN.letters_on_zero]

    looser = len(KNOWN.levels_on_zero) - 1 - column
    assert found == [LETTERS[min(4, max(0, row - looser))] for row in range(len(found))]
