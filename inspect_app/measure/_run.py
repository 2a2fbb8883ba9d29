"""Run one check on files: read the options, read the captures, compute; the one way in for every caller."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from inspect_app import capture
from inspect_app.errors import UnusableInput
from inspect_app.measure._options import flag, read_options
from inspect_app.measure._registry import CHECKS, Check
from inspect_app.model import FileReference, Measured


def measure(
    name: str, files: Mapping[str, Sequence[Path]], given: Mapping[str, Any], names: Mapping[Path, str] | None = None
) -> Measured:
    """Measure files with one check.

    Parameters
    ----------
    name : str
        Of the check.
    files : mapping of str to sequence of Path
        Files by role; ``scene`` are the plain ones.
    given : mapping
        Options, as texts or values.
    names : mapping of Path to str, optional
        What to call a file that is not kept under its own name.

    Raises
    ------
    UnusableInput
        No such check, or a file or an option cannot be used.
    NothingToMeasure
        The files are readable, but hold nothing that this check can measure.
    """
    if name not in CHECKS:
        raise UnusableInput(f"check '{name}'", "there is no such check", f"Use one of {', '.join(sorted(CHECKS))}.")
    found = CHECKS[name]
    options = read_options(found.options, given)
    _prove_counts(found, files)
    transfer = getattr(options, "transfer", "linear")
    captures: list[capture.Capture] = []
    for role, paths in files.items():
        for path in paths:
            captures += capture.read(
                path,
                role=role,
                kinds=found.needs[role].kinds,
                transfer=transfer,
                name=(names or {}).get(path, path.name),
                room_pixels=capture.MOST_PIXELS - _pixels(captures),
            )
    measured = found.run(tuple(captures), options)
    return _with_files(measured, captures, _passed_over(found, captures))


def _pixels(captures: Sequence[capture.Capture]) -> int:
    """Return how many pixels stand in memory; films are read frame by frame."""
    return sum(taken.exposure.size for taken in captures if isinstance(taken, capture.Still))


def _prove_counts(found: Check, files: Mapping[str, Sequence[Path]]) -> None:
    for role, paths in files.items():
        if role not in found.needs and paths:
            where = paths[0].name if role == "scene" else flag(role)
            raise UnusableInput(where, f"{found.name} takes no such file", "Leave it out.")
    for role, needs in found.needs.items():
        count = len(files.get(role, ()))
        what = "files" if role == "scene" else f"files with {flag(role)}"
        if count < needs.at_least:
            raise UnusableInput(
                found.name, f"{count} {what} given, at least {needs.at_least} needed", "Name the captures to measure."
            )
        if needs.at_most is not None and count > needs.at_most:
            raise UnusableInput(
                found.name, f"{count} {what} given, at most {needs.at_most} can be used", "Measure them one by one."
            )


def _passed_over(found: Check, captures: Sequence[capture.Capture]) -> tuple[str, ...]:
    """Tell of pages beyond those that a check takes: it measures the first."""
    told = []
    for role, needs in found.needs.items():
        pages = [taken for taken in captures if taken.role == role]
        if needs.at_most is not None and len(pages) > needs.at_most:
            name = _file_name(pages[0])
            told.append(
                f"{name} holds {len(pages)} pictures, of which the first was measured. Save the others as files of "
                "their own to measure them."
            )
    return tuple(told)


def _with_files(measured: Measured, captures: Sequence[capture.Capture], passed_over: tuple[str, ...]) -> Measured:
    references = {taken.sha256: FileReference(name=_file_name(taken), sha256=taken.sha256) for taken in captures}
    return Measured(
        check=measured.check,
        method=measured.method,
        results=measured.results,
        files=tuple(references.values()),
        traces=measured.traces,
        features=measured.features,
        outlines=measured.outlines,
        warnings=(*measured.warnings, *passed_over),
    )


def _file_name(taken: capture.Capture) -> str:
    return taken.name.split("[")[0] if taken.name.endswith("]") else taken.name
