"""The form of one step, made from its questions, and its answers as the workflow takes them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, BinaryIO, Final, cast

from flask import request
from flask_wtf.file import MultipleFileField
from werkzeug.datastructures import FileStorage
from wtforms import Field, HiddenField, RadioField, SelectField, SelectMultipleField, TextAreaField

from inspect_app import workflow
from inspect_app.definitions.values import Question, Step, Window
from inspect_app.documents import wording
from inspect_app.errors import InspectError
from inspect_app.model import Entry, EntryState, Evidence, Instrument
from inspect_app.web import here
from inspect_app.web.fields import LinesField, NumberField, PageForm, field_for
from inspect_app.web.rail import Place
from inspect_app.workflow import Readers, StepAnswers

_CAPTURES: Final = "captures"
_PHOTO: Final = "photo"
_SEEN: Final = {"yes": "Yes, as ordered", "no": "No", "cannot tell": "Cannot tell"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One field as it stands on the page, with the files that are kept for it already."""

    field: Field
    is_optional: bool = False
    is_region: bool = False
    kept: tuple[Evidence, ...] = ()

    @property
    def text(self) -> str:
        """What stands in the field; nothing for files."""
        return "" if isinstance(self.field, MultipleFileField) else (self.field.data or "")

    @property
    def is_empty(self) -> bool:
        """Nothing is answered."""
        if isinstance(self.field, MultipleFileField):
            return not self.kept
        return not (self.field.data or "").strip()


