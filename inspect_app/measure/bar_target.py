"""The 1951 three-bar target read by eye: elements become line pairs per millimetre and cycles per milliradian."""

import math
import re
import statistics
from collections.abc import Sequence
from typing import Annotated, Any, Final, Literal

import pydantic
from pydantic import BeforeValidator, Field

from inspect_app.capture import Capture
from inspect_app.errors import UnusableInput
from inspect_app.measure import _budget
from inspect_app.measure._options import CheckOptions, Repeated, Unit
from inspect_app.measure._registry import check
from inspect_app.model import Condition, Measured, Result
from inspect_app.quantity import Contribution

ELEMENTS_PER_GROUP: Final = 6  # MIL-STD-150A; each element is finer than the one before by the sixth root of two
LOG_STEP: Final = math.log(2) / ELEMENTS_PER_GROUP
STEP_DOUBT_PERCENT: Final = 100 * LOG_STEP / math.sqrt(12)  # rectangular over one element, in the logarithm
MOST_READER_PERCENT: Final = 50  # four elements: such a reader reads nothing
LOWEST_GROUP, HIGHEST_GROUP = -5, 12  # wider than any printed target; beyond it a reading is a slip of the pen
DISTANCE_DOUBT_PERCENT: Final = 0.3  # tape measure and place of the target's plane; common practice, no source
COLLIMATOR_DOUBT_PERCENT: Final = 0.5  # focal length by its maker's tolerance; common practice, no source
USUAL_READERS_FREEDOM: Final = 8.0  # readers usually lie within one element, a figure good to a quarter (GUM G.4.2)
READERS_DIFFER_BY: Final = 2  # elements; practised readers agree within one (common practice, no source)

_GROUP_AND_ELEMENT = re.compile(r"\s*([+\N{MINUS SIGN}-]?\d{1,3})\s*[,;/ ]\s*(\d{1,3})\s*")


def _read_element(given: Any) -> Any:
    if isinstance(given, str):
        match = _GROUP_AND_ELEMENT.fullmatch(given)
        if match is None:
            raise ValueError("a reading is group and element, written G,E, like 5,2 or -1,4")
        given = (int(match[1].replace("\N{MINUS SIGN}", "-")), int(match[2]))
    if isinstance(given, list | tuple) and len(given) == 2:
        group, element = given
        if not 1 <= element <= ELEMENTS_PER_GROUP:
            raise ValueError(f"a group has the elements 1 to {ELEMENTS_PER_GROUP}")
        if not LOWEST_GROUP <= group <= HIGHEST_GROUP:
            raise ValueError(f"groups run from {LOWEST_GROUP} to {HIGHEST_GROUP}")
        return tuple(given)
    raise ValueError("a reading is group and element, written G,E, like 5,2")


Element = Annotated[tuple[int, int], BeforeValidator(_read_element)]
"""Group and element, G,E."""


class BarTargetOptions(CheckOptions):
    """What was read, by whom and from how far."""

    axis: Annotated[Literal["horizontal", "vertical"], Field(description="horizontal (vertical bars) or vertical")]
    reading: Annotated[
        tuple[Element, ...],
        Field(description="Last element resolved as G,E, once per reader", min_length=1),
        Repeated(),
    ]
    distance_m: Annotated[
        float | None, Field(gt=0, le=10_000, description="Distance from target to device"), Unit("m")
    ] = None
    collimator_mm: Annotated[
        float | None, Field(gt=0, le=100_000, description="Focal length of the collimator"), Unit("mm")
    ] = None
    magnification: Annotated[
        float | None, Field(gt=0, le=1000, description="Angular magnification of the device"), Unit("1")
    ] = None
    distance_uncertainty_percent: Annotated[
        float | None, Field(ge=0, le=50, description="Standard uncertainty of distance or focal length"), Unit("%")
    ] = None
    reader_uncertainty_percent: Annotated[
        float | None,
        Field(
            ge=0, le=MOST_READER_PERCENT, description="Standard uncertainty of one reader, from a study of the readers"
        ),
        Unit("%"),
    ] = None
    reader_freedom: Annotated[
        float | None, Field(ge=1, le=1e6, description="Degrees of freedom of that uncertainty"), Unit("1")
    ] = None
    reader_study: Annotated[
        str | None, Field(min_length=1, max_length=60, description="Name of that study, told in the budget")
    ] = None

    @pydantic.model_validator(mode="after")
    def _one_way_to_the_target(self) -> "BarTargetOptions":
        if self.distance_m is not None and self.collimator_mm is not None:
            raise ValueError("give the distance or the focal length of the collimator, not both")
        return self


def element_frequency(group: float, element: float) -> float:
    """Return the spatial frequency of an element in line pairs per millimetre at the target.

    Parameters
    ----------
    group, element : float
        As printed beside the bars; fractions stand for means over readers.

    Returns
    -------
    float
        2 ** (group + (element - 1) / 6), in lp/mm.

    References
    ----------
    MIL-STD-150A (cancelled 2006), resolution target; the printed table of the 1951 target in
    en.wikipedia.org/wiki/1951_USAF_resolution_test_chart.

    Examples
    --------
    >>> round(element_frequency(5, 2), 2), round(element_frequency(-1, 4), 3)
    (35.92, 0.707)
    """
    return float(2 ** (group + (element - 1) / ELEMENTS_PER_GROUP))


