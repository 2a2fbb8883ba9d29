"""Proof that what was taken for switches of a light and of its picture are none of noise, drift or the mains."""

from typing import Final

import numpy as np

from inspect_app.errors import NothingToMeasure
from inspect_app.measure._films.event_traces import Traces
from inspect_app.measure._films.light import FloatArray
from inspect_app.measure._films.paired_switches import Pairs, Turns
from inspect_app.numerics.changes.standing_out import standing_out

_FEWEST_APART: Final = 3.0  # samples from one switch to the next (median): a fit needs both levels
_STANDS_OUT: Final = 6.0  # times what changes elsewhere; films of lights have 11 and more


def prove_switching(traces: Traces, pairs: Pairs) -> None:
    """Refuse traces whose switches follow one another too fast to be told apart, or films in which they are chance.

    Raises
    ------
    NothingToMeasure
        Light or picture switches every other sample or faster; or, in a film, changes as much elsewhere.

    Notes
    -----
    Of 24 films of coded noise 3 were given a latency without this and without `is_crowded`; of 32 of a view that pans,
    of a thing that wanders, daylight that grows or a lamp alone 16. In two regions that were given it was 22 of these
    and of 8 lit by mains, and 2 ended in an error. Now none of them is, but for 3 in which a thing wanders through both
    regions that were given. 245 films of a light and its picture, of one to twelve switches, keep their numbers. See
    `inspect_app.numerics.changes.standing_out.standing_out`.

    Logs are asked for the first alone: a slow rise that fills its log does not stand out, and is measured.
    """
    for called, values, turns in (
        ("light", traces.stimulus, pairs.light),
        ("picture", traces.response, pairs.picture),
    ):
        _prove_apart(traces.name, called, turns)
        if traces.chosen is not None:
            _prove_stands_out(traces.name, called, values, turns)


def _prove_apart(name: str, called: str, turns: Turns) -> None:
    apart = np.diff([switch.index for switch in turns.every])
    if apart.size and float(np.median(apart)) < _FEWEST_APART:
        raise NothingToMeasure(
            name,
            f"what was taken for the {called} switches every {float(np.median(apart)):.2g} samples: that is mains, "
            "flicker or noise, or too fast for the capture",
            "Let the light switch more slowly, or capture it faster.",
        )


def _prove_stands_out(name: str, called: str, values: FloatArray, turns: Turns) -> None:
    if standing_out(values, [switch.index for switch in turns.every]) < _STANDS_OUT:
        raise NothingToMeasure(
            name,
            f"what was taken for the {called} changes as much elsewhere as where it seems to switch: that is noise, "
            "drift or a moving scene",
            "Film the LED and the eyepiece in one view, with more light, or give regions in which they switch.",
        )
