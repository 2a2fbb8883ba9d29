"""The reference that the invented house measures every week: a slide kept back, with one signal found and cleared."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from inspect_app import workflow
from inspect_app.model import Person
from inspect_app.workflow import TypedReading, Workplace

NAME: Final = "Slide BX-EC-01, edge upright (invented)"
_EVERY: Final = timedelta(days=7)
_UNCERTAINTY: Final = "0.002"
# MTF50 in cycles per pixel, as invented; the last but four was taken with the slide not seated.
_IN_ORDER: Final = (
    "0.2103", "0.2138", "0.2072", "0.2130", "0.2092", "0.2117", "0.2157", "0.2105", "0.2099", "0.2122",
    "0.2134", "0.2099", "0.2118", "0.2071", "0.2089", "0.2110", "0.2125", "0.2096", "0.2112", "0.2104",
)  # fmt: skip
_WATCHED: Final = ("0.2109", "0.2120", "0.2001", "0.2114", "0.2098", "0.2107", "0.2121")
_SIGNALS: Final = 3  # the how manieth of those watched


def watch(place: Workplace, inspector: Person, approver: Person, until: datetime) -> None:
    """Read the reference week by week up to a moment; a second run changes nothing."""
    if any(one.watched.reference.name == NAME for one in workflow.reference_charts(place)):
        return
    weeks = _weeks(place, until)
    reference = workflow.add_reference(
        next(weeks),
        approver,
        name=NAME,
        check="slanted-edge",
        quantity_name="mtf50",
        condition="axis = vertical",
        options="",
    )
    for value in _IN_ORDER:
        _read(next(weeks), inspector, reference.id, value)
    workflow.set_limits(next(weeks), approver, reference.id, 1, len(_IN_ORDER), "Twenty weeks without a change.")
    for number, value in enumerate(_WATCHED, start=1):
        week = next(weeks)
        _read(week, inspector, reference.id, value)
        if number == _SIGNALS:
            seen = len(_IN_ORDER) + number
            workflow.clear_signal(
                week, approver, reference.id, seen, "The slide was not seated; seated and read again."
            )


def _read(place: Workplace, inspector: Person, reference_id: int, value: str) -> None:
    given = TypedReading(value=value, standard_uncertainty=_UNCERTAINTY, remark="invented")
    workflow.read_reference(place, inspector, reference_id, given)


def _weeks(place: Workplace, until: datetime) -> Iterator[Workplace]:
    """Yield the workplace with its clock at one week after the other, the last at the moment given."""
    count = len(_IN_ORDER) + len(_WATCHED) + 2
    for number in range(count):
        moment = until - _EVERY * (count - 1 - number)
        yield replace(place, clock=lambda moment=moment: moment)
