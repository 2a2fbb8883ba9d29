"""Captures that arrive many at once: each kept, told what it is, and matched to the step that takes it."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from inspect_app import capture
from inspect_app.errors import NotAllowed, NotFound
from inspect_app.measure import CHECKS
from inspect_app.model import Entry, EntryState, Evidence, Inspection, Person, SentCapture
from inspect_app.storage import sent_captures
from inspect_app.workflow.bench.answers import PHOTO, StepAnswers
from inspect_app.workflow.bench.inspecting import form_of, inspection
from inspect_app.workflow.bench.recording import prove_unsigned, record_step
from inspect_app.workflow.bench.sending import waiting_captures
from inspect_app.workflow.workplace import Workplace, acting

_WORD: Final = re.compile(r"[a-z]+|\d+(?:\.\d+)?")


@dataclass(frozen=True, slots=True, kw_only=True)
class CapturePlace:
    """Where a capture may belong: a step that is not recorded yet, and the role that it would have there."""

    step_id: str
    title: str
    role: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SortedCapture:
    """A sent capture, what it is, where it may belong, and where it most likely does (None: nothing tells)."""

    sent: SentCapture
    kind: str
    places: tuple[CapturePlace, ...]
    likely: CapturePlace | None


def sort_captures(workplace: Workplace, inspection_id: int) -> tuple[SortedCapture, ...]:
    """Return the captures of an inspection that wait, with what each is and where it belongs."""
    places = _places(workplace, inspection(workplace, inspection_id))
    return tuple(_sorted(workplace, sent, places) for sent in waiting_captures(workplace, inspection_id))


def _sorted(workplace: Workplace, sent: SentCapture, places: Mapping[CapturePlace, tuple[str, ...]]) -> SortedCapture:
    kind = capture.kind_of(workplace.evidence.path(sent.file.sha256), sent.file.name)
    fitting = tuple(place for place, kinds in places.items() if kind in kinds)
    return SortedCapture(sent=sent, kind=kind, places=fitting, likely=_likely(sent, fitting))


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


def _likely(sent: SentCapture, places: Sequence[CapturePlace]) -> CapturePlace | None:
    """Return the only place, or that of the step where the phone was paired, or the one whose words the name has."""
    paired = [place for place in places if sent.pairing is not None and place.step_id == sent.pairing.step_id]
    if len(places) == 1 or paired:
        return (paired or list(places))[0]
    name = sent.file.name.casefold()
    words = set(_WORD.findall(name))
    scores = [
        (len(words & set(_WORD.findall(place.step_id.casefold()))) + (place.role in name), place) for place in places
    ]
    best = max((score for score, _ in scores), default=0)
    winners = [place for score, place in scores if score == best]
    return winners[0] if best > 0 and len({place.step_id for place in winners}) == 1 else None


def place_captures(
    workplace: Workplace, person: Person, inspection_id: int, chosen: Mapping[int, tuple[str, str] | None]
) -> tuple[str, ...]:
    """Add waiting captures to the drafts of steps, leave others out, and return the titles of the steps.

    Parameters
    ----------
    chosen : mapping of int to tuple of (step id, role) or None
        By the key of the sent capture; None leaves it out.

    Raises
    ------
    NotAllowed
        A step is recorded already, or the inspection is signed.
    NotFound
        A step is not known.
    """
    opened = inspection(workplace, inspection_id)
    titles = {step.id: step.title for step in form_of(workplace, opened).steps}
    waiting = {sent.id: sent for sent in waiting_captures(workplace, inspection_id)}
    by_step: dict[str, list[Evidence]] = {}
    for sent, place in ((waiting[key], place) for key, place in chosen.items() if key in waiting):
        if place is None:
            continue
        step_id, role = place
        if step_id not in titles:
            raise NotFound(sent.file.name, "the step is not known", "Choose one from the list.")
        by_step.setdefault(step_id, []).append(replace(sent.file, role=role))
    for step_id, files in by_step.items():
        entry = opened.entries.get(step_id)
        if not _is_open(entry):
            raise NotAllowed(titles[step_id], "it is recorded already", "Correct the step on its own page.")
        record_step(
            workplace, person, inspection_id, step_id, _with_files(entry, files), entry.revision if entry else 0
        )
    _leave_out(workplace, person, inspection_id, [key for key in chosen if key in waiting and chosen[key] is None])
    return tuple(titles[step_id] for step_id in by_step)


def _leave_out(workplace: Workplace, person: Person, inspection_id: int, keys: Sequence[int]) -> None:
    if not keys:
        return
    with acting(workplace, person, "inspect", "captures left out") as act:
        serial = prove_unsigned(act.session, inspection_id)
        sent_captures.leave_out(act, keys, person)
        act.tell(f"inspection {inspection_id}", serial=serial, captures=str(len(keys)))


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
