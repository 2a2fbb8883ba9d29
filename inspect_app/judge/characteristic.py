"""What a sampling plan lets through: operating characteristic, risk points, outgoing quality, wrong verdicts.

Two questions are told apart (ISO 2859-1:1999, 12; the words type A and type B are common in handbooks):

- the **lot** at hand holds D nonconforming devices among N: hypergeometric, exact (type A);
- the **process** delivers lots with a fraction p nonconforming: binomial (type B), or Poisson where nonconformities are
  counted.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from scipy import special

from inspect_app.model import SamplingPlan

CURVE_PROBABILITIES: Final = (0.99, 0.95, 0.90, 0.75, 0.50, 0.25, 0.10, 0.05, 0.01)
"""Of acceptance: the points that MIL-STD-105E's Table X lists for every plan."""
_PRODUCER: Final = 0.95
_INDIFFERENT: Final = 0.50
_CONSUMER: Final = 0.10


@dataclass(frozen=True, slots=True, kw_only=True)
class RiskPoints:
    """Three qualities of the process, as fractions, that a plan accepts with known probability.

    Lots of `producer_quality` are accepted 95 times in 100 (producer's risk 5 %), of `indifference_quality` every other
    time, of `consumer_quality` 10 times in 100 (consumer's risk 10 %).
    """

    producer_quality: float
    indifference_quality: float
    consumer_quality: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WrongVerdicts:
    """How often the inspection of one device is wrong.

    Parameters
    ----------
    false_reject : float
        Probability that a conforming device is rejected.
    false_accept : float
        Probability that a nonconforming device is accepted.
    """

    false_reject: float = 0.0
    false_accept: float = 0.0

    def __post_init__(self) -> None:
        if not (0 <= self.false_reject <= 1 and 0 <= self.false_accept <= 1):
            raise ValueError(f"no probabilities: {self}")

    def fraction_seen(self, fraction: float) -> float:
        """Return the fraction that is seen as nonconforming where `fraction` is: p (1 - PFA) + (1 - p) PFR."""
        return fraction * (1 - self.false_accept) + (1 - fraction) * self.false_reject

    def rate_seen(self, per_device: float) -> float:
        """Return how many nonconformities are seen per device; false ones come on top at the rate PFR."""
        return per_device * (1 - self.false_accept) + self.false_reject


NEVER_WRONG: Final = WrongVerdicts()


def process_acceptance(
    plan: SamplingPlan, qualities: Sequence[float], wrong: WrongVerdicts = NEVER_WRONG
) -> tuple[float, ...]:
    """Return the probability that lots of a process are accepted.

    Parameters
    ----------
    plan : SamplingPlan
        Its sample size as the table gives it.
    qualities : sequence of float
        Fractions nonconforming; nonconformities per device where the plan counts these.
    wrong : WrongVerdicts, optional
        Wrong verdicts on single devices.

    Returns
    -------
    tuple of float
        One probability for each quality.

    Notes
    -----
    P_a = sum over d = 0 .. c of C(n, d) p^d (1 - p)^(n - d), or of e^(-np) (np)^d / d! where nonconformities count.
    c is one below the rejection number: in MIL-STD-105E's reduced inspection a count between acceptance and rejection
    number still accepts the lot.
    """
    if plan.counts_nonconformities:
        expected = [plan.size * wrong.rate_seen(quality) for quality in qualities]
        return _floats(special.pdtr(plan.accepts_up_to, expected))
    seen = [wrong.fraction_seen(quality) for quality in qualities]
    if plan.accepts_up_to >= plan.size:
        return tuple(1.0 for _ in seen)
    return _floats(special.bdtr(plan.accepts_up_to, plan.size, seen))


