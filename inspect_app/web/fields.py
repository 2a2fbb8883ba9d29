"""Fields of the pages: a number field that reads what people type, lists, files, and the table from kind to field."""

import enum
from collections.abc import Callable, Mapping, Sequence
from datetime import date
from typing import Any, Final, TypeVar

from flask_wtf import FlaskForm
from flask_wtf.file import MultipleFileField
from wtforms import DateField, Field, IntegerField, RadioField, StringField, TextAreaField
from wtforms.validators import InputRequired, StopValidation
from wtforms.widgets import TextInput

from inspect_app.definitions.values import Question
from inspect_app.errors import EditConflict, InspectError, NotFound, UnusableInput
from inspect_app.quantity import format_limit, parse_number
from inspect_app.web.typed import looks_like_serial, without_control_characters

T = TypeVar("T")
Choice = TypeVar("Choice", bound=enum.StrEnum)


class PageForm(FlaskForm):
    """A form that can say what the workflow refused, beside the field it speaks of."""

    def accept(self, act: Callable[[], T], field: str | None = None) -> T | None:
        """Return what an act of the workflow gives; None where it was refused, and the form then says why."""
        try:
            return act()
        except (EditConflict, NotFound):
            raise
        except InspectError as error:
            self.refuse(error, field)
            return None

    def carries_out(self, act: Callable[[], None], field: str | None = None) -> bool:
        """Do an act that gives nothing, and say whether it was done."""

        def done() -> bool:
            act()
            return True

        return self.accept(done, field) is not None

    def refuse(self, error: InspectError, field: str | None = None) -> None:
        """Put a refusal beside its field, or at the head of the form where it concerns no single one."""
        message = str(error)
        name = field or self._field_named(error.where)
        if name is None:
            self.form_errors.append(message)
        else:
            self[name].errors = [*self[name].errors, message]

    @property
    def has_errors(self) -> bool:
        """Say whether anything was refused."""
        return bool(self.errors)

    @property
    def problem_heading(self) -> str:
        """Return the heading of the summary."""
        return "One thing to put right" if len(self.problems) == 1 else f"{len(self.problems)} things to put right"

    @property
    def problems(self) -> tuple[tuple[str, str], ...]:
        """Return what was refused: the id of the place to go to, empty for the form as a whole, and the words."""
        of_form = tuple(("", message) for message in self.form_errors)
        return of_form + tuple((_focus_id(field), str(field.errors[0])) for field in self if field.errors)

    def _field_named(self, where: str) -> str | None:
        plain = where.casefold()
        return next((one.short_name for one in self if plain in (one.short_name, one.label.text.casefold())), None)


def _focus_id(field: Field) -> str:
    return f"{field.id}-0" if isinstance(field, RadioField) else str(field.id)


class NumberField(Field):
    """One finite number with decimal point or comma, perhaps with its unit behind; the typed text is kept.

    `data` is the text as typed; the workflow converts it, by the same function that is used here to prove it.
    """

    widget = TextInput()

    def __init__(
        self,
        label: str,
        validators: Sequence[Any] = (),
        *,
        unit: str = "1",
        low: float | None = None,
        high: float | None = None,
        **kwargs: Any,
    ) -> None:
        super().__init__(label, list(validators), **kwargs)
        self.unit, self.low, self.high = unit, low, high
        signed = low is None or low < 0
        typing = {} if signed else {"inputmode": "decimal"}  # some keypads for decimals have no minus
        self.render_kw = {"autocomplete": "off", "spellcheck": "false", **typing}

    def _value(self) -> str:
        return self.data or ""

    def process_formdata(self, valuelist: list[str]) -> None:
        """Keep the text, without what a scanner adds to it."""
        self.data = without_control_characters(valuelist[0]) if valuelist else ""

    def pre_validate(self, form: FlaskForm) -> None:  # noqa: ARG002  # the signature is WTForms'
        """Refuse what is no number, or one that cannot be, in one sentence."""
        if not self.data:
            return
        problem = number_problem(self.label.text, self.data, self.unit, self.low, self.high)
        if problem:
            raise StopValidation(problem)


