"""Read what uncertainty a step of a form is expected to reach, so that a contract can be checked before it is live."""

import math
from typing import Final

from inspect_app.definitions.toml_source import Table
from inspect_app.definitions.values import ExpectedDoubt
from inspect_app.errors import InspectError
from inspect_app.measure import Check
from inspect_app.quantity import conversion_factor, format_limit

_MS_PER_S: Final = 1000.0


def read_expected(under: Table, check: Check) -> dict[str, ExpectedDoubt]:
    """Return the table ``expected`` of a step, by quantity.

    Raises
    ------
    UnusableInput
        A quantity that the check does not yield, or no possible uncertainty.
    """
    expected = {}
    for name in under.values:
        if name not in check.quantities:
            known = ", ".join(check.quantities)
            raise under.error(name, f"{check.name} yields no such quantity", f"Use one of {known}.")
        table = under.table(name)
        expected[name] = _doubt(table, check.quantities[name])
        table.finish()
    return expected


def _doubt(table: Table, unit: str) -> ExpectedDoubt:
    basis = table.text("basis", "")
    if table.has("frames_per_s"):
        return _of_counted_frames(table, unit, basis)
    absolute, percent = _absolute(table, unit), table.optional_number("percent") or 0.0
    if absolute < 0 or percent < 0 or absolute + percent == 0:
        problem = "says no uncertainty above 0"
        raise table.error("", problem, 'Write { percent = 3 }, { u = 0.5, unit = "ms" } or { frames_per_s = 200 }.')
    return ExpectedDoubt(absolute=absolute, percent=percent, basis=basis)


def _absolute(table: Table, unit: str) -> float:
    if not table.has("u"):
        return 0.0
    try:
        return table.number("u") * conversion_factor(table.text("unit", unit), unit)
    except InspectError as error:
        raise table.error("unit", error.problem, error.remedy) from error


def _of_counted_frames(table: Table, unit: str, basis: str) -> ExpectedDoubt:
    """Return interval / √6: both ends of a counted time lie anywhere within a frame (JCGM 100:2008, 4.3.9)."""
    frames_per_s = table.number("frames_per_s")
    if frames_per_s <= 0:
        raise table.error("frames_per_s", f"{frames_per_s:g} is not above 0", "Give the rate of the camera.")
    counted = f"frames counted at {format_limit(frames_per_s, '1/s')}"
    return ExpectedDoubt(
        absolute=_MS_PER_S / frames_per_s / math.sqrt(6) * conversion_factor("ms", unit),
        basis=f"{counted}, {basis}" if basis else counted,
    )
