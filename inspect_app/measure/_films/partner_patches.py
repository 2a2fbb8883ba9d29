"""Which of the patches of a film that switch are the light and its picture."""

from typing import Final

import numpy as np

from inspect_app.measure._films.light import Box
from inspect_app.measure._films.region_traces import Cells, widened
from inspect_app.numerics.changes.switching import Patch, parts

_TOGETHER: Final = 1.5  # frames within which patches are of one moment: a scanned display, tiles of a coder
_MEANWHILE: Final = 0.05  # of its strength, for a partner that switches at the same moment,
_BORDER: Final = 0.5  # of its switches that a border of a place has together with it
_UNLIKE: Final = 0.02  # and for one that switches more often or less
_MISSED: Final = 0.25  # of the switches
_CHANCE: Final = 1e-3  # of the strength of the strongest, below which a partner is rather a part of that,
_PART: Final = 0.01  # which has so much of its energy; no chance has
_SURE: Final = 5.0  # the clearness of a small partner that is none by chance: noise has 1 to 4, lamps have 9 and more
_SWAYING: Final = 0.1  # of the strongest one's energy, and the clearness, below which sway makes a partner
_SWAYS: Final = 8.5  # up to 7.5 in films of a lamp alone; lamps beside a screen have 9 and more
_FEW: Final = 2  # switches, with which sway may keep time by chance
_PARTED: Final = 0.3  # frames, by which two parts differ: less is noise within one
_OWN_MOMENT: Final = 3.0  # frames from every switch of light and picture, from which on a patch goes its own way
_CROWD: Final = 0.1  # of the weaker one's strength: what goes its own way is nowhere near as strong


def pick_patches(
    patches: list[Patch], cells: Cells, stimulus_roi: Box | None, response_roi: Box | None
) -> tuple[Patch | None, Patch | None] | None:
    """Return light and picture: the strongest place that switches and its likeliest partner, the earlier one first.

    A region that is given has no patch; without two that may be light and picture there is no answer.
    """
    places = _places(patches)
    if stimulus_roi is not None or response_roi is not None:
        if not places:
            return None
        strongest = _strongest(places[0])
        return (None, strongest) if stimulus_roi is not None else (strongest, None)
    if not places:
        return None
    partner = max(places[1:], key=lambda place: _likelihood(place, places[0]), default=None)
    is_weak = partner is None or _likelihood(partner, places[0]) < _CHANCE * _strength(places[0])
    touching = _touching(places[0], cells) if is_weak else None
    if touching is not None:
        return _in_order(*touching)
    if partner is None or _may_sway(_strongest(partner), places[0]):
        return None
    if is_weak and _is_chance(_strongest(partner), places[0]):
        return None
    return _in_order(_strongest(places[0]), _strongest(partner))


def is_crowded(found: tuple[Patch | None, Patch | None], patches: list[Patch]) -> bool:
    """Say whether another patch is about as strong as light or picture, and begins to switch with neither.

    Notes
    -----
    Noise that was coded, a view that pans, a thing that wanders through it: each switches in dozens of places, at a
    moment of its own in each, and two of them pass for light and picture. In 175 films of a light and its picture a
    third place that switches with neither had 0.007 of the weaker one's strength at most, in those without device that
    were given a number otherwise 0.31 at least. What lost: to look on in coarser cells, where one of 8 lamps
    alone was given a number that it had not before.
    """
    light, picture = found
    if light is None or picture is None:
        return False
    moments = np.concatenate([light.crossings, picture.crossings])
    least = _CROWD * min(_strength([light]), _strength([picture]))
    others = [patch for patch in patches if _strength([patch]) > least]
    return any(float(np.abs(moments - patch.first).min()) > _OWN_MOMENT for patch in others)


def _touching(place: list[Patch], cells: Cells) -> tuple[Patch, Patch] | None:
    """Return the two patches of which a place is made, a light and its picture beside it; None where it is one."""
    strongest = _strongest(place)
    found = sorted([*place, *parts(cells.means, strongest)], key=lambda patch: patch.energy)
    found = [patch for patch in found if patch is not strongest and patch.energy > _PART * strongest.energy]
    if len(found) < 2 or abs(found[-1].first - found[-2].first) < _PARTED:
        return None
    return found[-2], found[-1]


def _in_order(one: Patch, other: Patch) -> tuple[Patch, Patch]:
    """Return light and picture: the light switches first, over all switches where each has its partner."""
    if len(one.crossings) == len(other.crossings):
        is_later = float(np.mean(np.subtract(one.crossings, other.crossings))) > 0
    else:
        is_later = one.first > other.first
    return (other, one) if is_later else (one, other)


def _places(patches: list[Patch]) -> list[list[Patch]]:
    """Group patches that touch and switch at about the same time; the strongest group first."""
    groups: list[list[Patch]] = []
    for patch in patches:
        near, joined, apart = widened(patch.mask), [patch], []
        for group in groups:
            touches = any(abs(patch.first - each.first) <= _TOGETHER and (each.mask & near).any() for each in group)
            if touches:
                joined += group
            else:
                apart.append(group)
        groups = [*apart, joined]
    return sorted(groups, key=_strength, reverse=True)


def _likelihood(place: list[Patch], strongest: list[Patch]) -> float:
    """Return the strength of a place as the partner of the strongest one: one that switches as often, but not with it.

    What switches at the same moment is rather a reflection, or stray light; what switches more often, an edge that
    trembles; what lies beside it and switches with it every other time, a border of it that moves.
    """
    own, other = _strongest(place), _strongest(strongest)
    is_with_it = abs(own.first - other.first) <= _TOGETHER or _is_border(own, strongest, other)
    is_alike = abs(len(own.crossings) - len(other.crossings)) <= max(1, _MISSED * len(other.crossings))
    return _strength(place) * (_MEANWHILE if is_with_it else 1.0) * (1.0 if is_alike else _UNLIKE)


def _is_chance(patch: Patch, place: list[Patch]) -> bool:
    """Say whether a weak partner of a place is noise, or the rim of it, which a coder lets follow late."""
    is_small = patch.energy < _PART * _strongest(place).energy
    return is_small and (patch.clearness < _SURE or _touches(patch, place))


def _may_sway(patch: Patch, place: list[Patch]) -> bool:
    """Say whether a partner is as faint as what sway makes of a still edge, where few switches tell them apart."""
    strongest = _strongest(place)
    is_faint = patch.energy < _SWAYING * strongest.energy and patch.clearness < _SWAYS
    return is_faint and len(strongest.crossings) <= _FEW


def _touches(patch: Patch, place: list[Patch]) -> bool:
    near = widened(patch.mask)
    return any((near & each.mask).any() for each in place)


def _is_border(patch: Patch, place: list[Patch], whole: Patch) -> bool:
    """Say whether a patch touches a place and passes its middle together with it, half of the times or more."""
    if not _touches(patch, place):
        return False
    apart = np.abs(np.subtract.outer(patch.crossings, whole.crossings)).min(axis=1)
    return float(np.mean(apart <= _TOGETHER)) >= _BORDER


def _strength(moment: list[Patch]) -> float:
    return sum(patch.energy * patch.clearness for patch in moment)


def _strongest(moment: list[Patch]) -> Patch:
    return max(moment, key=lambda patch: patch.energy * patch.clearness)
