"""Read a form: steps repeated for their conditions, proved against the checks."""

import itertools
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Final

from inspect_app.definitions.steps import read_step
from inspect_app.definitions.toml_source import BYTE_ORDER_MARK, Table, digest_of, parse, read_text
from inspect_app.definitions.values import Form, Step
from inspect_app.errors import UnusableInput
from inspect_app.measure import CHECKS, Check

MOST_STEPS: Final = 200  # a form for one device; more is a slip in a for_each
_PLACEHOLDER = re.compile(r"\{([^{}]*)\}")


def forms_folder() -> Path:
    """Return the folder of the forms: inside the package once installed, beside it in a checkout."""
    package = Path(__file__).resolve().parents[1]
    inside = package / "forms"
    return inside if inside.is_dir() else package.parent / "forms"


def read_forms(folder: Path, *, checks: Mapping[str, Check] = CHECKS) -> dict[str, Form]:
    """Return the forms of a folder by device class.

    Raises
    ------
    UnusableInput
        There is none, one cannot be used, or two are for one class.
    """
    forms: dict[str, Form] = {}
    for path in sorted(folder.glob("*.toml")):
        form = read_form(path, checks=checks)
        if form.device_class in forms:
            raise UnusableInput(
                f"{path.name}, device_class",
                f"another form is for '{form.device_class}' too",
                "Keep one form for each class of device.",
            )
        forms[form.device_class] = form
    if not forms:
        raise UnusableInput(str(folder), "holds no form", "Name the folder that holds the forms, in files *.toml.")
    return forms


def read_form(path: Path, *, checks: Mapping[str, Check] = CHECKS) -> Form:
    """Return the form in a file."""
    return read_form_text(read_text(path), path.name, checks=checks)


def read_form_text(text: str, name: str, *, checks: Mapping[str, Check] = CHECKS) -> Form:
    """Return the form in a TOML text.

    Parameters
    ----------
    text : str
        The grammar is explained at the top of each form.
    name : str
        What to call it in errors.
    checks : mapping, optional
        What the form is proved against.

    Raises
    ------
    UnusableInput
        Names the file, the step and the field of the first mistake, and the way out.
    """
    text = text.removeprefix(BYTE_ORDER_MARK)
    digest = digest_of(text, name)
    top = parse(text, name)
    form = Form(
        device_class=top.text("device_class"),
        title=top.text("title"),
        revision=top.text("revision"),
        steps=tuple(_steps(top, checks)),
        source=text,
        digest=digest,
    )
    top.finish()
    return form


def _steps(top: Table, checks: Mapping[str, Check]) -> Iterator[Step]:
    seen: set[str] = set()
    tables = top.tables("step")
    if not tables:
        raise top.error("step", "the form has no step", "Write each step as [[step]].")
    for table in tables:
        for condition in _combinations(table):
            step = read_step(_filled(table, condition), condition, checks)
            if step.id in seen:
                raise table.error(
                    "id", f"two steps are called '{step.id}'", "Name each once; put {…} of every for_each into the id."
                )
            seen.add(step.id)
            if len(seen) > MOST_STEPS:
                raise table.error("for_each", f"the form has more than {MOST_STEPS} steps", "Repeat fewer of them.")
            yield step


def _combinations(table: Table) -> Iterator[dict[str, str | int | float]]:
    for_each = table.table("for_each")
    lists = [for_each.alternatives(name) for name in for_each.values]
    for values in itertools.product(*lists):
        yield dict(zip(for_each.values, values, strict=True))


def _filled(table: Table, values: Mapping[str, str | int | float]) -> Table:
    """Return the table with every ``{name}`` replaced; one that stands alone takes the value as it is."""

    def fill(field: str, given: object) -> object:
        if isinstance(given, list):
            return [fill(field, item) for item in given]
        if isinstance(given, dict):
            return {name: fill(f"{field}, {name}", item) for name, item in given.items()}
        if not isinstance(given, str):
            return given
        names = _PLACEHOLDER.findall(given)
        for name in names:
            if name not in values:
                known = ", ".join(f"{{{one}}}" for one in values) or "none: the step has no for_each"
                raise table.error(field, f"{{{name}}} stands for nothing", f"Use one of {known}.")
        if names and given == f"{{{names[0]}}}":
            return values[names[0]]
        return _PLACEHOLDER.sub(lambda match: _in_words(values[match[1]], is_id=field == "id"), given)

    kept = {name: fill(name, value) for name, value in table.values.items() if name != "for_each"}
    return Table(source=table.source, values=kept, place=table.place)


def _in_words(value: str | int | float, *, is_id: bool) -> str:
    text = value if isinstance(value, str) else f"{value:.12g}"
    return re.sub(r"[\s_]+", "-", text.strip().lower()) if is_id else text
