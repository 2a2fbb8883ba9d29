"""The random draw of a sample: the order that a recorded seed gives to the devices of a lot, and changes to it."""

import hashlib
from collections.abc import Iterable, Sequence

from inspect_app.model import SampleChange


def draw_order(seed: str, serials: Iterable[str]) -> tuple[str, ...]:
    r"""Return serials in the order that a seed gives them.

    Parameters
    ----------
    seed : str
        As recorded with the draw.
    serials : iterable of str
        All devices of the lot, each once, in any order.

    Returns
    -------
    tuple of str
        Every serial once; a sample of n is the first n.

    Raises
    ------
    ValueError
        A serial is given twice.

    Notes
    -----
    Sorted by the SHA-256 of seed, line feed and serial, so that anybody can draw again without this program:
    ``printf '%s\n%s' SEED SERIAL | sha256sum``. Each order is as likely as any other when the seed is random.

    Examples
    --------
    >>> draw_order("one seed", ["A1", "A2", "A3"]) == draw_order("one seed", ["A3", "A2", "A1"])
    True
    """
    given = list(serials)
    if len(set(given)) < len(given):
        raise ValueError("a serial is given twice")
    return tuple(sorted(given, key=lambda serial: hashlib.sha256(f"{seed}\n{serial}".encode()).hexdigest()))


def sample_of(order: Sequence[int], size: int, changes: Iterable[SampleChange]) -> tuple[int, ...]:
    """Return the devices of a sample in their order, after the changes that were made to it.

    Parameters
    ----------
    order : sequence of int
        Keys of all devices of the lot in the order drawn.
    size : int
        Devices drawn.
    changes : iterable of SampleChange
        Oldest first. A device in place of another takes its place; an added one comes last, beyond the sample that
        counts.

    Raises
    ------
    ValueError
        A change adds what is there, or replaces what is not.
    """
    sample = list(order[:size])
    for change in changes:
        if change.device_id in sample:
            raise ValueError(f"device {change.device_id} is in the sample already")
        if change.replaced_device_id is None:
            sample.append(change.device_id)
        else:
            sample[sample.index(change.replaced_device_id)] = change.device_id
    return tuple(sample)
