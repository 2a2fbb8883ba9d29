"""Lay blinded trials out: an order for each reader in which nobody can tell which part comes, or came before."""

import random
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from inspect_app.errors import UnusableInput

MOST_TRIALS: Final = 1000
_LETTERS: Final = "ABCDEFGHJKLMNPRSTUVWXYZ"  # without those that are taken for digits or for one another


@dataclass(frozen=True, slots=True, kw_only=True)
class BlindTrial:
    """One trial: the code that the reader sees, and behind it the part, which only the leader knows."""

    code: str
    reader: str
    part: str


def blinded_trials(parts: Sequence[str], readers: Sequence[str], repeats: int, *, seed: int) -> tuple[BlindTrial, ...]:
    """Return the trials of a crossed study, reader by reader, each round of parts in an order of its own.

    Parameters
    ----------
    parts, readers : sequence of str
        Two different names of each at least.
    repeats : int
        How often each reader reads each part, two at least.
    seed : int
        The same seed lays out the same trials.

    Raises
    ------
    UnusableInput
        Too few, too many, or a name twice.

    Notes
    -----
    No code stands twice, so that a reader cannot know a part again by its code, and a round ends before the next
    begins, so that repeats lie apart. Rounds never begin with the part that the round before ended with.
    """
    _prove_design(parts, readers, repeats)
    chance = random.Random(seed)  # noqa: S311 - an order that can be laid out again, no secret
    codes = _codes(chance, len(parts) * len(readers) * repeats)
    trials: list[BlindTrial] = []
    for reader in readers:
        last = ""
        for _ in range(repeats):
            order = chance.sample(list(parts), len(parts))
            if order[0] == last:
                order.append(order.pop(0))
            last = order[-1]
            trials += [BlindTrial(code=codes.pop(), reader=reader, part=part) for part in order]
    return tuple(trials)


def _prove_design(parts: Sequence[str], readers: Sequence[str], repeats: int) -> None:
    for what, names in (("parts", parts), ("readers", readers)):
        if len(set(names)) < len(names):
            raise UnusableInput(what, "one is named twice", "Name each once.")
        if len(names) < 2:
            raise UnusableInput(what, f"{len(names)} named", "Name two at least, ten parts and three readers at best.")
    if not 2 <= repeats <= 10:
        raise UnusableInput("repeats", f"{repeats} asked for", "Give two to ten.")
    if len(parts) * len(readers) * repeats > MOST_TRIALS:
        raise UnusableInput("parts", f"they make more than {MOST_TRIALS} trials", "Take fewer parts or repeats.")


def _codes(chance: random.Random, count: int) -> list[str]:
    every = [f"{letter}{number:02d}" for letter in _LETTERS for number in range(100)]
    return chance.sample(every, count)