class AnswerForm(PageForm):
    """What every step asks beside its own questions; the rest is added by `answer_form`."""

    step: Step
    known: tuple[Evidence, ...]
    readers: Readers | None = None
    refused_files: Mapping[str, str] = {}

    expected_revision = HiddenField()
    kept = SelectMultipleField(validate_choice=False)
    reason = TextAreaField(
        "Reason",
        description="Needed for a correction and where a condition could not be kept; welcome for Cannot tell",
    )

    @property
    def revision_seen(self) -> int:
        """Of the newest entry that stood on the page; 0 where there was none."""
        text = self.expected_revision.data or ""
        return int(text) if text.isdecimal() else 0

    @property
    def before(self) -> tuple[Asked, ...]:
        """Conditions that are read before the captures."""
        return tuple(Asked(field=self[name]) for name in _condition_names(self.step, is_after=False))

    @property
    def after(self) -> tuple[Asked, ...]:
        """Conditions that are read again after the captures."""
        return tuple(Asked(field=self[name]) for name in _condition_names(self.step, is_after=True))

    @property
    def instruments(self) -> tuple[Asked, ...]:
        """What was measured with."""
        return tuple(Asked(field=self[f"instrument_{index}"]) for index in range(len(self.step.instruments)))

    @property
    def plain(self) -> tuple[Asked, ...]:
        """Questions that are always asked."""
        return tuple(asked for q in self.step.questions if not q.way for asked in self._asked(q))

    @property
    def ways(self) -> Mapping[str, tuple[Asked, ...]]:
        """Questions of which one group is answered."""
        names = dict.fromkeys(question.way for question in self.step.questions if question.way)
        return {
            way: tuple(asked for q in self.step.questions if q.way == way for asked in self._asked(q)) for way in names
        }

    @property
    def photos(self) -> Asked | None:
        """Photographs that are added as evidence."""
        if not self.step.wants_photos:
            return None
        return Asked(field=self["file_photo"], is_optional=True, kept=self.kept_for(_PHOTO))

    @property
    def asked(self) -> tuple[Asked, ...]:
        """Every field in the order of the page."""
        of_ways = tuple(asked for way in self.ways.values() for asked in way)
        return (*self.before, *self.instruments, *self.plain, *of_ways, *self.after)

    @property
    def first_empty(self) -> str:
        """The id of the field that the cursor goes to, empty where nothing is missing."""
        waiting = self._waiting
        if self._is_without_way:
            waiting += tuple(asked for way in self.ways.values() for asked in way)
        order = [asked.field.name for asked in self.asked]
        first = min(waiting, key=lambda asked: order.index(asked.field.name), default=None)
        return "" if first is None else str(first.field.id)

    @property
    def missing(self) -> tuple[str, ...]:
        """The labels of what is still to be answered."""
        labels = tuple(str(asked.field.label.text) for asked in self._waiting)
        if self.readers is not None and self.readers.left:
            labels = (*labels, f"{self.readers.question.label} ({self.readers.left} more to read it)")
        return (*labels, " or ".join(self.ways)) if self._is_without_way else labels

    @property
    def _is_without_way(self) -> bool:
        return bool(self.ways) and not any(_is_taken(way) for way in self.ways.values())

    @property
    def _waiting(self) -> tuple[Asked, ...]:
        of_ways = tuple(asked for way in self.ways.values() if _is_taken(way) for asked in way)
        always = (*self.before, *self.instruments, *self.plain, *self.after)
        return tuple(asked for asked in (*always, *of_ways) if asked.is_empty and not asked.is_optional)

    @property
    def chosen_files(self) -> tuple[Evidence, ...]:
        """Every kept file that is not left out."""
        chosen = set(self.kept.data or ())
        return tuple(file for file in self.known if file_key(file) in chosen)

    def kept_for(self, role: str) -> tuple[Evidence, ...]:
        """Return the files of a role that are kept and not left out."""
        return tuple(file for file in self.chosen_files if file.role == role)

    @property
    def takes_files(self) -> bool:
        """Whether captures or photographs belong to the step."""
        return any(isinstance(field, MultipleFileField) for field in self)

    @property
    def is_prefilled(self) -> bool:
        """Whether conditions stand in the fields that were read for another device."""
        return any(asked.field.data for asked in self.before)

    def is_blank(self) -> bool:
        """Say whether nothing at all is answered."""
        readings = (*self.before, *self.plain, *self.after, *(a for way in self.ways.values() for a in way))
        is_read = self.readers is not None and bool(self.readers.read)
        return all(asked.is_empty for asked in readings) and not is_read and not (self.photos and self.photos.kept)

    def keep_files(self) -> None:
        """Keep every file that came, before anything is judged; a refusal stands beside its field."""
        for field in (field for field in self if isinstance(field, MultipleFileField)):
            role = field.name.removeprefix("file_")
            for upload in request.files.getlist(field.name):
                if upload.filename:
                    self._keep(field, upload, role)

    def validate_with_files(self) -> bool:
        """Prove the answers; what was refused of the files counts as well."""
        is_sound = bool(self.validate())
        for name, message in self.refused_files.items():
            self[name].errors = [message]
        return is_sound and not self.refused_files

    def to_answers(self, state: EntryState) -> StepAnswers:
        """Return the answers as the workflow takes them: texts, as typed."""
        answers = {q.name: self._texts(q) for q in self.step.questions if q.kind != _CAPTURES and not q.readers}
        names = (*_condition_names(self.step, is_after=False), *_condition_names(self.step, is_after=True))
        conditions = {name.removeprefix("condition_"): (self[name].data or "").strip() for name in names}
        chosen = [asked.field.data for asked in self.instruments if asked.field.data]
        return StepAnswers(
            answers={name: texts for name, texts in answers.items() if texts},
            conditions={name: text for name, text in conditions.items() if text},
            instrument_ids=tuple(dict.fromkeys(int(text) for text in chosen)),
            evidence=self.chosen_files,
            state=state,
            reason=(self.reason.data or "").strip() or None,
        )

    def refuse_step(self, error: InspectError) -> None:
        """Put what the check refused beside the question it speaks of."""
        name = workflow.field_of(self.step, error)
        role = next((file.role for file in self.chosen_files if error.where.startswith(file.name)), "")
        candidates = [f"{prefix}{name}" for prefix in ("answer_", "file_", "condition_", "")]
        candidates += [f"answer_{name}_0", "instrument_0" if name == "instruments" else "", f"file_{role}"]
        self.refuse(error, next((field for field in candidates if field in self), None))

    def take_errors(self, other: "AnswerForm") -> None:
        """Show the refusals of another form of the same step."""
        for field in other:
            if field.errors and field.name in self:
                self[field.name].errors = list(field.errors)
        self.form_errors.extend(other.form_errors)

    def _texts(self, question: Question) -> tuple[str, ...]:
        if question.items:
            chosen = [(item, self[_item_field(question, i)].data) for i, item in enumerate(question.items)]
            return tuple(f"{item}={answer}" for item, answer in chosen if answer)
        field = self[f"answer_{question.name}"]
        if isinstance(field, LinesField):
            return field.lines
        text = (field.data or "").strip()
        return (text,) if text else ()

    def _keep(self, field: Field, upload: FileStorage, role: str) -> None:
        try:
            stream = cast(BinaryIO, upload.stream)
            file = workflow.keep_file(here.workplace(), here.person(), upload.filename or "", stream)
        except InspectError as error:
            self.refused_files = {**self.refused_files, field.name: str(error)}
            return
        kept = replace(file, role=role)
        self.known = (*(known for known in self.known if file_key(known) != file_key(kept)), kept)
        self.kept.data = [*(self.kept.data or ()), file_key(kept)]

    def _asked(self, question: Question) -> tuple[Asked, ...]:
        names = tuple(_question_fields(question))
        kept = self.kept_for(question.name) if question.kind == _CAPTURES else ()
        about = {"is_optional": question.is_optional, "is_region": question.kind == "region"}
        return tuple(Asked(field=self[name], kept=kept, **about) for name in names)


