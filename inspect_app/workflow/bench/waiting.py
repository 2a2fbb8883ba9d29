"""What has to be waited for at the bench before a reading counts: for what, how long, and which steps ask for it."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from inspect_app.definitions import CAUTIONS, Step

_READ_BY_EYE: Final = ("bar-target", "step-wedge", "blemish")


@dataclass(frozen=True, slots=True, kw_only=True)
class Wait:
    """Something that takes time: its name, what it is for, and how many minutes."""

    name: str
    words: str
    minutes: int


# The eye: rods approach their final sensitivity after 20 to 30 minutes (CIE 191:2010 and textbooks on vision, from
# memory). A cell rests 1 to 4 hours between charge and discharge (IEC 61960-3, from memory). A lamp's warm-up: common
# practice, no source; the lamp's own manual binds.
WAITS: Final[Mapping[str, Wait]] = MappingProxyType(
    {
        wait.name: wait
        for wait in (
            Wait(name="dark", words="Eyes adapting to the dark", minutes=25),
            Wait(name="lamp", words="Lamp warming up", minutes=15),
            Wait(name="cells", words="Cells resting after the charge", minutes=60),
        )
    }
)


def waits_of(step: Step) -> tuple[Wait, ...]:
    """Return what a step has to be waited for."""
    names = []
    if CAUTIONS["dark room"] in step.cautions and step.check in _READ_BY_EYE:
        names.append("dark")
    if "illuminance meter" in step.instruments:
        names.append("lamp")
    if step.check == "battery":
        names.append("cells")
    return tuple(WAITS[name] for name in names)
