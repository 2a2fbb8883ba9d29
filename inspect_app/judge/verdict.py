"""From judgements to the verdict on a device."""

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Final

from inspect_app.model import DecisionRule, Finding, Judgement, Limit, Outcome, Severity, SpotAllowance, Verdict

_SEVERITIES: Final = tuple(Severity)
_DOUBTFUL: Final = (Finding.INCONCLUSIVE,)
_MISSED: Final = (Finding.NONCONFORMING, Finding.CONDITIONAL_FAIL, Finding.CONDITIONAL_PASS)
_OUTCOMES: Final[Mapping[Finding, Outcome]] = MappingProxyType(
    {
        Finding.CONFORMING: Outcome.ACCEPTED,
        Finding.NONCONFORMING: Outcome.REJECTED,
        Finding.NOT_MEASURED: Outcome.HELD,
    }
)
_UNPROVEN: Final[Mapping[DecisionRule, Outcome]] = MappingProxyType(
    {DecisionRule.ISO14253_BUYER: Outcome.ACCEPTED, DecisionRule.ISO14253_SUPPLIER: Outcome.REJECTED}
)


def outcome_of(judgement: Judgement) -> Outcome:
    """Return what one judgement means for the device; see `meaning`."""
    low, high = judgement.acceptance_at_least, judgement.acceptance_at_most
    has_room = low is None or high is None or low < high or judgement.guard_band == 0
    return meaning(judgement.finding, judgement.limit, has_room=has_room)


def meaning(finding: Finding, demand: Limit | SpotAllowance, *, has_room: bool = True) -> Outcome:
    """Return what a finding on a demand means for the device.

    Parameters
    ----------
    finding : Finding
        The decision.
    demand : Limit or SpotAllowance
        What was decided.
    has_room : bool
        The uncertainty left something between the limits to accept; where it did not, the contract is at fault.

    Returns
    -------
    Outcome
        Of conditional findings what the contract says: as simple acceptance would where it says nothing, since
        ILAC-G8:09/2019, 4.2.3, leaves it to the parties. What is inconclusive is held, except where a side has to
        prove something: a buyer who cannot prove nonconformity accepts, a supplier who cannot prove conformity does not
        deliver (ISO 14253-1:2017, 6.2 and 6.3; clauses from memory).
    """
    if finding is Finding.INCONCLUSIVE:
        return _UNPROVEN.get(demand.decision_rule, Outcome.HELD) if has_room else Outcome.HELD
    if isinstance(demand, Limit) and finding is Finding.CONDITIONAL_PASS:
        return demand.conditional_pass
    if isinstance(demand, Limit) and finding is Finding.CONDITIONAL_FAIL:
        return demand.conditional_fail
    return _OUTCOMES[finding]


def device_verdict(judgements: Sequence[Judgement]) -> Verdict:
    """Return the verdict on a device, with the judgements that decide it, the worst class of nonconformity first.

    Parameters
    ----------
    judgements : sequence of Judgement
        On all demands of the contract.

    Returns
    -------
    Verdict
        Rejected when any judgement rejects (see `outcome_of`); else held when any is inconclusive or not measured, or
        when nothing was judged at all; else accepted.
    """
    if not judgements:
        return Verdict(
            outcome=Outcome.HELD, deciding=(), reason="The contract demands nothing of this class of device."
        )
    rejecting, holding = _deciding(judgements, Outcome.REJECTED), _deciding(judgements, Outcome.HELD)
    if rejecting:
        words = {"Not met": _with(rejecting, *_MISSED), "Conformity not proven": _with(rejecting, *_DOUBTFUL)}
        return Verdict(outcome=Outcome.REJECTED, deciding=rejecting, reason=_told_apart(words))
    if holding:
        words = {
            "Not measured": _with(holding, Finding.NOT_MEASURED),
            "Inconclusive": _with(holding, Finding.INCONCLUSIVE),
            "Met by less than the uncertainty": _with(holding, Finding.CONDITIONAL_PASS),
            "Missed by less than the uncertainty": _with(holding, Finding.CONDITIONAL_FAIL),
        }
        deciding = tuple(one for group in words.values() for one in group)
        return Verdict(outcome=Outcome.HELD, deciding=deciding, reason=_told_apart(words))
    return Verdict(outcome=Outcome.ACCEPTED, deciding=(), reason=_all_accepted(judgements))


def _deciding(judgements: Sequence[Judgement], outcome: Outcome) -> tuple[Judgement, ...]:
    found = [judgement for judgement in judgements if outcome_of(judgement) is outcome]
    return tuple(sorted(found, key=lambda judgement: _SEVERITIES.index(judgement.limit.severity)))


def _all_accepted(judgements: Sequence[Judgement]) -> str:
    passed, failed = _with(judgements, Finding.CONDITIONAL_PASS), _with(judgements, Finding.CONDITIONAL_FAIL)
    unproven = _with(judgements, Finding.INCONCLUSIVE)
    if not unproven and not failed:
        said = f"All {len(judgements)} demands are met."
        return f"{said} {_told('By less than the uncertainty', passed)}".rstrip()
    words = {
        "Nonconformity not proven": unproven,
        "Met by less than the uncertainty": passed,
        "Missed by less than the uncertainty, which the contract accepts": failed,
    }
    return f"No demand is shown to be missed. {_told_apart(words)}"


def _with(judgements: Sequence[Judgement], *findings: Finding) -> tuple[Judgement, ...]:
    return tuple(one for one in judgements if one.finding in findings)


def _told_apart(groups: Mapping[str, Sequence[Judgement]]) -> str:
    return " ".join(_told(words, group) for words, group in groups.items() if group)


def _told(words: str, judgements: Sequence[Judgement]) -> str:
    named = dict.fromkeys(f"{one.limit.clause} {one.limit.title} ({one.limit.severity.value})" for one in judgements)
    return f"{words}: {'; '.join(named)}." if named else ""