def _is_taken(way: Sequence[Asked]) -> bool:
    return not all(asked.is_empty for asked in way)


def answer_form(place: Place, *, is_sent: bool) -> AnswerForm:
    """Return the form of a step: with what was sent, or with what is recorded and what earlier steps carry over."""
    step = place.step
    fields: dict[str, Any] = {"step": step}
    for index, kind in enumerate(step.instruments):
        fields[f"instrument_{index}"] = _instrument_field(kind)
    for question in step.questions:
        fields |= _question_fields(question)
    for window in step.windows:
        fields |= _condition_fields(window)
    if step.wants_photos:
        fields["file_photo"] = MultipleFileField("Photographs")
    form_class = type("StepForm", (AnswerForm,), fields)
    form: AnswerForm = form_class() if is_sent else form_class(formdata=None, data=_initial(place))
    form.readers = workflow.readers_of(here.workplace(), place.inspection.id, step)
    form.known = _known_files(place) + (_sent_files(place, form) if is_sent else ())
    if not is_sent:
        form.kept.data = [file_key(file) for file in (place.entry.evidence if place.entry else ())]
    return form


def _question_fields(question: Question) -> dict[str, Field]:
    """Return the fields that ask a question, by name: one for each item of a checklist, none for readers apart."""
    if question.readers:
        return {}
    if question.items:
        return {
            _item_field(question, i): RadioField(item, choices=dict(_SEEN), validate_choice=False)
            for i, item in enumerate(question.items)
        }
    prefix = "file" if question.kind == _CAPTURES else "answer"
    return {f"{prefix}_{question.name}": field_for(question)}


def _item_field(question: Question, index: int) -> str:
    return f"answer_{question.name}_{index}"


def file_key(file: Evidence) -> str:
    """Return what names a kept file within a step: its role and its digest."""
    return f"{file.role}:{file.sha256}"


def _known_files(place: Place) -> tuple[Evidence, ...]:
    history = workflow.entry_history(here.workplace(), place.inspection.id, place.step.id)
    files = {file_key(file): file for entry in history for file in entry.evidence}
    return tuple(files.values())


def _sent_files(place: Place, form: AnswerForm) -> tuple[Evidence, ...]:
    """Return the captures that wait, in each role of the step: which of them were chosen, the form says."""
    roles = [field.name.removeprefix("file_") for field in form if isinstance(field, MultipleFileField)]
    waiting = workflow.waiting_captures(here.workplace(), place.inspection.id) if roles else ()
    return tuple(replace(sent.file, role=role) for sent in waiting for role in roles)


def _condition_names(step: Step, *, is_after: bool) -> tuple[str, ...]:
    if is_after:
        return tuple(f"condition_{window.name}_after" for window in step.windows if window.before_and_after)
    return tuple(f"condition_{window.name}{'_before' if window.before_and_after else ''}" for window in step.windows)


