"""Battery: runtime to the cut-off voltage, charge and energy, from a discharge log or from clock times."""

from datetime import datetime, timedelta
from typing import Annotated, Any, Final

import numpy as np
import numpy.typing as npt
from pydantic import BeforeValidator, Field

from inspect_app.capture import Capture, Log
from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.measure._budget import line, result
from inspect_app.measure._logs.discharge import Run, read_run
from inspect_app.measure._options import CheckOptions, Repeated, Unit
from inspect_app.measure._registry import Needs, check
from inspect_app.measure._thin import thin
from inspect_app.model import Measured, Trace
from inspect_app.numerics.discharge.crossings import Crossing, lasting_crossing
from inspect_app.numerics.discharge.integrals import integral_to
from inspect_app.numerics.discharge.lasting_falls import LASTING_ROWS, scatter
from inspect_app.numerics.discharge.rounded_falls import rounded_away
from inspect_app.quantity import Contribution

FloatArray = npt.NDArray[np.float64]

METHOD: Final = "first lasting crossing of the cut-off under load, trapezoid rule (IEC 61960-3, from memory; GUM)"
_CLOCK: Final = 3e-5 / 3**0.5  # a logger's crystal, 30 ppm, rectangular (common practice, no source)
_GAP: Final = 5.0  # usual intervals without a row are told as a gap
_FIRST_ROWS: Final = 50  # that show the noise
_LOST: Final = "restarts of the logger, clock set on, moment of switching on"
_CLEAR: Final = 4.0  # scatters by which it starts above the cut-off, lest noise alone cross it
_MOST_UNLOGGED: Final = 100.0  # times what was logged: a clock that was set meanwhile, not a gap of the log
_DAY_MIN: Final = 1440.0


def _read_moment(given: Any) -> Any:
    if not isinstance(given, str):
        return given
    for pattern in ("%H:%M", "%H:%M:%S"):
        try:
            return datetime.strptime(given.strip(), pattern)  # noqa: DTZ007 # a bench clock has no time zone
        except ValueError:
            continue
    try:
        return datetime.fromisoformat(given.strip()).replace(tzinfo=None)
    except ValueError:
        raise ValueError("a moment is written HH:MM or 2026-03-05T14:20") from None


Moment = Annotated[datetime, BeforeValidator(_read_moment)]


class BatteryOptions(CheckOptions):
    """Options of the battery check."""

    cutoff_v: Annotated[float | None, Field(gt=0, le=1000, description="Cut-off voltage"), Unit("V")] = None
    load_ohm: Annotated[
        float | None, Field(gt=0, description="Load resistance, where no current was logged"), Unit("ohm")
    ] = None
    start: Annotated[Moment | None, Field(description="Moment of switching on, HH:MM or date and time")] = None
    end: Annotated[Moment | None, Field(description="Moment at which it was found off, HH:MM or date and time")] = None
    runtime_min: Annotated[
        tuple[Annotated[float, Field(gt=0)], ...],
        Field(description="Runtime read from a clock, one for each run"),
        Repeated(),
        Unit("min"),
    ] = ()
    polling_interval_min: Annotated[
        float, Field(gt=0, description="Time between two looks at the device"), Unit("min")
    ] = 1.0


@check(
    "battery",
    title="Battery life",
    method=METHOD,
    quantities={"runtime": "min", "capacity": "mAh", "energy": "Wh"},
    options=BatteryOptions,
    needs={"scene": Needs(kinds=("log",), at_least=0, at_most=1)},
)
def battery(captures: tuple[Capture, ...], options: BatteryOptions) -> Measured:
    """Measure how long a battery holds, and what it gives until then.

    Parameters
    ----------
    captures : tuple of Capture
        One log ``time_s,voltage_v[,current_a][,temperature_c]``; or none, with `options.start` and `options.end`, or
        `options.runtime_min`. Times may be in ms, min or h as well, voltages in mV, currents in mA, where the name says
        so (``time_min``) or a line of units below the names. A unit that is not known, or not that of the name, is
        refused.
    options : BatteryOptions
        With a log, the cut-off voltage.

    Returns
    -------
    Measured
        ``runtime`` (min), from the log ``capacity`` (mAh) and ``energy`` (Wh) as well, where current or load are known.

    Raises
    ------
    UnusableInput
        Neither log nor clock times, or both; a log whose columns or clock cannot be used.
    NothingToMeasure
        The voltage starts below the cut-off, or never stays below it; the clock runs on, within the run, by a hundred
        times of all that was logged, and the voltage does not tell that it was set.

    Notes
    -----
    Single readings that no battery has between the two beside them (more than 1.5 times the higher, less than a tenth
    of the lower) are left out with a warning: of 25 logs with five readings of 0 or 9.99 V energy was within 5.7 %
    (p90), now within 0.04.

    A dip below the cut-off shorter than 3 rows or 10 s is a pulse of the load and does not end the run. Charge and
    energy are the trapezoid rule up to the crossing. Assumes that the load stays on until then; a log with gaps is read
    as straight between its rows, which the uncertainty covers where the crossing lies in a gap. How long a logger stood
    before it began its clock anew is read from the fall of the voltage; so is the time across a gap through which the
    voltage went on as if nothing had happened, for there the clock was set on. Breaks down where noise is as large as
    the fall of the voltage over the whole log. See `inspect_app.numerics.discharge.crossings.lasting_crossing` and
    `inspect_app.numerics.discharge.unlogged_time`.
    """
    by_hand = bool(options.runtime_min) or options.start is not None or options.end is not None
    if by_hand and captures:
        raise UnusableInput("battery", "a log and clock times are both given", "Give one of the two.")
    if by_hand:
        return _by_clock(options)
    if not captures:
        raise UnusableInput(
            "battery", "neither a log nor clock times are given", "Give a log, --start and --end, or --runtime-min."
        )
    taken = captures[0]
    if not isinstance(taken, Log):
        raise UnusableInput(taken.name, "it is not a log", "Give a CSV log.")
    if options.cutoff_v is None:
        raise UnusableInput("option --cutoff-v", "it is missing", "Give the cut-off voltage.")
    return _from_log(read_run(taken, options.load_ohm), options.cutoff_v)