@check(
    "bar-target",
    title="Bar target, read by eye",
    method="1951 three-bar target, MIL-STD-150A geometry; value of the last element resolved",
    quantities={"resolution": "lp/mm", "angular_resolution": "cy/mrad"},
    options=BarTargetOptions,
    only_with={"angular_resolution": ("distance_m", "collimator_mm")},
)
def bar_target(captures: tuple[Capture, ...], options: BarTargetOptions) -> Measured:
    """Turn the elements that readers resolved into a resolution.

    Parameters
    ----------
    captures : tuple
        Empty: this check is read by eye.
    options : BarTargetOptions
        Readings, and what tells the angle.

    Returns
    -------
    Measured
        ``resolution`` in lp/mm at the target; with distance or collimator ``angular_resolution`` in cy/mrad, in
        object space, and with a magnification again in the space of the eye. The uncertainty covers the step from
        element to element (rectangular in the logarithm, ln 2 / 6 wide), the spread of the readers, and the distance.

    Raises
    ------
    UnusableInput
        Files were given.

    Notes
    -----
    Several readers are pooled by the mean of their logarithms, so that the value is a geometric mean. The value is that
    of the last element resolved: the limit of the device lies between it and the next element, 12.2 % above.
    Their variance is pooled with that of readers who differ by up to one element either way (rectangular, common
    practice, no source; 8 degrees of freedom), because two or three readings alone say little of their spread. One
    reader alone shows none, which is said in a warning unless a study of the readers gives it. A study stands in the
    place of both, with its own degrees of freedom: u of one reader over the root of their number.
    Angles are small: cy/mrad = lp/mm x metres, or lp/mm x focal length in mm / 1000.

    Assumes a target of high contrast in focus, and readers who name the last element of which all bars can be counted.
    Breaks down where the finest element of the target is still resolved (the device is at least that good) and where
    readers know what is expected of them: neither can be seen from the readings.

    References
    ----------
    JCGM 100:2008 (GUM), 4.3.7 rectangular and F.2.2.1 resolution of an indication (from memory).
    """
    if captures:
        raise UnusableInput(captures[0].name, "this check is read by eye and takes no file", "Leave the file out.")
    resolution, budget = _pooled(options)
    condition: Condition = {"axis": options.axis}
    results = [_budget.result("resolution", resolution, "lp/mm", budget, condition)]
    if options.distance_m is not None or options.collimator_mm is not None:
        results += _angular_results(resolution, budget, options)
    return Measured(
        check="bar-target",
        method="1951 three-bar target, MIL-STD-150A geometry; value of the last element resolved",
        results=tuple(results),
        warnings=tuple(_warnings(options)),
    )


def _pooled(options: BarTargetOptions) -> tuple[float, list[Contribution]]:
    logarithms = [math.log(element_frequency(group, element)) for group, element in options.reading]
    count = len(logarithms)
    value = math.exp(statistics.fmean(logarithms))
    budget = [_budget.line("step from element to element", value * LOG_STEP / math.sqrt(12), "rectangular")]
    if options.reader_uncertainty_percent is not None:
        budget.append(_studied_readers(options, options.reader_uncertainty_percent, value / math.sqrt(count)))
    elif count > 1:
        usual = LOG_STEP / math.sqrt(3)
        freedom = USUAL_READERS_FREEDOM + count - 1
        pooled = (USUAL_READERS_FREEDOM * usual**2 + (count - 1) * statistics.variance(logarithms)) / freedom
        budget.append(
            Contribution(
                source=f"spread of {count} readers, pooled with what readers usually show",
                distribution="t",
                standard_uncertainty=value * math.sqrt(pooled / count),
                degrees_of_freedom=freedom,
            )
        )
    return value, budget


def _studied_readers(options: BarTargetOptions, percent: float, value: float) -> Contribution:
    named = f"study {options.reader_study}" if options.reader_study else "a study of them"
    return Contribution(
        source=f"readers, from {named}",
        distribution="normal" if options.reader_freedom is None else "t",
        standard_uncertainty=value * percent / 100,
        degrees_of_freedom=options.reader_freedom,
    )


def _angular_results(resolution: float, budget: Sequence[Contribution], options: BarTargetOptions) -> list[Result]:
    if options.distance_m is not None:
        lever, source, usual = options.distance_m, "distance to the target", DISTANCE_DOUBT_PERCENT
    else:
        lever = (options.collimator_mm or 0.0) / 1000
        source, usual = "focal length of the collimator", COLLIMATOR_DOUBT_PERCENT
    percent = usual if options.distance_uncertainty_percent is None else options.distance_uncertainty_percent
    value = resolution * lever
    lines = [*_budget.scaled(budget, lever), _budget.line(source, value * percent / 100)]
    results = [_budget.result("angular_resolution", value, "cy/mrad", lines, {"axis": options.axis, "space": "object"})]
    if options.magnification is not None:
        at_the_eye = 1 / options.magnification
        results.append(
            _budget.result(
                "angular_resolution",
                value * at_the_eye,
                "cy/mrad",
                _budget.scaled(lines, at_the_eye),
                {"axis": options.axis, "space": "eye"},
            )
        )
    return results


def _warnings(options: BarTargetOptions) -> list[str]:
    warnings = []
    positions = [group * ELEMENTS_PER_GROUP + element for group, element in options.reading]
    apart = max(positions) - min(positions)
    if apart > READERS_DIFFER_BY:
        warnings.append(f"The readers differ by {apart} elements: have them read again, apart from one another.")
    if len(positions) == 1 and options.reader_uncertainty_percent is None:
        warnings.append("One reader only: the spread between readers is not in the uncertainty.")
    return warnings
