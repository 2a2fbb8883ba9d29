"""From judgements to the verdict on a device."""

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Final

from inspect_app.model import DecisionRule, Finding, Judgement, Outcome, Severity, Verdict

_SEVERITIES: Final = tuple(Severity)
_OUTCOMES: Final[Mapping[Finding, Outcome]] = MappingProxyType(
    {
        Finding.CONFORMING: Outcome.ACCEPTED,
        Finding.CONDITIONAL_PASS: Outcome.ACCEPTED,
        Finding.CONDITIONAL_FAIL: Outcome.REJECTED,
        Finding.NONCONFORMING: Outcome.REJECTED,
        Finding.INCONCLUSIVE: Outcome.HELD,
        Finding.NOT_MEASURED: Outcome.HELD,
    }
)


def outcome_of(judgement: Judgement) -> Outcome:
    """Return what one judgement means for the device.

    A conditional pass accepts and a conditional fail rejects, as simple acceptance would; ILAC-G8:09/2019, 4.2.3,
    leaves it to the parties. What is inconclusive is held, except where nonconformity is for the buyer to prove: who
    cannot prove it accepts (ISO 14253-1:2017; both from memory).
    """
    is_open = judgement.finding is Finding.INCONCLUSIVE
    if is_open and judgement.limit.decision_rule is DecisionRule.ISO14253_BUYER:
        return Outcome.ACCEPTED
    return _OUTCOMES[judgement.finding]


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
        return Verdict(outcome=Outcome.REJECTED, deciding=rejecting, reason=_told("Not met", rejecting))
    if holding:
        missing = tuple(one for one in holding if one.finding is Finding.NOT_MEASURED)
        doubtful = tuple(one for one in holding if one.finding is not Finding.NOT_MEASURED)
        reasons = (_told("Not measured", missing), _told("Inconclusive", doubtful))
        return Verdict(
            outcome=Outcome.HELD, deciding=missing + doubtful, reason=" ".join(reason for reason in reasons if reason)
        )
    return Verdict(outcome=Outcome.ACCEPTED, deciding=(), reason=_all_accepted(judgements))


def _deciding(judgements: Sequence[Judgement], outcome: Outcome) -> tuple[Judgement, ...]:
    found = [judgement for judgement in judgements if outcome_of(judgement) is outcome]
    return tuple(sorted(found, key=lambda judgement: _SEVERITIES.index(judgement.limit.severity)))


def _all_accepted(judgements: Sequence[Judgement]) -> str:
    conditional = [one for one in judgements if one.finding is Finding.CONDITIONAL_PASS]
    unproven = [one for one in judgements if one.finding is Finding.INCONCLUSIVE]
    if not unproven:
        said = f"All {len(judgements)} demands are met."
        return f"{said} {_told('By less than the uncertainty', conditional)}".rstrip()
    told = (
        _told("Nonconformity not proven", unproven),
        _told("Met by less than the uncertainty", conditional),
    )
    return f"No demand is shown to be missed. {' '.join(told)}".rstrip()


def _told(words: str, judgements: Sequence[Judgement]) -> str:
    named = dict.fromkeys(f"{one.limit.clause} {one.limit.title} ({one.limit.severity.value})" for one in judgements)
    return f"{words}: {'; '.join(named)}." if named else ""
