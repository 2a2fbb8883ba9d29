"""The warnings that a step can show: one wording for each danger, in one table."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

# Dangers after: Harding and Harding 2005 (flashing light), IEC 62471 and IEC 60825-1 (infrared sources), UN 38.3 and
# IEC 62133-2 (lithium cells), IEC 61340-5-1 (static), from memory. The wording is the project's own. Figures are left
# to the local codes, which bind and differ.
CAUTIONS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "dark room": (
            "Dark room: clear the floor and mark the edges before the lights go out, keep a red lamp at hand and "
            "a second person within call. Give the eyes 20 to 30 minutes before reading by eye."
        ),
        "strobe": (
            "Flashing light: it can bring on a seizure, also at a high frequency when it is seen through the "
            "device, whose frame rate turns it into slow flicker. Ask about photosensitivity first, screen the "
            "bench, and put a camera instead of an eye to the eyepiece."
        ),
        "infrared": (
            "Infrared source: it is invisible and the eye does not turn away from it. Do not look into it, also "
            "not through the device; switch it off before mounting or aiming. Keep to its class label and to the "
            "local rules for lamps and lasers."
        ),
        "lithium": (
            "Lithium cells: right way round, never mixed, never shorted, crushed or opened; never charge primary "
            "cells. Stop at once if a cell swells, smells or grows too hot to touch. Store, ship and dispose of "
            "them by the local rules."
        ),
        "high voltage": (
            "High voltage: an image tube runs at several thousand volts and holds its charge after it is switched "
            "off. Do not open the device. Work on an open one belongs to licensed service staff."
        ),
        "bright light": (
            "Bright light harms a running image tube: keep the cap on until the room is dark, and never aim at a "
            "lamp. Wait a minute after any bright flash before reading."
        ),
        "broken tube": (
            "A broken tube is evacuated glass with phosphor dust: do not touch or breathe it, close off the "
            "place, and have it cleared by the local rules for hazardous waste."
        ),
        "static": (
            "Static: wear the wrist strap while covers are off or contacts are touched, by the local handling rules."
        ),
        "optics": (
            "Optics: blow dust off first, then lint-free tissue; no solvent on coatings unless the maker allows it."
        ),
        "restricted data": (
            "Data of image tubes may be controlled for export: enter them here only, share nothing outside, and "
            "ask the person in charge of trade compliance when in doubt."
        ),
    }
)

HARMLESS: Final = frozenset({"optics", "restricted data"})
"""Cautions that guard things and rules, not people; all others must be read before the work begins."""
