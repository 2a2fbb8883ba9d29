"""The decision rules: how wide a guard band each takes, on which side of the limit, and what it says in each zone."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from inspect_app.model import DecisionRule, Finding, Limit
from inspect_app.quantity import Quantity, one_sided_factor, plain_coverage_factor

_ONE_SIDED_95: Final = 1.645  # ISO 14253-1:2017, default confidence 95 %, as printed there (from memory)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One decision rule.

    Parameters
    ----------
    source : str
        Where it is published.
    factor : callable
        From the result and the limit to the width of the guard band w, in standard uncertainties.
    inwards : int
        1 where the acceptance limit lies by w within the limit, -1 where it lies beyond, 0 where it is the limit.
    zones : tuple of Finding
        What is said, with x the distance beyond the limit, where x <= -w, -w < x <= 0, 0 < x <= w, and w < x.
    """

    source: str
    factor: Callable[[Quantity, Limit], float]
    inwards: int
    zones: tuple[Finding, Finding, Finding, Finding]


def _nothing(_result: Quantity, _limit: Limit) -> float:
    return 0.0


def _two_sided(result: Quantity, _limit: Limit) -> float:
    return plain_coverage_factor(result.degrees_of_freedom)


def _one_sided(result: Quantity, _limit: Limit) -> float:
    freedom = result.degrees_of_freedom
    return _ONE_SIDED_95 if freedom is None else one_sided_factor(freedom)


def _for_probability(result: Quantity, limit: Limit) -> float:
    if limit.p_min is None:
        raise ValueError(f"limit {limit.clause} asks for no probability")
    return one_sided_factor(result.degrees_of_freedom, limit.p_min)


_YES, _NO, _OPEN = Finding.CONFORMING, Finding.NONCONFORMING, Finding.INCONCLUSIVE

RULES: Final[Mapping[DecisionRule, Rule]] = MappingProxyType(
    {
        DecisionRule.SIMPLE: Rule(
            source="ILAC-G8:09/2019, 4.2.1; JCGM 106:2012, 8.2",
            factor=_nothing,
            inwards=0,
            zones=(_YES, _YES, _NO, _NO),
        ),
        DecisionRule.GUARDED: Rule(
            source="ILAC-G8:03/2009, 2.3 to 2.6: not possible to state compliance",
            factor=_two_sided,
            inwards=1,
            zones=(_YES, _OPEN, _OPEN, _NO),
        ),
        DecisionRule.GUARD_U: Rule(
            source="ILAC-G8:09/2019, 4.2.2, binary statement with guard band w = U",
            factor=_two_sided,
            inwards=1,
            zones=(_YES, _NO, _NO, _NO),
        ),
        DecisionRule.ISO14253_BUYER: Rule(
            source="ISO 14253-1:2017, the buyer proves nonconformity",
            factor=_one_sided,
            inwards=-1,
            zones=(_YES, _OPEN, _OPEN, _NO),
        ),
        DecisionRule.ISO14253_SUPPLIER: Rule(
            source="ISO 14253-1:2017, the supplier proves conformity",
            factor=_one_sided,
            inwards=1,
            # Proof of conformity knows two answers: a result beyond the limit by more than w is no less and no more
            # unproven than one before it. When conformity is verified, the zone of doubt belongs to rejection (5.2).
            zones=(_YES, _OPEN, _OPEN, _OPEN),
        ),
        DecisionRule.NONBINARY: Rule(
            source="ILAC-G8:09/2019, 4.2.3, non-binary statement with guard band w = U",
            factor=_two_sided,
            inwards=1,
            zones=(_YES, Finding.CONDITIONAL_PASS, Finding.CONDITIONAL_FAIL, _NO),
        ),
        DecisionRule.PROBABILITY: Rule(
            source="JCGM 106:2012, clauses 7 and 8.3",
            factor=_for_probability,
            inwards=1,
            zones=(_YES, _NO, _NO, _NO),
        ),
    }
)
"""Each rule by its word in a contract. Clauses are from memory."""
