"""From judgements to the verdict on a device, and from devices to the outcome of a lot."""

from collections.abc import Mapping, Sequence
from typing import Final

from inspect_app.model import Finding, Judgement, Outcome, Severity, Verdict

_SEVERITIES: Final = tuple(Severity)


def device_verdict(judgements: Sequence[Judgement]) -> Verdict:
    """Return the verdict on a device, with the judgements that decide it, the worst class of nonconformity first.

    Parameters
    ----------
    judgements : sequence of Judgement
        On all demands of the contract.

    Returns
    -------
    Verdict
        Rejected when anything is nonconforming; else held when anything is inconclusive or not measured, or when
        nothing was judged at all; else accepted.
    """
    if not judgements:
        return Verdict(
            outcome=Outcome.HELD, deciding=(), reason="The contract demands nothing of this class of device."
        )
    nonconforming = _deciding(judgements, Finding.NONCONFORMING)
    if nonconforming:
        return Verdict(outcome=Outcome.REJECTED, deciding=nonconforming, reason=_told("Not met", nonconforming))
    missing = _deciding(judgements, Finding.NOT_MEASURED)
    doubtful = _deciding(judgements, Finding.INCONCLUSIVE)
    if missing or doubtful:
        reasons = (_told("Not measured", missing), _told("Inconclusive", doubtful))
        return Verdict(
            outcome=Outcome.HELD, deciding=missing + doubtful, reason=" ".join(reason for reason in reasons if reason)
        )
    return Verdict(outcome=Outcome.ACCEPTED, deciding=(), reason=f"All {len(judgements)} demands are met.")


def _deciding(judgements: Sequence[Judgement], finding: Finding) -> tuple[Judgement, ...]:
    found = [judgement for judgement in judgements if judgement.finding is finding]
    return tuple(sorted(found, key=lambda judgement: _SEVERITIES.index(judgement.limit.severity)))


def _told(words: str, judgements: Sequence[Judgement]) -> str:
    named = dict.fromkeys(f"{one.limit.clause} {one.limit.title} ({one.limit.severity.value})" for one in judgements)
    return f"{words}: {'; '.join(named)}." if named else ""


def lot_outcome(counts: Mapping[Outcome, int], total: int, acceptance_number: int = 0) -> Outcome:
    """Return the outcome of a lot whose devices are all inspected.

    Parameters
    ----------
    counts : mapping of Outcome to int
        How many devices have which verdict; devices still open are in none.
    total : int
        Devices in the lot.
    acceptance_number : int
        How many rejected devices the lot may hold.

    Returns
    -------
    Outcome
        Rejected as soon as more devices are rejected than may be; accepted when every device has its verdict, none is
        held and not more are rejected; held meanwhile, and for an empty lot.

    Examples
    --------
    >>> lot_outcome({Outcome.ACCEPTED: 9, Outcome.REJECTED: 1}, 10).value
    'rejected'
    >>> lot_outcome({Outcome.ACCEPTED: 9}, 10).value
    'held'
    """
    rejected = counts.get(Outcome.REJECTED, 0)
    if rejected > acceptance_number:
        return Outcome.REJECTED
    is_settled = total > 0 and counts.get(Outcome.ACCEPTED, 0) + rejected == total
    return Outcome.ACCEPTED if is_settled else Outcome.HELD
