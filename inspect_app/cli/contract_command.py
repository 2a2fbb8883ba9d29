"""``inspect-app contract``: look at a contract before it goes live."""

import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Final

import click

from inspect_app.definitions import Contract, Outlook, forms_folder, look_ahead, read_contract, read_forms
from inspect_app.documents.outlook_lines import OutlookLine, outlook_line
from inspect_app.model import Limit

_UNFIT: Final = 2
EXAMPLES: Final = """\b
Examples:
  inspect-app contract check demo_fleet/contracts/bsr-014.toml
  inspect-app contract check order.toml --json
"""


@click.group(no_args_is_help=False, short_help="Check a contract before it goes live.", epilog=EXAMPLES)
def command() -> None:
    """Check a contract before it goes live, without database or server."""


@command.command("check", epilog=EXAMPLES)
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--forms", type=click.Path(path_type=Path), help="Folder of the forms; the program's own unless given.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object and nothing else.")
def check(file: Path, forms: Path | None, *, as_json: bool) -> int:
    """Tell what each demand of the contract in FILE will meet at the bench, and what is wrong with it.

    For each limit: the standard uncertainty that the form's step is expected to reach, the capability index C_m, and
    the reading that would just pass. Exit status 0: the contract can go live, warnings or not. 2: it cannot, or the
    file has a mistake, which is told with line, field and way out.
    """
    contract = read_contract(file)
    outlooks = look_ahead(contract, read_forms(forms or forms_folder()))
    wrong = sum(trouble.is_error for outlook in outlooks for trouble in outlook.troubles)
    if as_json:
        values = {"number": contract.number, "revision": contract.revision, "fit": not wrong}
        demands = [_values(outlook) for outlook in outlooks]
        click.echo(json.dumps({**values, "demands": demands}, allow_nan=False, ensure_ascii=False))
    else:
        click.echo("\n".join(_told(contract, outlooks, wrong)))
    return _UNFIT if wrong else 0


def _values(outlook: Outlook) -> dict[str, object]:
    demand, expected, accepted = outlook.demand, outlook.expected, outlook.accepted
    return {
        "device_class": outlook.device_class,
        "clause": demand.clause,
        "quantity": demand.quantity_name if isinstance(demand, Limit) else None,
        "unit": demand.unit if isinstance(demand, Limit) else None,
        "decision_rule": demand.decision_rule.value,
        "expected_standard_uncertainty": None if expected is None else expected.standard_uncertainty,
        "basis": outlook.basis,
        "capability_index": outlook.capability,
        "accepted_at_least": None if accepted is None else accepted.at_least,
        "accepted_at_most": None if accepted is None else accepted.at_most,
        "troubles": [asdict(trouble) for trouble in outlook.troubles],
    }


def _told(contract: Contract, outlooks: Sequence[Outlook], wrong: int) -> Iterator[str]:
    yield f"Contract {contract.number}, revision {contract.revision}: {contract.title}"
    for device_class in contract.device_classes:
        yield f"\n{device_class}"
        for outlook in outlooks:
            if outlook.device_class == device_class:
                yield from _demand(outlook_line(outlook))
    can = "cannot" if wrong else "can"
    to_know = sum(len(outlook.troubles) for outlook in outlooks) - wrong
    yield f"\nThe contract {can} go live: {wrong} wrong, {to_know} to know."


def _demand(line: OutlookLine) -> Iterator[str]:
    under = f", {line.under}" if line.under else ""
    yield f"  {line.clause} {line.title}{under}: {line.demand}, {line.rule}"
    facts = (
        ("expected u", f"{line.expected}{f' ({line.basis})' if line.basis else ''}" if line.expected else ""),
        ("C_m", line.capability),
        ("passes", line.passes),
    )
    told = "; ".join(f"{name} {text}" for name, text in facts if text)
    if told:
        yield f"      {told}"
    yield from (f"      wrong: {words}" for words in line.errors)
    yield from (f"      to know: {words}" for words in line.warnings)
