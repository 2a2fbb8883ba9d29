"""README promises only commands, options, settings and tasks that exist."""

import re
import shlex
import tomllib
from pathlib import Path

import click
import pytest

from inspect_app.cli import program
from inspect_app.workflow import settings

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
FENCED = re.findall(r"```sh\n(.*?)```", README, flags=re.S)
COMMANDS = sorted({line for block in FENCED for line in block.splitlines() if line.startswith("inspect-app ")})
NAMED = sorted(set(re.findall(r"`(inspect-app(?: [a-z][^`]*)?)`", README)))


def _found(words: list[str]) -> tuple[click.Command, list[str]]:
    command: click.Command = program
    while isinstance(command, click.Group) and words and not words[0].startswith("-"):
        inner = command.get_command(click.Context(command), words[0])
        assert inner is not None, f"there is no command {words[0]}"
        command, words = inner, words[1:]
    return command, words


@pytest.mark.parametrize("line", [*COMMANDS, *NAMED])
def test_a_command_of_the_readme_exists_with_its_options(line):
    """Truth: the command line itself."""
    command, rest = _found(shlex.split(line)[1:])

    known = {name for parameter in command.params for name in (*parameter.opts, *parameter.secondary_opts)}
    assert {word for word in rest if word.startswith("--")} <= known


def test_every_command_stands_in_the_readme():
    """Truth: the command line itself."""
    named = {line.split()[1] for line in NAMED if len(line.split()) > 1}

    assert set(program.list_commands(click.Context(program))) <= named


def test_every_task_of_the_readme_is_in_the_makefile():
    """Truth: the Makefile."""
    tasks = set(re.findall(r"^([a-z-]+):", (ROOT / "Makefile").read_text(encoding="utf-8"), flags=re.M))

    assert set(re.findall(r"\bmake ([a-z]+)\b", README)) <= tasks


def test_every_setting_of_the_readme_is_read():
    """Truth: the module that reads the environment."""
    read = {value for name, value in vars(settings).items() if name.isupper() and isinstance(value, str)}

    assert set(re.findall(r"INSPECT_APP_[A-Z_]+", README)) <= read


def test_every_dependency_has_its_reason_in_the_developers_page():
    """Truth: pyproject.toml."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = page.partition("## Dependencies")[2].partition("##")[0]
    named = {name.strip() for row in re.findall(r"^\| ([^|]+) \|", table, flags=re.M) for name in row.split(",")}

    assert {re.split(r"[\[<>=]", dependency)[0] for dependency in project["dependencies"]} <= named
