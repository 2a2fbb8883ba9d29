"""Captures that arrive many at once: each kept, told what it is, and matched to the step that takes it."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from inspect_app import capture
from inspect_app.errors import NotAllowed, NotFound
from inspect_app.measure import CHECKS
from inspect_app.model import Entry, EntryState, Evidence, Inspection, Person
from inspect_app.storage import documents
from inspect_app.workflow.answers import PHOTO, StepAnswers
from inspect_app.workflow.inspecting import form_of, inspection
from inspect_app.workflow.recording import record_step
from inspect_app.workflow.workplace import Workplace, reading

_WORD: Final = re.compile(r"[a-z]+|\d+(?:\.\d+)?")


@dataclass(frozen=True, slots=True, kw_only=True)
class CapturePlace:
    """Where a capture may belong: a step that is not recorded yet, and the role that it would have there."""

    step_id: str
    title: str
    role: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SortedCapture:
    """A kept file, what it is, where it may belong, and where it most likely does (None: nothing tells)."""

    file: Evidence
    kind: str
    places: tuple[CapturePlace, ...]
    likely: CapturePlace | None


def sort_captures(workplace: Workplace, inspection_id: int, digests: Sequence[str]) -> tuple[SortedCapture, ...]:
    """Return kept files with what each is and where it belongs.

    Raises
    ------
    UnusableInput
        A file is nothing that any check takes.
    NotFound
        No such file is kept.
    """
    opened = inspection(workplace, inspection_id)
    places = _places(workplace, opened)
    return tuple(_sorted(workplace, digest, places) for digest in dict.fromkeys(digests))


def kind_of_capture(workplace: Workplace, file: Evidence) -> str:
    """Return whether a kept file is a ``still``, a ``film`` or a ``log``.

    Raises
    ------
    UnusableInput
        It is none of them.
    """
    return capture.kind_of(workplace.evidence.path(file.sha256), file.name)


def _sorted(workplace: Workplace, digest: str, places: Mapping[CapturePlace, tuple[str, ...]]) -> SortedCapture:
    with reading(workplace) as session:
        file = documents.evidence(session, digest)
    if file is None:
        raise NotFound(digest[:12], "no such file is kept", "Send it again.")
    kind = kind_of_capture(workplace, file)
    fitting = tuple(place for place, kinds in places.items() if kind in kinds)
    return SortedCapture(file=file, kind=kind, places=fitting, likely=_likely(file.name, fitting))


def _places(workplace: Workplace, opened: Inspection) -> Mapping[CapturePlace, tuple[str, ...]]:
    """Return every role of every step that is not recorded yet, with the kinds that it takes."""
    found = {}
    for step in form_of(workplace, opened).steps:
        if not _is_open(opened.entries.get(step.id)):
            continue
        asked = {question.name for question in step.questions if question.kind == "captures"}
        for role, needs in CHECKS[step.check].needs.items():
            if role in asked:
                found[CapturePlace(step_id=step.id, title=step.title, role=role)] = needs.kinds
        if step.wants_photos:
            found[CapturePlace(step_id=step.id, title=step.title, role=PHOTO)] = ("still",)
    return found


def _is_open(entry: Entry | None) -> bool:
    return entry is None or entry.state is EntryState.DRAFT


def _likely(name: str, places: Sequence[CapturePlace]) -> CapturePlace | None:
    """Return the place that shares the most words with the file's name; the only place where there is but one."""
    if len(places) == 1:
        return places[0]
    words = set(_WORD.findall(name.casefold()))
    scores = [
        (len(words & set(_WORD.findall(place.step_id.casefold()))) + (place.role in name.casefold()), place)
        for place in places
    ]
    best = max((score for score, _ in scores), default=0)
    winners = [place for score, place in scores if score == best]
    return winners[0] if best > 0 and len({place.step_id for place in winners}) == 1 else None


def place_captures(
    workplace: Workplace, person: Person, inspection_id: int, chosen: Mapping[str, tuple[str, str]]
) -> tuple[str, ...]:
    """Add kept files to the drafts of steps, and return the titles of those steps.

    Parameters
    ----------
    chosen : mapping of str to tuple of (step id, role)
        By the digest of the file.

    Raises
    ------
    NotAllowed
        A step is recorded already.
    NotFound
        A file or a step is not known.
    """
    opened = inspection(workplace, inspection_id)
    titles = {step.id: step.title for step in form_of(workplace, opened).steps}
    by_step: dict[str, list[Evidence]] = {}
    for digest, (step_id, role) in chosen.items():
        with reading(workplace) as session:
            file = documents.evidence(session, digest)
        if file is None or step_id not in titles:
            raise NotFound(digest[:12], "the file or the step is not known", "Send it again.")
        by_step.setdefault(step_id, []).append(replace(file, role=role))
    for step_id, files in by_step.items():
        entry = opened.entries.get(step_id)
        if not _is_open(entry):
            raise NotAllowed(titles[step_id], "it is recorded already", "Correct the step on its own page.")
        record_step(
            workplace, person, inspection_id, step_id, _with_files(entry, files), entry.revision if entry else 0
        )
    return tuple(titles[step_id] for step_id in by_step)


def _with_files(entry: Entry | None, files: Sequence[Evidence]) -> StepAnswers:
    kept = entry.evidence if entry else ()
    known = {(file.sha256, file.role) for file in kept}
    return StepAnswers(
        state=EntryState.DRAFT,
        answers=entry.answers if entry else {},
        conditions=entry.conditions if entry else {},
        instrument_ids=tuple(one.id for one in entry.instruments) if entry else (),
        evidence=(*kept, *(file for file in files if (file.sha256, file.role) not in known)),
        reason=entry.reason if entry else None,
    )
