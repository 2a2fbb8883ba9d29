"""What a report carries inside: all that it says as JSON, and each of its tables as CSV.

``schemas/report-1.json`` describes the JSON; a change that old readers could not take gets the next number.
"""

import csv
import io
from collections.abc import Iterator, Sequence
from typing import Final

from inspect_app.documents import wording
from inspect_app.documents.attachment import AttachedFile, json_lines
from inspect_app.documents.report import Report, ReportTable
from inspect_app.documents.tabular import harmless

SCHEMA: Final = "urn:inspect-app:report:1"
FILE_NAME: Final = "report.json"


def report_files(report: Report) -> tuple[AttachedFile, ...]:
    """Return the files that a report carries, the record first."""
    record = AttachedFile(name=FILE_NAME, description="All that the report says", text=report_json(report))
    return (record, *_tables(report))


def _tables(report: Report) -> Iterator[AttachedFile]:
    for table in report.tables:
        yield AttachedFile(
            name=f"{table.name}.csv", description=f"All rows of the table of {table.name}", text=_table_csv(table)
        )


def _table_csv(table: ReportTable) -> str:
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(table.columns)
    writer.writerows([harmless(cell) for cell in row] for row in table.rows)
    return text.getvalue()


def report_json(report: Report) -> str:
    """Return what a report says."""
    values = {
        "schema": SCHEMA,
        "document": report.number,
        "kind": str(report.kind),
        "issuer": report.issuer,
        "issued_at": wording.instant(report.issued_at),
        "issued_by": report.issued_by.name,
        "program_version": report.program_version,
        "about": report.subject,
        "standing": report.word,
        "told": list(report.lines),
        "facts": dict(report.facts),
        "remarks": {section.heading: list(section.lines) for section in report.sections if section.lines},
        "tables": {table.name: _table_values(table) for table in report.tables},
    }
    return json_lines(values)


def _table_values(table: ReportTable) -> dict[str, Sequence[object]]:
    return {"columns": list(table.columns), "rows": [list(row) for row in table.rows]}
