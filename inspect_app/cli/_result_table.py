"""A measurement as lines for a person at a terminal."""

from collections.abc import Sequence

from inspect_app.model import Condition, Measured
from inspect_app.quantity import format_quantity


def result_table(measured: Measured) -> str:
    """Return the results as aligned columns, then features counted, warnings and files."""
    rows = [("quantity", "value ± U (k = 2)", "condition")]
    rows += [
        (result.quantity_name, format_quantity(result.quantity), condition_text(result.condition))
        for result in measured.results
    ]
    lines = [f"{measured.check}: {measured.method}", "", *_aligned(rows)]
    if measured.features:
        lines += ["", f"{len(measured.features)} features; --json lists each."]
    lines += [f"warning: {warning}" for warning in measured.warnings]
    lines += [f"file: {file.name}  sha256 {file.sha256}" for file in measured.files]
    return "\n".join(lines)


def condition_text(condition: Condition) -> str:
    """Return a condition as ``axis horizontal, roi 10,10,60,100``."""
    return ", ".join(
        f"{name} {','.join(map(str, value)) if isinstance(value, tuple) else value}"
        for name, value in condition.items()
    )


def _aligned(rows: Sequence[tuple[str, ...]]) -> list[str]:
    widths = [max(len(cell) for cell in column) for column in zip(*rows, strict=True)]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