def number_problem(label: str, text: str, unit: str, low: float | None, high: float | None) -> str:
    """Return what is wrong with a typed number and what to do, or nothing."""
    try:
        number = parse_number(text, unit)
    except UnusableInput as error:
        if looks_like_serial(text):
            wanted = f"{label[:1].lower()}{label[1:]}"
            return f"That looks like the serial {text}. Scan it in the search field; here enter {wanted}."
        return str(error)
    if (low is not None and number < low) or (high is not None and number > high):
        return f"{label} must be {_range(low, high, unit)}. You entered {text}."
    return ""


def _range(low: float | None, high: float | None, unit: str) -> str:
    if low is not None and high is not None:
        return f"between {format_limit(low, '1')} and {format_limit(high, unit)}"
    if low is not None:
        return f"{format_limit(low, unit)} or more"
    return "" if high is None else f"{format_limit(high, unit)} or less"


class CountField(IntegerField):
    """One whole number; anything else is refused in words."""

    widget = TextInput()

    def process_formdata(self, valuelist: list[str]) -> None:
        """Read the number, or say what was typed in its place."""
        try:
            super().process_formdata(valuelist)
        except ValueError as error:
            raise ValueError(f"Give a whole number. You entered {valuelist[0].strip()[:40]}.") from error


class LinesField(TextAreaField):
    """One answer a line; `data` is the text, `lines` are the answers."""

    @property
    def lines(self) -> tuple[str, ...]:
        """The answers without blank lines."""
        cleaned = (without_control_characters(line).strip() for line in (self.data or "").splitlines())
        return tuple(line for line in cleaned if line)


class SerialField(StringField):
    """A scanned field: no maxlength, which would cut a code silently, and no control characters."""

    def process_formdata(self, valuelist: list[str]) -> None:
        """Take the scan without what the scanner adds to it."""
        self.data = without_control_characters(valuelist[0]).strip() if valuelist else ""


class DayField(DateField):
    """A day written as year, month, day; anything else is refused with an example."""

    widget = TextInput()

    def process_formdata(self, valuelist: list[str]) -> None:
        """Read the day, or say how one is written."""
        text = valuelist[0].strip() if valuelist else ""
        if not text:
            return
        self.data = None
        try:
            self.data = date.fromisoformat(text)
        except ValueError as error:
            raise ValueError(f"Write the day as year-month-day, like 2026-11-25. You entered {text}.") from error


def chosen(field: Field, kind: type[Choice]) -> Choice:
    """Return which of a few words was chosen.

    Raises
    ------
    UnusableInput
        None of them.
    """
    if field.data not in {one.value for one in kind}:
        raise UnusableInput(field.label.text, "nothing is chosen", "Choose one.")
    return kind(field.data)


def needed(message: str) -> list[InputRequired]:
    """Return the validators of a field that must be filled."""
    return [InputRequired(message)]


def _number(question: Question) -> Field:
    return NumberField(
        labelled(question),
        unit=question.unit or "1",
        low=question.low,
        high=question.high,
        description=question.hint,
    )


def _choice(question: Question) -> Field:
    choices = {choice: choice[:1].upper() + choice[1:] for choice in question.choices}
    return RadioField(question.label, choices=choices, description=question.hint, validate_choice=False)


def _text(question: Question) -> Field:
    return SerialField(question.label, description=question.hint)


def _region(question: Question) -> Field:
    typing = {"autocomplete": "off", "spellcheck": "false", "data-region": True}
    return SerialField(question.label, description=question.hint, render_kw=typing)


def _lines(question: Question) -> Field:
    return LinesField(labelled(question), description=question.hint)


def _captures(question: Question) -> Field:
    return MultipleFileField(question.label, description=question.hint)


KINDS: Final[Mapping[str, Callable[[Question], Field]]] = {
    "number": _number,
    "choice": _choice,
    "text": _text,
    "region": _region,
    "list": _lines,
    "captures": _captures,
}


def field_for(question: Question) -> Field:
    """Return the field that asks a question."""
    return KINDS[question.kind](question)


def labelled(question: Question) -> str:
    """Return the label with the unit, unless the label says it already."""
    unit = question.unit
    if unit in (None, "1") or f" {unit}" in question.label:
        return question.label
    return f"{question.label}, in {unit}"