def _by_clock(options: BatteryOptions) -> Measured:
    """Half the polling interval is taken off: the end lies anywhere between two looks (GUM 4.3.7, from memory)."""
    polling_min = options.polling_interval_min
    runtimes = options.runtime_min or (_between(options),)
    if options.runtime_min and (options.start is not None or options.end is not None):
        raise UnusableInput("option --runtime-min", "clock times are given as well", "Give one of the two.")
    value_min = float(np.mean(runtimes)) - polling_min / 2
    if value_min <= 0:
        raise UnusableInput(
            "option --polling-interval-min", f"{polling_min:g} min is longer than the runtime", "Look more often."
        )
    budget = [line("end anywhere between two looks", polling_min / 12**0.5, "rectangular")]
    if len(runtimes) > 1:
        spread = float(np.std(runtimes, ddof=1)) / len(runtimes) ** 0.5
        budget.append(
            Contribution(
                source=f"spread of {len(runtimes)} runs",
                distribution="t",
                standard_uncertainty=spread,
                degrees_of_freedom=len(runtimes) - 1,
            )
        )
    condition = {"runs": len(runtimes)}
    return Measured(
        check="battery",
        method="clock times (GUM, JCGM 100:2008)",
        results=(result("runtime", value_min, "min", budget, condition),),
    )


def _between(options: BatteryOptions) -> float:
    if options.start is None or options.end is None:
        missing = "--start" if options.start is None else "--end"
        raise UnusableInput(f"option {missing}", "it is missing", "Give both moments.")
    minutes = (options.end - options.start) / timedelta(minutes=1)
    is_clock_only = options.start.year == options.end.year == 1900
    if minutes <= 0 and is_clock_only:
        minutes += _DAY_MIN
    if minutes <= 0 or abs(options.start.year - options.end.year) > 1:
        raise UnusableInput(
            "option --end", "it is not after the start", "Give both as HH:MM, or both with their dates."
        )
    return minutes


def _from_log(run: Run, cutoff_v: float) -> Measured:
    if float(np.median(run.voltage_v[:3])) <= cutoff_v:
        raise _starts_too_low(run, f"already below the cut-off of {cutoff_v:g} V")
    noise_v = scatter(run.times_s, run.voltage_v, _FIRST_ROWS)
    if float(np.median(run.voltage_v[:3])) <= cutoff_v + _CLEAR * noise_v:
        seen = f"too near the cut-off of {cutoff_v:g} V for readings that scatter by {noise_v:.2g} V"
        raise _starts_too_low(run, seen)
    logged_a = run.current_a if run.is_current_logged else None
    crossing = lasting_crossing(run.times_s, run.voltage_v, cutoff_v, logged_a)
    if crossing is None:
        raise NothingToMeasure(
            run.name,
            f"the voltage never stays below the cut-off of {cutoff_v:g} V; its lowest is {run.voltage_v.min():g} V",
            "Log until the cut-off is passed.",
        )
    runtime_s = crossing.time_s - float(run.times_s[0])
    if runtime_s <= 0:
        raise _starts_too_low(run, f"by the rows after it at the cut-off of {cutoff_v:g} V or below")
    _prove_logged(run, crossing)
    results = [result("runtime", runtime_s / 60, "min", _runtime_budget(run, crossing, runtime_s))]
    warnings = run.warnings + _gap_warnings(run, crossing) + _end_warnings(run, crossing)
    if run.current_a is None:
        warnings += ("no current and no load resistance are given, so there is no capacity and no energy",)
    else:
        rounded, by_load = _rounded_share(run, crossing), int(not run.is_current_logged)
        for name, unit, rate, factor, power in (
            ("capacity", "mAh", run.current_a, 3.6, by_load),
            ("energy", "Wh", run.current_a * run.voltage_v, 3600.0, 1 + by_load),
        ):
            found = integral_to(run.times_s, rate, crossing)
            budget = (
                line("moment of the crossing", _doubt_s(crossing) * abs(found.rate_at_end) / factor),
                line(_LOST, _lost(run, rate) / factor, "rectangular"),
                line("noise of the readings", found.from_noise / factor),
                line("rounding of the voltage", found.value / factor * power * rounded),
                line("path between rows and across gaps", found.from_gaps / factor, "rectangular"),
                line("time base, 30 ppm", found.value / factor * _CLOCK, "rectangular"),
            )
            results.append(result(name, found.value / factor, unit, budget))
    return Measured(
        check="battery",
        method=METHOD,
        results=tuple(results),
        traces=_traces(run, crossing, cutoff_v),
        warnings=warnings,
    )


