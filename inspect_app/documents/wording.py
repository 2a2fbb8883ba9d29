"""Words and printed numbers of documents and figures: conditions, limits, findings, dates, statements."""

import re
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime
from typing import Final

from inspect_app.definitions.values import Window
from inspect_app.judge import demand_in_words
from inspect_app.measure.look import CANNOT_TELL, NO, YES
from inspect_app.model import (
    Condition,
    ConditionValue,
    Correction,
    Entry,
    Finding,
    Judgement,
    Limit,
    Measured,
)
from inspect_app.quantity import (
    Quantity,
    coverage_factor,
    decimals_for,
    format_limit,
    format_number,
    format_quantity,
    with_unit,
)

_UNIT_OF_SUFFIX: Final[Mapping[str, str]] = {
    "lx": "lx",
    "c": "°C",
    "mm": "mm",
    "m": "m",
    "ms": "ms",
    "min": "min",
    "hz": "Hz",
    "v": "V",
    "ohm": "ohm",
    "percent": "%",
    "mrad": "mrad",
}
_NAMES: Final[Mapping[str, str]] = {
    "mtf": "MTF",
    "esf": "Edge spread",
    "lsf": "Line spread",
    "mtf50": "MTF50",
    "mtf10": "MTF10",
    "mtf50_lw_ph": "MTF50 per picture height",
    "mtf10_lw_ph": "MTF10 per picture height",
    "mtf50_lp_mm": "MTF50 on the sensor",
    "mtf10_lp_mm": "MTF10 on the sensor",
    "mtf50_cy_mrad": "MTF50 in angle",
    "mtf10_cy_mrad": "MTF10 in angle",
    "ebi": "Equivalent background illuminance",
    "snr": "Signal to noise",
    "snr_total": "Signal to noise, fixed pattern included",
    "snr_criterion": "SNR",
    "roi": "Region",
}
# Places in the picture and marks on a curve: what they say is drawn.
_NOT_TOLD: Final = frozenset({"roi", "onset_ms", "half_ms", "runtime_min", "cutoff_v"})
# How often it was read: part of the uncertainty, nothing that tells one demand from another.
PLAIN_COVERAGE: Final = "k = 2"
_COUNTS: Final = frozenset({"readers", "runs", "repeats", "events", "frames"})
_MOST_TOLD: Final = 3
_PLAIN_SPACE: Final = ("space", "object")
_SPOKEN: Final[Mapping[str, str]] = {"axis": "{}", "mode": "{}", "device": "{}", "space": "{} space"}


_SEEN: Final = tuple(f"={word}" for word in (YES, NO, CANNOT_TELL))


def name_in_words(name: str) -> str:
    """Return a name of the code as words for people."""
    if name in _NAMES:
        return _NAMES[name]
    words = name.replace("_", " ").replace("-", " ").strip()
    return words[:1].upper() + words[1:]


def condition_text(condition: Condition, beside: str = "") -> str:
    """Return a condition on one line, such as ``horizontal, 1 lx``, without what the title beside it already says."""
    parts = (_one_condition(name, value) for name, value in condition.items() if name not in _NOT_TOLD)
    return ", ".join(part for part in parts if not _is_said(part, beside))


def _is_said(part: str, beside: str) -> bool:
    said = beside.casefold().replace("lux", "lx")
    return re.search(rf"(?<![\w.]){re.escape(part.casefold())}(?![\w.])", said) is not None


def _one_condition(name: str, value: ConditionValue) -> str:
    if isinstance(value, tuple):
        return f"{name_in_words(name)} {' × '.join(str(part) for part in value)}"
    if isinstance(value, str):
        return _SPOKEN.get(name, f"{name.replace('_', ' ')} {{}}").format(value)
    stem, _, suffix = name.rpartition("_")
    if stem and suffix in _UNIT_OF_SUFFIX:
        printed = format_limit(value, _UNIT_OF_SUFFIX[suffix])
        return printed if stem in ("illuminance", "temperature") else f"{stem.replace('_', ' ')} {printed}"
    return f"{_NAMES.get(name, name.replace('_', ' '))} {format_limit(value, '1')}"


