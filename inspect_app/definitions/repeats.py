"""When a contract wants accepted devices to be inspected again: after so many months, by device class."""

from collections.abc import Mapping, Sequence
from typing import Final

from inspect_app.definitions.toml_source import Table

_AT_MOST_MONTHS: Final = 240


def read_repeats(top: Table, classes: Sequence[str]) -> Mapping[str, int]:
    """Return after how many months the devices of each class are inspected again; a class without is left out.

    Parameters
    ----------
    top : Table
        The contract.
    classes : sequence of str
        Device classes that it demands something of.

    Raises
    ------
    UnusableInput
        A class has two intervals or no demands, or the interval is not a whole number of months from 1 to 240.
    """
    months: dict[str, int] = {}
    for table in top.tables("repeat"):
        given = table.number("after_months")
        if given not in range(1, _AT_MOST_MONTHS + 1):
            raise table.error("after_months", f"{given:g} is no such interval", "Write 1 to 240 whole months.")
        for device_class in table.text_or_texts("device_class"):
            if device_class not in classes:
                raise table.error(
                    "device_class", f"the contract demands nothing of '{device_class}'", "Name a class of its limits."
                )
            if device_class in months:
                raise table.error("device_class", f"'{device_class}' is repeated already", "Keep one interval.")
            months[device_class] = int(given)
        table.finish()
    return months
