"""Which change of a picture answers which switch of the light."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from inspect_app.errors import NothingToMeasure
from inspect_app.numerics.changes.flicker import lasting
from inspect_app.numerics.changes.switching import Switch, switches

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Turns:
    """All switches of a trace, and those of them that have their partner in the other one."""

    every: tuple[Switch, ...]
    paired: tuple[Switch, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pairs:
    """The switches of the light and of its picture; those that are paired stand in the same order."""

    light: Turns
    picture: Turns


def pair_switches(name: str, stimulus: FloatArray, response: FloatArray) -> Pairs:
    """Pair each switch of the light with the switch of the picture that follows it.

    Parameters
    ----------
    name : str
        Of the capture, for a refusal.
    stimulus, response : ndarray of shape (n,)
        Traces of light and picture.

    Raises
    ------
    NothingToMeasure
        The light does not switch, or nothing changes after it.
    """
    lights, pictures = switches(stimulus), switches(response)
    if not lights:
        raise NothingToMeasure(
            name, "the light does not switch", "Film the LED switching, or give --stimulus-roi around it."
        )
    pictures = lasting(pictures, response, lights)
    if len(lights) == len(pictures) and all(p.index >= s.index - 1 for s, p in zip(lights, pictures, strict=True)):
        return Pairs(light=Turns(lights, lights), picture=Turns(pictures, pictures))
    paired = []
    for number, light in enumerate(lights):
        until = lights[number + 1].index if number + 1 < len(lights) else len(stimulus)
        found = next((p for p in pictures if light.index - 1 <= p.index < until), None)
        if found is not None:
            paired.append((light, found))
    if not paired:
        raise NothingToMeasure(
            name,
            "nothing changes in the picture after the light switches",
            "Film until the picture has changed, or give --response-roi where the picture is.",
        )
    answered, answers = zip(*paired, strict=True)
    return Pairs(light=Turns(lights, answered), picture=Turns(pictures, answers))