def titled(title: str, condition: Condition) -> str:
    """Return a title with what it leaves unsaid of the condition behind it."""
    under = condition_text(condition, beside=title)
    return f"{title}, {under}" if under else title


def decided_under(judgement: Judgement) -> Condition:
    """Return the condition of the result that decided, without how often it was read and without the plain case."""
    condition = {**judgement.limit.condition, **judgement.condition}
    return {n: v for n, v in condition.items() if n not in _COUNTS and (n, v) != _PLAIN_SPACE}


def named_demand(judgement: Judgement) -> str:
    """Return the title of a demand with the condition under which it was decided."""
    return titled(judgement.limit.title, decided_under(judgement))


def demand_text(limit: Limit) -> str:
    """Return what is demanded: ``≥ 0.2 cy/px``, ``9 to 11 V``, or ``at least element 6,2 (71.84 lp/mm)``."""
    if limit.element:
        return demand_in_words(limit)
    return bounds_text(limit.at_least, limit.at_most, limit.unit)


def answers_text(texts: Sequence[str]) -> str:
    """Return the answers to one question on one line; an item looked at stands before what was seen of it."""
    return ", ".join(text.replace("=", ": ") if text.endswith(_SEEN) else text for text in texts)


def bounds_text(at_least: float | None, at_most: float | None, unit: str) -> str:
    """Return a pair of bounds as printed; a dash where there is none."""
    if at_least is not None and at_most is not None:
        return f"{format_limit(at_least, '1')} to {format_limit(at_most, unit)}"
    if at_least is not None:
        return f"≥ {format_limit(at_least, unit)}"
    return "–" if at_most is None else f"≤ {format_limit(at_most, unit)}"


def coverage_text(quantity: Quantity) -> str:
    """Return the coverage factor that the printed U was made with; nothing for an exact count."""
    if quantity.standard_uncertainty == 0:
        return ""
    if quantity.degrees_of_freedom is None:
        return PLAIN_COVERAGE
    printed = f"k = {format_number(coverage_factor(quantity.degrees_of_freedom), 2)}"
    return PLAIN_COVERAGE if printed == f"{PLAIN_COVERAGE}.00" else printed


_UNLIKELY: Final = 0.001


def probability_text(share: float) -> str:
    """Print a probability; none is ever printed as certain."""
    if share < _UNLIKELY:
        return f"below {per_cent(_UNLIKELY)}"
    return per_cent(share) if share <= 1 - _UNLIKELY else f"above {per_cent(1 - _UNLIKELY)}"


def per_cent(share: float) -> str:
    """Print a share of one in per cent, to a tenth."""
    return with_unit(format_number(100 * share, 1), "%")


FINDING_MARKS: Final[Mapping[Finding, str]] = {
    Finding.CONFORMING: "✓",
    Finding.NONCONFORMING: "×",
    Finding.INCONCLUSIVE: "?",
    Finding.NOT_MEASURED: "–",
    Finding.CONDITIONAL_PASS: "✓",
    Finding.CONDITIONAL_FAIL: "×",
}

UNCERTAINTY_STATEMENT: Final = (
    "Each result is printed as value ± U. U is the expanded uncertainty, the standard uncertainty times the coverage"
    " factor k, for a coverage probability of about 95 %: k = 2, or Student’s t at the effective degrees of freedom"
    " where those are few; k is then printed beside the result. Evaluated after JCGM 100:2008 (GUM). Exact counts have"
    " no uncertainty."
)

# ISO/IEC 17025:2017, 7.8.2.1 l) and its note on reproduction (from memory)
THIS_ITEM_ONLY: Final = "The results relate only to the item inspected, in the state in which it was received."
WHOLE_ONLY: Final = "Not to be reproduced except in full."

SIGNS_EXPLAINED: Final = (
    "A framed code such as ‹U+1F526› is the Unicode number of a sign that these typefaces lack; what is attached to"
    " this file has the sign itself."
)

CAUTIONS_IN_FULL: Final = "The form has the warnings in full; local codes bind, and licensed work stays licensed."

