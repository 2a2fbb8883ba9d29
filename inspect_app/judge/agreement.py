"""Agreement of readers who sort by look: Cohen's and Fleiss's kappa, misses and false alarms against a reference."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.judge.characteristic import rate_interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Kappa:
    """Agreement beyond chance.

    `observed` and `expected` are the shares of agreement; `standard_error` is that of kappa itself for two readers
    (Fleiss, Cohen and Everitt 1969), and that under no agreement for several (Fleiss, Nee and Landis 1979). `of_word`
    tells the agreement of several readers on each word against all others; it is empty for two.
    """

    kappa: float
    observed: float
    expected: float
    standard_error: float
    of_word: Mapping[str, float] = field(default_factory=dict)


def cohen_kappa(first: Sequence[str], second: Sequence[str]) -> Kappa:
    """Return the agreement of two readers on the same items in the same order.

    Raises
    ------
    UnusableInput
        They judged different numbers of items, or fewer than two.
    NothingToMeasure
        Both always said the same one word: there is nothing to agree on.

    Notes
    -----
    kappa = (p_o - p_e) / (1 - p_e), p_e = sum p_k. p_.k (Cohen 1960). High agreement on items of nearly one kind gives
    a kappa about zero: choose items near the limit, half of them nonconforming.

    Examples
    --------
    Fifty proposals read twice: 20 both yes, 15 both no (published: 0.40).

    >>> reads = ["yes"] * 25 + ["no"] * 25, ["yes"] * 20 + ["no"] * 5 + ["yes"] * 10 + ["no"] * 15
    >>> round(cohen_kappa(*reads).kappa, 2)
    0.4
    """
    if len(first) != len(second) or len(first) < 2:
        problem = f"{len(first)} and {len(second)} items were judged"
        raise UnusableInput("agreement", problem, "Both readers judge the same items, two at least.")
    words, count = sorted({*first, *second}), len(first)
    pairs = list(zip(first, second, strict=True))
    share = {(a, b): pairs.count((a, b)) / count for a in words for b in words}
    rows = {a: math.fsum(share[a, b] for b in words) for a in words}
    columns = {b: math.fsum(share[a, b] for a in words) for b in words}
    observed = math.fsum(share[word, word] for word in words)
    expected = math.fsum(rows[word] * columns[word] for word in words)
    _prove_choice(expected)
    kappa = (observed - expected) / (1 - expected)
    on = math.fsum(share[w, w] * (1 - (rows[w] + columns[w]) * (1 - kappa)) ** 2 for w in words)
    off = math.fsum(share[a, b] * (columns[a] + rows[b]) ** 2 for a in words for b in words if a != b)
    variance = on + (1 - kappa) ** 2 * off - (kappa - expected * (1 - kappa)) ** 2
    error = math.sqrt(max(0.0, variance) / count) / (1 - expected)
    return Kappa(kappa=kappa, observed=observed, expected=expected, standard_error=error)


def fleiss_kappa(counts: Sequence[Mapping[str, int]]) -> Kappa:
    """Return the agreement of several readers.

    Parameters
    ----------
    counts : sequence of mapping
        Per item how many readers said which word; equally many readers for every item.

    Raises
    ------
    UnusableInput
        Fewer than two items or readers, or not equally many for each item.
    NothingToMeasure
        All always said the same one word.

    Notes
    -----
    kappa = (P - P_e) / (1 - P_e). Of one word, with k of m readers saying it of an item, kappa is
    1 - sum k (m - k) / (n m (m - 1) p (1 - p)).

    References
    ----------
    Fleiss, J. L. (1971), Psychological Bulletin 76, 378-382; Fleiss, Nee and Landis (1979) for the standard error.
    """
    readers = {sum(item.values()) for item in counts}
    if len(counts) < 2 or len(readers) != 1 or max(readers) < 2:
        raise UnusableInput(
            "agreement", "items and readers do not match", "Every reader judges every item, two of each."
        )
    (m,), n = readers, len(counts)
    words = sorted({word for item in counts for word in item})
    share = {word: sum(item.get(word, 0) for item in counts) / (n * m) for word in words}
    observed = math.fsum((sum(k * k for k in item.values()) - m) / (m * (m - 1)) for item in counts) / n
    expected = math.fsum(p * p for p in share.values())
    _prove_choice(expected)
    spread = math.fsum(p * (1 - p) for p in share.values())
    skew = math.fsum(p * (1 - p) * (1 - 2 * p) for p in share.values())
    error = math.sqrt(2 / (n * m * (m - 1))) * math.sqrt(spread**2 - skew) / spread
    of_word = {
        word: 1
        - math.fsum(k * (m - k) for k in (item.get(word, 0) for item in counts)) / (n * m * (m - 1) * p * (1 - p))
        for word, p in share.items()
        if 0 < p < 1
    }
    kappa = (observed - expected) / (1 - expected)
    return Kappa(kappa=kappa, observed=observed, expected=expected, standard_error=error, of_word=of_word)


def _prove_choice(expected: float) -> None:
    if math.isclose(expected, 1.0):
        raise NothingToMeasure(
            "agreement", "every reader said the same of every item", "Choose items near the limit, half of them bad."
        )


def highest_rate(wrong: int, trials: int, confidence: float = 0.95) -> float:
    """Return the rate that, with a confidence, is not exceeded: the one-sided bound of Clopper and Pearson.

    Raises
    ------
    UnusableInput
        More were wrong than were tried, or none was tried.

    Examples
    --------
    No miss in fifty trials still allows 5.8 %: 1 - 0.05^(1/50).

    >>> round(highest_rate(0, 50), 3)
    0.058
    """
    if trials < 1 or not 0 <= wrong <= trials:
        raise UnusableInput(
            "error rate", f"{wrong} of {trials} cannot be", "Count the trials, and those that went wrong."
        )
    return rate_interval(wrong, trials, 2 * confidence - 1)[1]
