"""Measuring a step: its what was kept and answered goes to the check, and its words come back as the form's."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from inspect_app import measure
from inspect_app.definitions import Step
from inspect_app.errors import InspectError
from inspect_app.model import Evidence, Measured
from inspect_app.workflow.bench.answers import PHOTO, in_words_of_form, labelled
from inspect_app.workflow.workplace import Workplace


def measure_step(
    workplace: Workplace, step: Step, evidence: Sequence[Evidence], options: Mapping[str, Any]
) -> Measured:
    """Return what the check of a step gives for kept captures.

    Parameters
    ----------
    evidence : sequence of Evidence
        Photographs among it are left out.
    options : mapping
        Of the check: what the form fixes, and what was answered.

    Raises
    ------
    InspectError
        As the check refuses it, with the labels of the form in the place of the options' names.
    """
    files: dict[str, list[Path]] = {}
    names: dict[Path, str] = {}
    for file in evidence:
        if file.role != PHOTO:
            path = workplace.evidence.path(file.sha256)
            files.setdefault(file.role, []).append(path)
            names[path] = file.name
    try:
        measured = measure.measure(step.check, files, options, names=names)
    except InspectError as error:
        raise labelled(step, error) from error
    return replace(measured, warnings=tuple(in_words_of_form(step, warning) for warning in measured.warnings))