REPLY_ASKED: Final = (
    "what caused the nonconformity, whether the device will be repaired, replaced or credited, and by when."
    " Until then the device is kept apart, unchanged."
)


def day(moment: datetime | date) -> str:
    """Return the day as year, month, day (ISO 8601), in UTC."""
    if isinstance(moment, datetime):
        moment = moment.astimezone(UTC).date()
    return moment.isoformat()


def minute(moment: datetime) -> str:
    """Return day and time to the minute, in UTC."""
    return moment.astimezone(UTC).strftime("%Y-%m-%d %H:%M UTC")


def acceptance_text(judgement: Judgement, limit: Limit) -> str:
    """Return the limits for the result after the guard band, to the place that the uncertainty gives."""
    decimals = decimals_for(abs(judgement.guard_band), 0.0)
    low, high = judgement.acceptance_at_least, judgement.acceptance_at_most
    printed_low = "" if low is None else format_number(low, decimals)
    printed_high = "" if high is None else format_number(high, decimals)
    if printed_low and printed_high:
        return with_unit(f"{printed_low} to {printed_high}", limit.unit)
    return with_unit(f"≥ {printed_low}" if printed_low else f"≤ {printed_high}", limit.unit)


def readings_text(windows: Sequence[Window], conditions: Mapping[str, str]) -> str:
    """Return what was read at the bench: ``illuminance 1.02 / 0.99 lx``, before and after."""
    told: list[str] = []
    left = {name: text for name, text in conditions.items() if text}
    for window in windows:
        names = [window.name, f"{window.name}_before", f"{window.name}_after"]
        read = [left.pop(name) for name in names if name in left]
        if read:
            quantity = name_in_words(window.name.rpartition("_")[0] or window.name).lower()
            told.append(f"{quantity} {with_unit(' / '.join(read), window.unit)}")
    told += [f"{name_in_words(name).lower()} {text}" for name, text in left.items()]
    return "; ".join(told)


def corrections_text(entry: Entry) -> list[str]:
    """Return which result of an entry counts, and what the program had computed, where a person corrected it."""
    correction = entry.counting_correction
    if correction is not None:
        by, computed = correction.made_by.name, _differences(entry.computed, correction.measured)
        counting = f"the result counts as corrected by {by} on {minute(correction.made_at)} ({correction.reason})"
        return [f"{counting}: {_set_text(correction)}; computed before: {computed}"]
    if entry.corrections:
        newest = entry.corrections[-1]
        return [f"the computed result counts; a correction was withdrawn by {newest.made_by.name} ({newest.reason})"]
    return []


def _set_text(correction: Correction) -> str:
    """Return what was set: ``region 10,10,80,80``, or how many spots were added, removed or reclassified."""
    told = []
    for name, texts in correction.options.items():
        if name == "change":
            acts = [text.partition(",")[0] for text in texts]
            words = {"add": "added", "remove": "removed", "dark": "called dark", "bright": "called bright"}
            told += [f"{acts.count(act)} spots {word}" for act, word in words.items() if act in acts]
        else:
            told.append(f"{name_in_words(name).lower()} {', '.join(texts)}")
    return ", ".join(told).replace("1 spots", "1 spot")


def _differences(computed: Measured | None, corrected: Measured) -> str:
    """Return the computed results that the corrected measurement does not repeat, at most three of them."""
    if computed is None:
        return "nothing"
    counting = {(r.quantity_name, str(_plain(r.condition))): format_quantity(r.quantity) for r in corrected.results}
    told = [
        f"{titled(name_in_words(result.quantity_name), result.condition)} {printed}"
        for result in computed.results
        if counting.get((result.quantity_name, str(_plain(result.condition))))
        != (printed := format_quantity(result.quantity))
    ]
    more = f" and {len(told) - _MOST_TOLD} more" if len(told) > _MOST_TOLD else ""
    return f"{'; '.join(told[:_MOST_TOLD])}{more}" if told else "the same figures"


def _plain(condition: Condition) -> Condition:
    return {name: value for name, value in condition.items() if name not in _NOT_TOLD}


def instant(moment: datetime) -> str:
    """Return a moment as document metadata wants it (W3C date and time format), in UTC."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
