"""``inspect-app measure``: one subcommand for each check, made from the check's own declaration."""

import json
from pathlib import Path
from typing import Any, Final

import click
from pydantic.fields import FieldInfo

from inspect_app.cli._result_table import result_table
from inspect_app.errors import UnusableInput
from inspect_app.measure import CHECKS, Check, choices_of, flag, is_repeated, measure, told_range, unit_of
from inspect_app.model.transcript import to_json_values

SCENE: Final = "scene"
EXAMPLES: Final = """\b
Examples:
  inspect-app measure slanted-edge edge.png --pixel-pitch-um 3.2
  inspect-app measure blemish field.tif --dark dark1.tif --dark dark2.tif --json
  inspect-app measure bar-target --axis horizontal --reading 4,2 --distance-m 3
"""


class _Checks(click.Group):
    """The checks as subcommands."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click calls it with the context
        return sorted(CHECKS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002 - likewise
        if cmd_name not in CHECKS:
            raise UnusableInput(
                f"check '{cmd_name}'", "there is no such check", f"Use one of {', '.join(sorted(CHECKS))}."
            )
        return _command(CHECKS[cmd_name])


@click.group(
    cls=_Checks,
    no_args_is_help=False,
    subcommand_metavar="CHECK [FILE]... [OPTIONS]",
    short_help="Measure captures or readings with one check.",
    epilog=EXAMPLES,
)
def command() -> None:
    """Measure captures or readings with one check, without database or server.

    Exit status 0: measured. 2: a file or an option cannot be used. 3: there is nothing to measure in it.
    """


def _command(check: Check) -> click.Command:
    parameters: list[click.Parameter] = [click.Argument(["files"], nargs=-1, metavar="[FILE]...")]
    parameters += [_role_option(role) for role in check.needs if role != SCENE]
    parameters += [_option(name, info) for name, info in check.options.model_fields.items()]
    parameters.append(click.Option(["--json", "as_json"], is_flag=True, help="Print one JSON object and nothing else."))

    def run(files: tuple[str, ...], *, as_json: bool, **given: Any) -> None:
        paths = {role: [Path(text) for text in given.pop(role, ())] for role in check.needs if role != SCENE}
        if files:
            paths[SCENE] = [Path(text) for text in files]
        measured = measure(
            check.name, paths, {name: value for name, value in given.items() if value not in (None, (), False)}
        )
        if as_json:
            click.echo(json.dumps(to_json_values(measured), allow_nan=False))
        else:
            click.echo(result_table(measured))

    return click.Command(
        check.name, params=parameters, callback=run, short_help=f"{check.title}.", help=_help(check), epilog=None
    )


def _role_option(role: str) -> click.Option:
    return click.Option([flag(role), role], multiple=True, metavar="FILE", help=f"A {role} frame; may be repeated.")


def _option(name: str, info: FieldInfo) -> click.Option:
    """Make an option that takes text; the check's own model reads it, so that every caller hears the same words."""
    if info.annotation is bool:
        return click.Option([flag(name), name], is_flag=True, help=f"{info.description}.")
    return click.Option([flag(name), name], multiple=is_repeated(info), metavar=_metavar(info), help=_option_help(info))


def _metavar(info: FieldInfo) -> str:
    if choices := choices_of(info):
        return "|".join(choices)
    unit = unit_of(info)
    if unit is None:
        return "TEXT"
    return "NUMBER" if unit == "1" else f"NUMBER [{unit}]"


def _option_help(info: FieldInfo) -> str:
    parts = [f"{info.description}."]
    if told := told_range(info):
        parts.append(f"{told[0].upper()}{told[1:]}.")
    if is_repeated(info):
        parts.append("May be repeated.")
    if info.is_required():
        parts.append("Required.")
    elif isinstance(info.default, str | int | float):
        parts.append(f"Default {info.default}.")
    return " ".join(parts)


def _help(check: Check) -> str:
    quantities = ", ".join(f"{name} ({unit})" for name, unit in check.quantities.items())
    needs = check.needs.get(SCENE)
    files = "" if needs is None else f"\n\nFILE: {_how_many(needs.at_least, needs.at_most)} {' or '.join(needs.kinds)}."
    return f"{check.title}.\n\nMethod: {check.method}.\n\nGives: {quantities}.{files}"


def _how_many(at_least: int, at_most: int | None) -> str:
    if at_most is None:
        return f"{at_least} or more, each a"
    if at_least == at_most == 1:
        return "one"
    return f"{at_most} at most, each a"