def process_quality(plan: SamplingPlan, probabilities: Sequence[float]) -> tuple[float, ...]:
    """Return the qualities of a process that are accepted with given probabilities: `process_acceptance` inverted.

    Notes
    -----
    Binomial: p = B^-1(1 - P_a; c + 1, n - c), B the beta distribution. Poisson: p = chi2^-1(1 - P_a; 2c + 2) / (2n).
    """
    if plan.counts_nonconformities:
        return tuple(one / plan.size for one in _floats(special.pdtri(plan.accepts_up_to, list(probabilities))))
    if plan.accepts_up_to >= plan.size:
        return tuple(1.0 for _ in probabilities)
    return _floats(special.bdtri(plan.accepts_up_to, plan.size, list(probabilities)))


def lot_acceptance(
    plan: SamplingPlan, lot_size: int, nonconforming: Sequence[int], wrong: WrongVerdicts = NEVER_WRONG
) -> tuple[float, ...]:
    """Return the probability that this lot is accepted, for each number of nonconforming devices it may hold.

    Parameters
    ----------
    plan : SamplingPlan
        At most the whole lot is looked at.
    lot_size : int
        N.
    nonconforming : sequence of int
        Values of D from 0 to N.
    wrong : WrongVerdicts, optional
        Wrong verdicts on single devices.

    Returns
    -------
    tuple of float
        Exact but for the last rounding; with wrong verdicts to some 1e-8.

    Raises
    ------
    ValueError
        A D is not from 0 to N.

    Notes
    -----
    P_a = sum over d = 0 .. c of C(D, d) C(N - D, n - d) / C(N, n), in whole numbers; only the quotient is a float.
    With wrong verdicts d nonconforming devices of the sample are seen as B(d, 1 - PFA) + B(n - d, PFR) of them, and P_a
    is the mean over d of the probability that this is at most c.
    """
    size = plan.devices_of(lot_size)
    if wrong != NEVER_WRONG:
        return _lot_acceptance_seen(plan.accepts_up_to, lot_size, size, nonconforming, wrong)
    samples = math.comb(lot_size, size)
    return tuple(_accepted_samples(plan.accepts_up_to, lot_size, size, bad) / samples for bad in nonconforming)


def _accepted_samples(accepts_up_to: int, lot_size: int, size: int, nonconforming: int) -> int:
    if not 0 <= nonconforming <= lot_size:
        raise ValueError(f"{nonconforming} of {lot_size} devices cannot be nonconforming")
    conforming = lot_size - nonconforming
    found = max(0, size - conforming)
    samples = math.comb(nonconforming, found) * math.comb(conforming, size - found)
    total = 0
    while found <= min(accepts_up_to, nonconforming, size):
        total += samples
        samples = samples * (nonconforming - found) * (size - found)
        found += 1
        samples //= found * (conforming - size + found)
    return total


def _lot_acceptance_seen(
    accepts_up_to: int, lot_size: int, size: int, nonconforming: Sequence[int], wrong: WrongVerdicts
) -> tuple[float, ...]:
    accepted = [_accepted_with(found, accepts_up_to, size, wrong) for found in range(size + 1)]
    return tuple(
        min(1.0, math.fsum(chance * accepted[found] for found, chance in _found_in_sample(lot_size, size, bad)))
        for bad in nonconforming
    )


def _accepted_with(found: int, accepts_up_to: int, size: int, wrong: WrongVerdicts) -> float:
    """Return the probability that a sample with so many nonconforming devices shows no more than are accepted."""
    if accepts_up_to >= size:
        return 1.0
    detected = 1 - wrong.false_accept
    return math.fsum(
        math.comb(found, seen)
        * detected**seen
        * wrong.false_accept ** (found - seen)
        * float(special.bdtr(min(accepts_up_to - seen, size - found), size - found, wrong.false_reject))
        for seen in range(min(accepts_up_to, found) + 1)
    )


