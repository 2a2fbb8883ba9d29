"""What steps and limits have in common: a check that exists, conditions with proper names."""

import re
from collections.abc import Mapping

from inspect_app.definitions.toml_source import Table
from inspect_app.measure import Check
from inspect_app.model import ConditionValue

_CONDITION_NAME = re.compile(r"[a-z][a-z0-9_]*")


def known_check(table: Table, checks: Mapping[str, Check]) -> Check:
    """Return the check that a table names.

    Raises
    ------
    UnusableInput
        There is none of that name.
    """
    return checks[table.word("check", sorted(checks))]


def read_condition(table: Table) -> dict[str, ConditionValue]:
    """Return the table ``condition`` of a step or a limit, its names proved."""
    under = table.table("condition")
    for name in under.values:
        if not _CONDITION_NAME.fullmatch(name):
            raise under.error(name, "is no name for a condition", "Use lower case letters, digits and underscores.")
    return under.conditions()