def _condition_fields(window: Window) -> dict[str, Field]:
    hint = f"The result counts from {wording.bounds_text(window.low, window.high, window.unit)}"

    def field(when: str) -> Field:
        label = f"{window.label}{when}"
        in_unit = label if f" {window.unit}" in label else f"{label}, in {window.unit}"
        return NumberField(in_unit, unit=window.unit, description=hint)

    if not window.before_and_after:
        return {f"condition_{window.name}": field("")}
    return {
        f"condition_{window.name}_before": field(", before"),
        f"condition_{window.name}_after": field(", after"),
    }


def _instrument_field(kind: str) -> Field:
    fitting = [one for one in workflow.instruments(here.workplace()) if one.kind == kind]
    hint = "" if fitting else f"No {kind} is registered; an administrator adds it under Instruments"
    choices = {"": "Choose"} | {str(one.id): _instrument_text(one) for one in fitting}
    label = kind[:1].upper() + kind[1:]
    return SelectField(label, choices=choices, validate_choice=False, description=hint)


def _instrument_text(instrument: Instrument) -> str:
    today = here.workplace().clock().date()
    current, latest = instrument.calibration_on(today), instrument.latest_calibration()
    if current is not None:
        state = f"calibrated, due {wording.day(current.due_on)}"
    elif latest is not None:
        state = f"PAST CALIBRATION, was due {wording.day(latest.due_on)}"
    else:
        state = "NEVER CALIBRATED"
    return f"{instrument.serial}, {state}: {instrument.name}"


def _initial(place: Place) -> dict[str, Any]:
    """Return what the page starts with: the newest entry, or what earlier steps of the inspection carry over."""
    entry, step = place.entry, place.step
    values: dict[str, Any] = {"expected_revision": str(place.revision)}
    if entry is None:
        return values | _of_the_lot(place) | _carried(place)
    for question in step.questions:
        values |= _answered(question, entry.answers.get(question.name, ()))
    for name, text in entry.conditions.items():
        values[f"condition_{name}"] = text
    values |= _chosen_instruments(place.step, entry.instruments)
    if entry.state is not EntryState.RECORDED:
        values["reason"] = entry.reason or ""
    return values


def _answered(question: Question, texts: Sequence[str]) -> dict[str, str]:
    if not question.items:
        return {f"answer_{question.name}": "\n".join(texts)}
    chosen = dict(text.rpartition("=")[::2] for text in texts)
    return {_item_field(question, i): chosen.get(item, "") for i, item in enumerate(question.items)}


def _of_the_lot(place: Place) -> dict[str, Any]:
    """How the bench stood for the last device of the lot; what is read after the captures is always read anew."""
    last = workflow.last_of_lot(here.workplace(), place.inspection, place.step.id)
    if last is None:
        return {}
    conditions = {f"condition_{name}": text for name, text in last.conditions.items() if not name.endswith("_after")}
    return conditions | _numbers_of(place.step, last) | _chosen_instruments(place.step, last.instruments)


def _numbers_of(step: Step, earlier: Entry) -> dict[str, str]:
    """Numbers that describe the set-up: what is measured is never a single number that is asked."""
    numbers = {question.name for question in step.questions if question.kind == "number"}
    return {f"answer_{name}": texts[0] for name, texts in earlier.answers.items() if name in numbers and texts}


def _carried(place: Place) -> dict[str, Any]:
    """Instruments, and numbers that describe the set-up of the same check, are asked once (WCAG 2.2, 3.3.7)."""
    values: dict[str, Any] = {}
    used: list[Instrument] = []
    for step in place.form.steps:
        earlier = place.inspection.entries.get(step.id)
        if earlier is None:
            continue
        used += earlier.instruments
        if step.check == place.step.check:
            values |= _numbers_of(place.step, earlier)
    return values | _chosen_instruments(place.step, used)


def _chosen_instruments(step: Step, used: Sequence[Instrument]) -> dict[str, str]:
    newest = {instrument.kind: str(instrument.id) for instrument in used}
    return {f"instrument_{i}": newest[kind] for i, kind in enumerate(step.instruments) if kind in newest}