def _found_in_sample(lot_size: int, size: int, nonconforming: int) -> Iterator[tuple[int, float]]:
    """Yield how many nonconforming devices the sample may hold, with the probability: hypergeometric, by logarithms."""
    if not 0 <= nonconforming <= lot_size:
        raise ValueError(f"{nonconforming} of {lot_size} devices cannot be nonconforming")
    conforming = lot_size - nonconforming
    for found in range(max(0, size - conforming), min(size, nonconforming) + 1):
        pairs = ((nonconforming, found), (conforming, size - found))
        yield found, math.exp(sum(_log_choices(*pair) for pair in pairs) - _log_choices(lot_size, size))


def _log_choices(n: int, k: int) -> float:
    return math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)


def risk_points(plan: SamplingPlan) -> RiskPoints:
    """Return producer's, indifferent and consumer's risk point of a plan."""
    producer, indifferent, consumer = process_quality(plan, (_PRODUCER, _INDIFFERENT, _CONSUMER))
    return RiskPoints(producer_quality=producer, indifference_quality=indifferent, consumer_quality=consumer)


def average_outgoing_quality(
    plan: SamplingPlan, lot_size: int, qualities: Sequence[float], wrong: WrongVerdicts = NEVER_WRONG
) -> tuple[float, ...]:
    """Return the mean fraction nonconforming after inspection, where rejected lots are screened.

    Parameters
    ----------
    plan, lot_size, qualities, wrong
        As for `process_acceptance`; `lot_size` is N.

    Returns
    -------
    tuple of float
        Fractions nonconforming among the devices that leave.

    Notes
    -----
    AOQ = p P_a (N - n) / N when every verdict on a device is right: what is found is replaced by conforming devices
    (Montgomery, Introduction to Statistical Quality Control, single sampling with rectifying inspection, from memory).
    Among inspected devices the falsely accepted ones, p PFA, leave too; replacements are taken as conforming.
    """
    size = plan.devices_of(lot_size)
    return tuple(
        quality * (accepted * (lot_size - size) + wrong.false_accept * inspected) / lot_size
        for quality, accepted in zip(qualities, process_acceptance(plan, qualities, wrong), strict=True)
        for inspected in (size + (1 - accepted) * (lot_size - size),)
    )


def average_total_inspection(
    plan: SamplingPlan, lot_size: int, qualities: Sequence[float], wrong: WrongVerdicts = NEVER_WRONG
) -> tuple[float, ...]:
    """Return the mean number of devices inspected in a lot, where rejected lots are screened: n + (1 - P_a)(N - n)."""
    size = plan.devices_of(lot_size)
    accepted = process_acceptance(plan, qualities, wrong)
    return tuple(size + (1 - probability) * (lot_size - size) for probability in accepted)


def rate_interval(found: int, looked_at: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return the exact two-sided interval of a rate, after Clopper and Pearson.

    Parameters
    ----------
    found : int
        x devices of a kind.
    looked_at : int
        Among n, at least one.
    confidence : float, optional
        1 - alpha.

    Returns
    -------
    tuple of float
        Lower and upper bound as fractions.

    Notes
    -----
    Lower: B^-1(alpha/2; x, n - x + 1), 0 when x = 0. Upper: B^-1(1 - alpha/2; x + 1, n - x), 1 when x = n.

    References
    ----------
    Clopper and Pearson, The use of confidence or fiducial limits illustrated in the case of the binomial, Biometrika 26
    (1934).

    Examples
    --------
    >>> low, high = rate_interval(1, 10)
    >>> f"{low:.4f} {high:.4f}"
    '0.0025 0.4450'
    """
    if looked_at < 1 or not 0 <= found <= looked_at:
        raise ValueError(f"{found} of {looked_at} is no rate")
    tail = (1 - confidence) / 2
    low = 0.0 if found == 0 else float(special.betaincinv(found, looked_at - found + 1, tail))
    high = 1.0 if found == looked_at else float(special.betaincinv(found + 1, looked_at - found, 1 - tail))
    return low, high


def _floats(values: Iterable[float]) -> tuple[float, ...]:
    return tuple(float(value) for value in values)
