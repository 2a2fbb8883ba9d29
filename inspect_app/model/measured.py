"""What a check found: results, traces, features and outlines, as one value."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from inspect_app.quantity import Contribution, Quantity

ConditionValue = str | int | float | tuple[int, ...]
Condition = Mapping[str, ConditionValue]


@dataclass(frozen=True, slots=True, kw_only=True)
class FileReference:
    """A file that was measured: its name at the bench and the SHA-256 of its bytes, in hexadecimal."""

    name: str
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """One measured quantity under one condition, with the budget of its uncertainty.

    Parameters
    ----------
    quantity_name : str
        A name that the check declares, such as ``mtf50``.
    quantity : Quantity
        The value, its unit, standard uncertainty and degrees of freedom.
    condition : mapping
        What tells this result from its siblings: axis, roi, criterion, zone, illuminance, mode.
    budget : tuple of Contribution
        The lines that combine to the standard uncertainty; empty where the quantity is an exact count.
    """

    quantity_name: str
    quantity: Quantity
    condition: Condition = field(default_factory=dict)
    budget: tuple[Contribution, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """A curve that belongs to a measurement: y over x, each with its unit, of equal length."""

    name: str
    x: tuple[float, ...]
    x_unit: str
    y: tuple[float, ...]
    y_unit: str
    condition: Condition = field(default_factory=dict)

    def __post_init__(self) -> None:
        if len(self.x) != len(self.y):
            raise ValueError(f"trace {self.name}: {len(self.x)} x values, {len(self.y)} y values")


@dataclass(frozen=True, slots=True, kw_only=True)
class Feature:
    """Something found in a picture, such as a spot.

    Parameters
    ----------
    x, y : float
        Centre in pixels; the centre of the first pixel is (0, 0).
    diameter_px : float
        Diameter of the circle that a round spot fills; each check says where it takes a soft border to be.
    diameter_mm : float or None
        The same at the tube face, where the scale is known.
    contrast : float
        Depth relative to the surround, 1 is all of it; signed positive for both polarities.
    polarity : str
        ``dark`` or ``bright``.
    zone : int or None
        1 is the centre; None outside all zones, or without zones.
    kind : str
        ``spot``, ``hot`` or ``dead``.
    diameter_uncertainty_mm : float or None
        Standard uncertainty of `diameter_mm`.
    diameter_uncertainty_px, contrast_uncertainty : float or None
        Those of `diameter_px` (without that of the scale) and `contrast`; None where a person read them.
    is_peppering : bool
        True of a mark too small for the size classes that were counted.
    """

    x: float
    y: float
    diameter_px: float
    contrast: float
    polarity: str
    diameter_mm: float | None = None
    zone: int | None = None
    kind: str = "spot"
    diameter_uncertainty_mm: float | None = None
    diameter_uncertainty_px: float | None = None
    contrast_uncertainty: float | None = None
    is_peppering: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """A region that a check found or used, to be drawn over the picture: all in pixels.

    `shape` is ``rectangle`` (x, y is its upper left corner) or ``circle`` (x, y is its centre, both sizes are its
    diameter).
    """

    label: str
    shape: str
    x: float
    y: float
    width_px: float
    height_px: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """All that one run of one check found; the command's JSON is this, and nothing else."""

    check: str
    method: str
    results: tuple[Result, ...]
    files: tuple[FileReference, ...] = ()
    traces: tuple[Trace, ...] = ()
    features: tuple[Feature, ...] = ()
    outlines: tuple[Outline, ...] = ()
    warnings: tuple[str, ...] = ()
