"""The supplier's data sheet of an image-intensifier tube: what was stated, in our units, and the figure of merit."""

from typing import Annotated, Final

import pydantic
from pydantic import Field

from inspect_app.capture import Capture
from inspect_app.errors import UnusableInput
from inspect_app.measure._options import CheckOptions, Unit
from inspect_app.measure._registry import check
from inspect_app.model import Measured, Result
from inspect_app.quantity import Contribution, quantity_from_budget

METHOD: Final = "Supplier's tube data; figure of merit = signal-to-noise ratio x resolution in lp/mm"
NO_DOUBT_STATED: Final = "The supplier states no uncertainty for {}: taken as exact."


class TubeDataOptions(CheckOptions):
    """The figures of the data sheet; at least one."""

    gain: Annotated[
        float | None, Field(gt=0, le=1e6, description="Luminance gain, also with fL/fc after it"), Unit("cd/m²/lx")
    ] = None
    ebi: Annotated[float | None, Field(gt=0, le=1e4, description="Equivalent background illumination"), Unit("µlx")] = (
        None
    )
    snr: Annotated[float | None, Field(gt=0, le=1000, description="Signal-to-noise ratio"), Unit("1")] = None
    halo_mm: Annotated[float | None, Field(gt=0, le=20, description="Diameter of the halo"), Unit("mm")] = None
    resolution_lp_mm: Annotated[
        float | None, Field(gt=0, le=1000, description="Limiting resolution in the centre"), Unit("lp/mm")
    ] = None
    gain_uncertainty_percent: Annotated[
        float | None, Field(ge=0, le=50, description="Standard uncertainty of the gain"), Unit("%")
    ] = None
    ebi_uncertainty_percent: Annotated[
        float | None, Field(ge=0, le=50, description="Standard uncertainty of the background"), Unit("%")
    ] = None
    snr_uncertainty_percent: Annotated[
        float | None, Field(ge=0, le=50, description="Standard uncertainty of the signal-to-noise ratio"), Unit("%")
    ] = None
    halo_uncertainty_percent: Annotated[
        float | None, Field(ge=0, le=50, description="Standard uncertainty of the halo"), Unit("%")
    ] = None
    resolution_uncertainty_percent: Annotated[
        float | None, Field(ge=0, le=50, description="Standard uncertainty of the resolution"), Unit("%")
    ] = None

    @pydantic.model_validator(mode="after")
    def _states_something(self) -> "TubeDataOptions":
        if all(figure is None for figure in (self.gain, self.ebi, self.snr, self.halo_mm, self.resolution_lp_mm)):
            raise ValueError("no figure of the data sheet was given; give gain, ebi, snr, halo-mm or resolution-lp-mm")
        return self


@check(
    "tube-data",
    title="Supplier's tube data",
    method=METHOD,
    quantities={
        "gain": "cd/m²/lx",
        "ebi": "µlx",
        "snr": "1",
        "halo": "mm",
        "resolution": "lp/mm",
        "figure_of_merit": "1",
    },
    options=TubeDataOptions,
)
def tube_data(captures: tuple[Capture, ...], options: TubeDataOptions) -> Measured:
    """Put a supplier's figures into one system of units and compute the figure of merit.

    Parameters
    ----------
    captures : tuple
        Empty: the figures are typed from the data sheet.
    options : TubeDataOptions
        The figures, and their relative standard uncertainties where the supplier states them.

    Returns
    -------
    Measured
        Each figure that was given, and ``figure_of_merit`` where both signal-to-noise ratio and resolution were. The
        uncertainties are those that the supplier states; a figure without one is taken as exact, which is warned of.

    Raises
    ------
    UnusableInput
        Files were given.

    Notes
    -----
    Figure of merit = SNR x R / (1 lp/mm): the number of line pairs per millimetre times a ratio, so its unit is 1. Its
    relative standard uncertainty is the root sum of squares of the two relative ones, as for any product of
    independent quantities (GUM 5.1.6). A gain of 1 fL/fc is 1/pi cd/m²/lx, and 1e-11 lm/cm² of background is 0.1 µlx.
    The signal-to-noise ratio is stated at 1.08e-4 lx (from memory); at another level it is another quantity.

    Assumes that the supplier measured ratio and resolution independently of one another, at the levels that the data
    sheet names. Breaks down where the sheet is of another tube or another level, which no figure in it can show.

    References
    ----------
    JCGM 100:2008 (GUM), 5.1.6, equation 12 (from memory).
    """
    if captures:
        raise UnusableInput(captures[0].name, "this check reads a data sheet and takes no file", "Leave the file out.")
    given = (
        ("gain", options.gain, "cd/m²/lx", options.gain_uncertainty_percent),
        ("ebi", options.ebi, "µlx", options.ebi_uncertainty_percent),
        ("snr", options.snr, "1", options.snr_uncertainty_percent),
        ("halo", options.halo_mm, "mm", options.halo_uncertainty_percent),
        ("resolution", options.resolution_lp_mm, "lp/mm", options.resolution_uncertainty_percent),
    )
    stated = [
        _result(name, value, unit, {name: percent or 0.0}) for name, value, unit, percent in given if value is not None
    ]
    exact = [name for name, value, _, percent in given if value is not None and percent is None]
    return Measured(
        check="tube-data",
        method=METHOD,
        results=(*stated, *_figure_of_merit(options)),
        warnings=(NO_DOUBT_STATED.format(", ".join(exact)),) if exact else (),
    )


def _figure_of_merit(options: TubeDataOptions) -> list[Result]:
    if options.snr is None or options.resolution_lp_mm is None:
        return []
    doubts = {
        "snr": options.snr_uncertainty_percent or 0.0,
        "resolution": options.resolution_uncertainty_percent or 0.0,
    }
    return [_result("figure_of_merit", options.snr * options.resolution_lp_mm, "1", doubts)]


def _result(name: str, value: float, unit: str, doubt_percent: dict[str, float]) -> Result:
    budget = tuple(
        Contribution(source=f"supplier's {source}", distribution="normal", standard_uncertainty=value * percent / 100)
        for source, percent in doubt_percent.items()
        if percent > 0
    )
    return Result(quantity_name=name, quantity=quantity_from_budget(value, unit, budget), budget=budget)
