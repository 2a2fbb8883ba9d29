"""What the table of a reader study says, whatever kind it is of."""

import math
from dataclasses import dataclass
from typing import Final

from inspect_app.definitions.studies import Looks, gauge_trials, read_looks
from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.judge.agreement import Kappa
from inspect_app.judge.gauge import GaugeStudy, Trial, gauge_study
from inspect_app.judge.gauge_ranges import RangeStudy, range_study
from inspect_app.model import ReaderDoubt, ReaderErrors, StudyKind

GOOD_WORDS: Final = frozenset({"pass", "accept", "accepted", "good", "conforming", "ok", "yes"})
BAD_WORDS: Final = frozenset({"fail", "reject", "rejected", "bad", "nonconforming", "no"})
_LOG_OF_AN_ELEMENT: Final = math.log(2) / 6  # each element of the bar target is finer by the sixth root of two


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """A study of readings: the trials, their analysis of variance, and average and range where its tables reach."""

    trials: tuple[Trial, ...]
    gauge: GaugeStudy
    ranges: RangeStudy | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """A study of looks: who said what, and the readers' agreement beyond chance."""

    looks: Looks
    kappa: Kappa


def evaluated(kind: StudyKind, content: bytes, name: str) -> Readings | Agreement:
    """Return what a table says.

    Parameters
    ----------
    kind : StudyKind
        What it holds.
    content : bytes
        Of the CSV file.
    name : str
        What to call it in errors.

    Raises
    ------
    UnusableInput
        The table cannot be read, or is no study.
    NothingToMeasure
        The readings are too coarse, or every reader said the same of every item.
    """
    if kind is StudyKind.LOOKS:
        looks = read_looks(content, name)
        return Agreement(looks=looks, kappa=looks.kappa())
    trials = gauge_trials(content, name, elements=kind is StudyKind.ELEMENTS)
    return Readings(trials=trials, gauge=gauge_study(trials), ranges=range_study(trials))


def reader_doubt(gauge: GaugeStudy) -> ReaderDoubt:
    """Return what one reader of the bar target adds, from a study whose readings are elements."""
    return ReaderDoubt(
        percent=100 * gauge.gauge * _LOG_OF_AN_ELEMENT, degrees_of_freedom=max(1.0, gauge.degrees_of_freedom)
    )


def reader_errors(looks: Looks) -> ReaderErrors:
    """Return how often looks were wrong, over all readers and all items of which it is known whether they are good.

    A look that decided nothing, such as ``cannot tell``, is wrong in neither way and counts among the looks.

    Raises
    ------
    UnusableInput
        A reference says neither that its item is good nor that it is bad.
    NothingToMeasure
        There are no good or no bad items with a reference.

    Examples
    --------
    >>> reader_errors(Looks(verdicts={}, wrong={}, proved=(("pass", "fail"), ("pass", "pass"), ("fail", "fail"))))
    ReaderErrors(good=2, good_rejected=1, bad=1, bad_accepted=0)
    """
    proved = [(reference.casefold(), verdict.casefold()) for reference, verdict in looks.proved]
    strange = next((reference for reference, _ in proved if reference not in GOOD_WORDS | BAD_WORDS), None)
    if strange is not None:
        raise UnusableInput("reference", f"'{strange[:40]}' says neither good nor bad", "Write pass or fail.")
    of_good = [verdict for reference, verdict in proved if reference in GOOD_WORDS]
    of_bad = [verdict for reference, verdict in proved if reference in BAD_WORDS]
    if not (of_good and of_bad):
        missing = "good" if not of_good else "bad"
        raise NothingToMeasure(
            "study", f"no {missing} item has a reference", "Let the readers look at good and bad items that are known."
        )
    return ReaderErrors(
        good=len(of_good),
        good_rejected=sum(verdict in BAD_WORDS for verdict in of_good),
        bad=len(of_bad),
        bad_accepted=sum(verdict in GOOD_WORDS for verdict in of_bad),
    )