def _prove_logged(run: Run, crossing: Crossing) -> None:
    """Refuse a run whose clock runs on, before the crossing, by far more than all that was logged: it was set anew."""
    steps = np.diff(run.times_s[: crossing.index + 1])
    longest = int(steps.argmax())
    others_s = float(run.times_s[crossing.index] - run.times_s[0] - steps[longest])
    if steps[longest] > _MOST_UNLOGGED * others_s:
        raise NothingToMeasure(
            run.name,
            f"its clock runs on by {steps[longest]:.4g} s from row {longest + 1} below the names to the next, and all "
            f"other rows up to the cut-off cover {others_s:.4g} s",
            "If the clock was set meanwhile, put the times right; otherwise log the whole run.",
        )


def _starts_too_low(run: Run, seen: str) -> NothingToMeasure:
    began = "the log starts at"
    if run.no_load_a is not None:
        least = f"{run.no_load_a:.3g} A, a twentieth of the usual load"
        began = f"the current first passes {least}, {run.times_s[0]:.6g} s into the log, at"
    return NothingToMeasure(run.name, f"{began} {run.voltage_v[0]:g} V, {seen}", "Log from the full battery on.")


def _runtime_budget(run: Run, crossing: Crossing, runtime_s: float) -> tuple[Contribution, ...]:
    return (
        line("noise of the voltage at the crossing", crossing.from_noise_s / 60),
        line("path between the rows around the crossing", crossing.from_gap_s / 60, "rectangular"),
        line(_LOST, _lost(run, np.ones_like(run.times_s)) / 60, "rectangular"),
        line("time base, 30 ppm", runtime_s / 60 * _CLOCK, "rectangular"),
    )


def _doubt_s(crossing: Crossing) -> float:
    return float(np.hypot(crossing.from_noise_s, crossing.from_gap_s))


def _lost(run: Run, rate: FloatArray) -> float:
    """Return the standard uncertainty of a rate, added up, by the time that was lost, each at its own rate."""
    doubts = [each.seconds_u * float(np.interp(each.at_s, run.times_s, rate)) for each in run.lost]
    return float(np.linalg.norm(doubts)) if doubts else 0.0


def _rounded_share(run: Run, crossing: Crossing) -> float:
    """Return the standard uncertainty of the mean voltage by rounding, as a share of it."""
    times_s, voltage_v = run.times_s[: crossing.index + 1], run.voltage_v[: crossing.index + 1]
    return rounded_away(times_s, voltage_v) / max(float(np.trapezoid(voltage_v, times_s)), 1e-12)


def _gap_warnings(run: Run, crossing: Crossing) -> tuple[str, ...]:
    steps = np.diff(run.times_s[: crossing.index + 1])
    usual = float(np.median(steps)) if steps.size else 0.0
    gaps = np.flatnonzero(steps > _GAP * usual) if usual > 0 else np.array([], dtype=int)
    warnings = []
    if gaps.size:
        longest = float(steps[gaps].max())
        bridged = (
            "1 gap in the log is bridged,"
            if gaps.size == 1
            else f"{gaps.size} gaps in the log are bridged, the longest"
        )
        warnings.append(f"{bridged} of {longest:.4g} s")
    if gaps.size and gaps[-1] == len(steps) - 1:
        warnings.append("the cut-off is crossed inside a gap of the log")
    return tuple(warnings)


def _end_warnings(run: Run, crossing: Crossing) -> tuple[str, ...]:
    rows = len(run.voltage_v) - crossing.index
    if rows >= LASTING_ROWS:
        return ()
    return (f"the log ends {rows} rows after the crossing: whether it lasts is not shown",)


def _traces(run: Run, crossing: Crossing, cutoff_v: float) -> tuple[Trace, ...]:
    minutes = (run.times_s - run.times_s[0]) / 60
    marks = {"runtime_min": (crossing.time_s - float(run.times_s[0])) / 60, "cutoff_v": cutoff_v}
    x, y = thin(minutes, run.voltage_v)
    traces = [Trace(name="voltage", x=x, x_unit="min", y=y, y_unit="V", condition=marks)]
    if run.current_a is not None:
        x, y = thin(minutes, run.current_a)
        traces.append(Trace(name="current", x=x, x_unit="min", y=y, y_unit="A"))
    return tuple(traces)
