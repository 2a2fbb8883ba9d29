"""Transfer curves: from stored codes to numbers proportional to exposure (the inverse OECF of ISO 14524)."""

import csv
import io
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from inspect_app.capture.kinds import FloatArray
from inspect_app.errors import UnusableInput
from inspect_app.quantity import parse_number

Decoder = Callable[[npt.NDArray[Any], int], FloatArray]
"""Takes codes and the highest code that they could have; returns exposure of the same shape."""

# IEC 61966-2-1:1999, 5.2: the linear toe, its end, and the power of the rest.
SRGB_TOE_END: Final = 0.04045
SRGB_TOE_SLOPE: Final = 12.92
SRGB_OFFSET: Final = 0.055
SRGB_EXPONENT: Final = 2.4

LARGEST_TABLE_BYTES: Final = 4_000_000  # 65 536 rows of two long numbers, and room to spare
TABLE_REMEDY: Final = "Give a CSV file with the columns code,exposure, codes rising, exposure never falling."


def decoder(transfer: str) -> Decoder:
    """Return the function that turns stored codes into exposure.

    Parameters
    ----------
    transfer : str
        ``linear``, ``srgb`` (IEC 61966-2-1), ``power:G`` (exposure is code to the power G) or ``table:FILE.csv``.

    Returns
    -------
    callable
        Takes an array of codes (any number type and shape) and the highest code that the file can hold, and returns
        float64 exposure of the same shape: 0 to 1, or the scale of the table.

    Raises
    ------
    UnusableInput
        The name is unknown, or the table cannot be used. The returned function raises it for a code outside the table.

    Examples
    --------
    >>> float(decoder("power:2")(np.array([255]), 510)[0])
    0.25
    """
    name, _, argument = transfer.partition(":")
    if name == "linear" and not argument:
        return _linear
    if name == "srgb" and not argument:
        return _srgb
    if name == "power" and argument:
        return _power(parse_number(argument, "1"))
    if name == "table" and argument:
        return _read_table(Path(argument))
    raise UnusableInput(
        f"transfer '{transfer}'", "there is no such transfer", "Use linear, srgb, power:G or table:FILE.csv."
    )


def _linear(codes: npt.NDArray[Any], highest_code: int) -> FloatArray:
    return np.asarray(codes, dtype=np.float64) / highest_code


def _srgb(codes: npt.NDArray[Any], highest_code: int) -> FloatArray:
    share = _linear(codes, highest_code)
    curve = ((np.maximum(share, 0) + SRGB_OFFSET) / (1 + SRGB_OFFSET)) ** SRGB_EXPONENT
    return np.where(share <= SRGB_TOE_END, share / SRGB_TOE_SLOPE, curve)


def _power(exponent: float) -> Decoder:
    if exponent <= 0:
        raise UnusableInput(f"transfer 'power:{exponent:g}'", "the power is not above 0", "Use one like power:2.2.")

    def decode(codes: npt.NDArray[Any], highest_code: int) -> FloatArray:
        return np.asarray(np.maximum(_linear(codes, highest_code), 0) ** exponent)

    return decode


@dataclass(frozen=True, slots=True)
class _Table:
    name: str
    codes: FloatArray
    exposures: FloatArray

    def __call__(self, codes: npt.NDArray[Any], highest_code: int) -> FloatArray:
        if codes.size:
            self._prove_inside(float(np.min(codes)), min(float(np.max(codes)), highest_code))
        return np.asarray(np.interp(codes, self.codes, self.exposures), dtype=np.float64)

    def _prove_inside(self, lowest: float, highest: float) -> None:
        first, last = self.codes[0], self.codes[-1]
        if lowest < first or highest > last:
            raise UnusableInput(
                self.name,
                f"this table covers codes {first:g} to {last:g}, the capture holds {lowest:g} to {highest:g}",
                "Add the missing codes to the table, or give the table that belongs to this camera setting.",
            )


def _read_table(path: Path) -> _Table:
    rows = [row for row in csv.reader(io.StringIO(_table_text(path))) if any(cell.strip() for cell in row)]
    if not rows or [cell.strip().lower() for cell in rows[0]] != ["code", "exposure"]:
        seen = ",".join(rows[0])[:60] if rows else "nothing"
        raise UnusableInput(path.name, f"its first line is '{seen}', not 'code,exposure'", TABLE_REMEDY)
    codes, exposures = np.array([_table_row(path, row) for row in rows[1:]]).reshape(-1, 2).T
    if len(codes) < 2:
        raise UnusableInput(path.name, f"it has {len(codes)} rows, at least 2 are needed", TABLE_REMEDY)
    falling = np.flatnonzero((np.diff(codes) <= 0) | (np.diff(exposures) < 0))
    if falling.size:
        place = int(falling[0]) + 1
        raise UnusableInput(
            path.name, f"at code {codes[place]:g} the code does not rise or the exposure falls", TABLE_REMEDY
        )
    if exposures[0] < 0 or exposures[-1] <= exposures[0]:
        raise UnusableInput(
            path.name,
            f"its exposures run from {exposures[0]:g} to {exposures[-1]:g}",
            f"They must rise. {TABLE_REMEDY}",
        )
    return _Table(path.name, codes, exposures)


def _table_text(path: Path) -> str:
    try:
        if not path.is_file():
            raise UnusableInput(path.name, "there is no such file for the transfer", TABLE_REMEDY)
        if path.stat().st_size > LARGEST_TABLE_BYTES:
            raise UnusableInput(path.name, "it is too large for a transfer table", TABLE_REMEDY)
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise UnusableInput(path.name, "it is not a text file", TABLE_REMEDY) from error
    except OSError as error:
        reason = (error.strerror or "unknown reason").lower()
        raise UnusableInput(path.name, f"it cannot be read ({reason})", TABLE_REMEDY) from error


def _table_row(path: Path, row: list[str]) -> tuple[float, float]:
    if len(row) != 2:
        raise UnusableInput(path.name, f"the row '{','.join(row)[:60]}' has {len(row)} cells, not 2", TABLE_REMEDY)
    try:
        return parse_number(row[0], "1"), parse_number(row[1], "1")
    except UnusableInput as error:
        raise UnusableInput(path.name, f"the row '{','.join(row)[:60]}' is not two numbers", TABLE_REMEDY) from error
