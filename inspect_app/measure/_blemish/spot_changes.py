"""What a person changes in a map of found spots: one added, one removed, one of the other polarity."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Any, Final, Literal

from pydantic import BeforeValidator

from inspect_app.errors import UnusableInput
from inspect_app.model import Feature
from inspect_app.numerics.spots.found_spot import FoundSpot
from inspect_app.quantity import parse_number

ACTS: Final = ("remove", "dark", "bright", "add")
LEAST_REACH_PX: Final = 3.0  # a change may miss the centre of a small spot by so much
BY_HAND_U_PX: Final = 1.0  # of a diameter set on the picture; common practice, no source
SHAPES: Final = (
    "write remove,X,Y or dark,X,Y or bright,X,Y for a spot that was found, or add,X,Y,DIAMETER,dark or "
    "add,X,Y,DIAMETER,bright, in pixels"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SpotChange:
    """One change: `act` is ``remove``, ``dark``, ``bright`` or ``add``; only the last has a size and a polarity."""

    act: str
    x: float
    y: float
    diameter_px: float = 0.0
    polarity: str = ""


def _read_change(given: Any) -> Any:
    if not isinstance(given, str):
        return given
    act, *rest = (part.strip() for part in given.split(","))
    if act not in ACTS or len(rest) != (4 if act == "add" else 2):
        raise ValueError(SHAPES)
    try:
        x, y, *size = (parse_number(text, "1") for text in rest[:3])
    except UnusableInput as error:
        raise ValueError(SHAPES) from error
    if act != "add":
        return SpotChange(act=act, x=x, y=y)
    if rest[3] not in ("dark", "bright") or not 0 < size[0] <= 10_000:
        raise ValueError(SHAPES)
    return SpotChange(act=act, x=x, y=y, diameter_px=size[0], polarity=rest[3])


Change = Annotated[SpotChange, BeforeValidator(_read_change)]
"""``remove,X,Y``, ``dark,X,Y``, ``bright,X,Y`` or ``add,X,Y,DIAMETER,dark|bright``, in pixels."""


def changed_spots(
    found: Sequence[Feature], changes: Sequence[SpotChange], feature_of: Callable[[FoundSpot], Feature]
) -> tuple[Feature, ...]:
    """Return the spots after what a person changed, in the order of the changes.

    Parameters
    ----------
    found : sequence of Feature
        As computed.
    changes : sequence of SpotChange
        Each but an added one speaks of the spot nearest to its place.
    feature_of : callable
        Gives a spot its size in millimetres and its zone.

    Raises
    ------
    UnusableInput
        No spot lies where a change says; the message names the nearest.

    Notes
    -----
    An added spot counts with a contrast of 1: a person who sees it says that it is one.
    """
    spots = list(found)
    for change in changes:
        if change.act == "add":
            spots.append(feature_of(_added(change)))
            continue
        index = _index_at(spots, change)
        spot = spots.pop(index)
        if change.act != "remove":
            polarity: Literal["dark", "bright"] = "dark" if change.act == "dark" else "bright"
            spots.insert(index, replace(spot, polarity=polarity))
    return tuple(spots)


def _added(change: SpotChange) -> FoundSpot:
    depth = 1.0 if change.polarity == "bright" else -1.0
    return FoundSpot(
        x=change.x,
        y=change.y,
        diameter_px=change.diameter_px,
        diameter_u_px=BY_HAND_U_PX,
        depth=depth,
        depth_u=0.0,
        disc_px=change.diameter_px,
        disc_u_px=BY_HAND_U_PX,
        disc_depth=depth,
        disc_depth_u=0.0,
        blur_px=0.0,
        log_blur_u=0.0,
    )


def _index_at(spots: Sequence[Feature], change: SpotChange) -> int:
    where = f"spot at {change.x:g}, {change.y:g}"
    if not spots:
        raise UnusableInput(where, "no spot is left to change", "Leave the change out.")
    distances = [math.hypot(spot.x - change.x, spot.y - change.y) for spot in spots]
    index = min(range(len(spots)), key=distances.__getitem__)
    nearest = spots[index]
    if distances[index] > max(LEAST_REACH_PX, nearest.diameter_px / 2):
        told = f"no spot is there; the nearest lies at {nearest.x:.1f}, {nearest.y:.1f}"
        raise UnusableInput(where, told, "Point at a spot of the map.")
    return index
