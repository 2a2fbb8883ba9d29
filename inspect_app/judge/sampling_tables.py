"""The published tables of sampling by attributes, read from ``sampling_tables.toml``, which explains its grammar."""

import tomllib
from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Final

from inspect_app.model import Edition, Stringency

_DOWN: Final = "v"
_STEPS: Final[Mapping[str, int]] = {_DOWN: 1, "^": -1}


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row of a master table: the sample size of a letter, and a cell for each AQL in its printed form."""

    letter: str
    size: int
    cells: Mapping[float, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tables:
    """All tables: letters by lot size and level, master tables by name, and the sizes of plans that accept on zero."""

    smallest_lots: tuple[int, ...]
    code_letters: tuple[Mapping[str, str], ...]
    single: Mapping[str, tuple[Row, ...]]
    smallest_lots_on_zero: tuple[int, ...]
    letters_on_zero: tuple[Mapping[str, str], ...]
    sizes_on_zero: Mapping[str, Mapping[str, int]]

    @property
    def levels(self) -> tuple[str, ...]:
        """The inspection levels."""
        return tuple(self.code_letters[0])

    @property
    def levels_on_zero(self) -> tuple[str, ...]:
        """The verification levels of plans that accept on zero, the strictest first."""
        return tuple(self.letters_on_zero[0])

    @property
    def aqls(self) -> tuple[float, ...]:
        """The acceptance quality limits, from 0.010 to 1000."""
        return tuple(self.single["normal"][0].cells)

    def code_letter(self, lot_size: int, level: str) -> str:
        """Return the code letter of a lot size and an inspection level."""
        return self.code_letters[bisect_right(self.smallest_lots, lot_size) - 1][level]

    def letter_on_zero(self, lot_size: int, level: str) -> str:
        """Return the code letter of a lot size and a verification level."""
        return self.letters_on_zero[bisect_right(self.smallest_lots_on_zero, lot_size) - 1][level]

    def master(self, stringency: Stringency, edition: Edition) -> tuple[Row, ...]:
        """Return the master table of single sampling; only reduced inspection differs between the editions."""
        name = stringency.value
        return self.single[f"{name}-{edition.value}" if stringency is Stringency.REDUCED else name]


def follow_arrows(master: tuple[Row, ...], letter: str, aql: float) -> Row:
    """Return the row whose cell counts for a letter and an AQL, its arrows followed.

    Parameters
    ----------
    master : tuple of Row
        One master table.
    letter : str
        The code letter to start at.
    aql : float
        One of the AQLs of the table.
    """
    index = next(count for count, row in enumerate(master) if row.letter == letter)
    while (cell := master[index].cells[aql]) in _STEPS:
        index += _STEPS[cell]
    return master[index]


@cache
def tables() -> Tables:
    """Return the tables; they are read once."""
    text = resources.files(__package__).joinpath("sampling_tables.toml").read_text(encoding="utf-8")
    values = tomllib.loads(text)
    codes, on_zero = _lines(values["code_letters"]), _lines(values["accept_on_zero"]["letters"])
    return Tables(
        smallest_lots=tuple(int(line.pop("from")) for line in codes),
        code_letters=tuple(codes),
        single={name: _master(part["table"]) for name, part in values["single"].items()},
        smallest_lots_on_zero=tuple(int(line.pop("from")) for line in on_zero),
        letters_on_zero=tuple(on_zero),
        sizes_on_zero={
            line.pop("letter"): {level: int(size) for level, size in line.items()}
            for line in _lines(values["accept_on_zero"]["sizes"])
        },
    )


def _lines(table: str) -> list[dict[str, str]]:
    heading, *lines = (line.split() for line in table.strip().splitlines())
    return [dict(zip(heading, line, strict=True)) for line in lines]


def _master(table: str) -> tuple[Row, ...]:
    return tuple(
        Row(
            letter=line.pop("letter"),
            size=int(line.pop("n")),
            cells={float(aql): cell for aql, cell in line.items()},
        )
        for line in _lines(table)
    )
