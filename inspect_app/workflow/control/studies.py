"""Reader studies: kept with their whole table, read again when asked, and let count at the bench by an approver."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from inspect_app.definitions import Form, Step
from inspect_app.definitions.studies import layout_of, table_text
from inspect_app.definitions.study_results import Agreement, Readings, evaluated, reader_doubt, reader_errors
from inspect_app.definitions.values import ExpectedDoubt
from inspect_app.errors import NotAllowed, NotFound
from inspect_app.measure import CHECKS
from inspect_app.measure.bar_target import MOST_READER_PERCENT, STEP_DOUBT_PERCENT
from inspect_app.model import ConditionValue, Person, ReaderDoubt, ReaderErrors, ReaderStudy, StudyAdoption, StudyKind
from inspect_app.storage import Session, instruments
from inspect_app.storage import studies as kept
from inspect_app.workflow.typed_text import clean_line, clean_reason, clean_remark
from inspect_app.workflow.workplace import Workplace, acting, reading

_READER_OPTION: Final = "reader_uncertainty_percent"


@dataclass(frozen=True, slots=True, kw_only=True)
class NewStudy:
    """A study to be kept; `layout` is left empty where its table names the layout in a column of its own."""

    kind: StudyKind
    title: str
    table_name: str
    table: bytes
    layout: str = ""
    instrument_id: int | None = None
    remark: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyPage:
    """A kept study with what its table says, and whether it is the one that counts at the bench."""

    study: ReaderStudy
    found: Readings | Agreement
    counts: bool


def keep_study(workplace: Workplace, person: Person, new: NewStudy) -> str:
    """Keep a study that says something, and return its number; the same table again is the same study.

    Raises
    ------
    UnusableInput
        A text is missing or too long, or the table is no study.
    NothingToMeasure
        The table says nothing of the readers.
    NotFound
        There is no such instrument.
    NotAllowed
        The person may not inspect.
    """
    title, name = clean_line("title", new.title), clean_line("table", new.table_name)
    remark = clean_remark("remark", new.remark)
    evaluated(new.kind, new.table, name)
    table = table_text(new.table, name)
    layout = layout_of(new.table, name) or new.layout.strip()
    layout = clean_line("layout", layout) if layout else ""
    with acting(workplace, person, "inspect", "reader study kept") as act:
        same = kept.number_with_table(act.session, table)
        if same is not None:
            return same
        if new.instrument_id is not None and instruments.instrument(act.session, new.instrument_id) is None:
            raise NotFound(
                f"instrument {new.instrument_id}", "there is no such instrument", "Choose one from the list."
            )
        number = kept.add_study(
            act,
            kind=new.kind,
            title=title,
            layout=layout,
            table_name=name,
            table=table,
            instrument_id=new.instrument_id,
            remark=remark,
            by=person,
        )
        act.tell(f"reader study {number}", kind=new.kind.value, title=title, layout=layout or "none")
    return number


def reader_studies(workplace: Workplace) -> tuple[ReaderStudy, ...]:
    """Return all kept studies, the newest first."""
    with reading(workplace) as session:
        return kept.studies(session)


def reader_study(workplace: Workplace, number: str) -> StudyPage:
    """Return a kept study with what its table says.

    Raises
    ------
    NotFound
        There is none of this number.
    """
    with reading(workplace) as session:
        study = _existing(session, number)
        counting = kept.counting_adoption(session, study.kind)
    return StudyPage(
        study=study,
        found=evaluated(study.kind, study.table.encode(), study.table_name),
        counts=counting is not None and counting.study_number == number,
    )


def _existing(session: Session, number: str) -> ReaderStudy:
    found = kept.studies(session, number)
    if not found:
        raise NotFound(f"reader study {number}", "there is no such study", "Choose one from the list.")
    return found[0]


def counting_study(workplace: Workplace, kind: StudyKind = StudyKind.ELEMENTS) -> StudyAdoption | None:
    """Return the act by which a study of a kind counts at the bench now, or None."""
    with reading(workplace) as session:
        return kept.counting_adoption(session, kind)


def adopt_study(workplace: Workplace, person: Person, number: str, reason: str) -> None:
    """Let a study stand for the readers of the bench from now on.

    One of the bar target's elements gives the doubt of the readers, for what is recorded from now on; one of looks, how
    often they are wrong, for what plans let through. Of each kind the newest counts.

    Raises
    ------
    UnusableInput
        No reason is given, or a reference says neither good nor bad.
    NothingToMeasure
        It is not known of the items that were looked at whether they are good.
    NotAllowed
        The study is of another kind, its doubt is larger than a reading can have, it counts already, or the person may
        not approve.
    """
    reason = clean_reason(reason, "Say why this study stands for the readers of the bench.")
    with acting(workplace, person, "approve", "reader study adopted") as act:
        study = _existing(act.session, number)
        counting = kept.counting_adoption(act.session, study.kind)
        if counting is not None and counting.study_number == number:
            raise NotAllowed(number, "it counts already", "Nothing is left to do.")
        given = _given_by(study)
        kept.add_adoption(act, number, given=given, reason=reason, by=person)
        act.tell(f"reader study {number}", **_told(given), reason=reason)


def _given_by(study: ReaderStudy) -> ReaderDoubt | ReaderErrors:
    found = evaluated(study.kind, study.table.encode(), study.table_name)
    if isinstance(found, Agreement):
        return reader_errors(found.looks)
    if study.kind is not StudyKind.ELEMENTS:
        problem = "it is no study of elements of the bar target, which alone a step takes up"
        raise NotAllowed(study.number, problem, "Adopt one whose readings are elements, written G,E.")
    doubt = reader_doubt(found.gauge)
    if doubt.percent > MOST_READER_PERCENT:
        problem = f"one reader would be in doubt by {doubt.percent:.0f} %, {MOST_READER_PERCENT} % are the most"
        raise NotAllowed(study.number, problem, "Train the readers, then study them again.")
    return doubt


def _told(given: ReaderDoubt | ReaderErrors) -> dict[str, str]:
    if isinstance(given, ReaderDoubt):
        return {"percent": f"{given.percent:.4g}"}
    return {
        "good_rejected": f"{given.good_rejected} of {given.good}",
        "bad_accepted": f"{given.bad_accepted} of {given.bad}",
    }


def end_study(workplace: Workplace, person: Person, number: str, reason: str) -> None:
    """Let the study that counts no longer count; until another is adopted no study does.

    Raises
    ------
    UnusableInput
        No reason is given.
    NotAllowed
        It does not count, or the person may not approve.
    """
    reason = clean_reason(reason, "Say why it no longer stands for the readers of the bench.")
    with acting(workplace, person, "approve", "reader study ended") as act:
        study = _existing(act.session, number)
        counting = kept.counting_adoption(act.session, study.kind)
        if counting is None or counting.study_number != number:
            raise NotAllowed(number, "it does not count at the bench", "Nothing is left to do.")
        kept.add_adoption(act, number, given=None, reason=reason, by=person)
        act.tell(f"reader study {number}", reason=reason)


def with_readers(
    step: Step,
    options: Mapping[str, ConditionValue | bool | tuple[ConditionValue, ...]],
    counting: StudyAdoption | None,
) -> dict[str, ConditionValue | bool | tuple[ConditionValue, ...]]:
    """Return a step's options with the readers' doubt of the study that counts, unless the step has one of its own."""
    takes = _READER_OPTION in CHECKS[step.check].options.model_fields
    if counting is None or counting.doubt is None or not takes or _READER_OPTION in options:
        return dict(options)
    return {
        **options,
        _READER_OPTION: counting.doubt.percent,
        "reader_freedom": counting.doubt.degrees_of_freedom,
        "reader_study": counting.study_number,
    }


def forms_at_the_bench(workplace: Workplace) -> Mapping[str, Form]:
    """Return the forms in force, expecting of bar-target steps what one reader reaches by the study that counts."""
    counting = counting_study(workplace)
    if counting is None or counting.doubt is None:
        return workplace.forms
    doubt = ExpectedDoubt(
        percent=(STEP_DOUBT_PERCENT**2 + counting.doubt.percent**2) ** 0.5,
        basis=f"one reader by study {counting.study_number}, step from element to element",
    )
    return {
        device_class: replace(form, steps=tuple(_expecting(step, doubt) for step in form.steps))
        for device_class, form in workplace.forms.items()
    }


def _expecting(step: Step, doubt: ExpectedDoubt) -> Step:
    if _READER_OPTION not in CHECKS[step.check].options.model_fields:
        return step
    return replace(step, expected={**step.expected, **dict.fromkeys(CHECKS[step.check].quantities, doubt)})
