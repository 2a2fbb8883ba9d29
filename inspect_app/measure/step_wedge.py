"""Dynamic range from a step wedge: from where the mean response clips down to where the SNR falls to a criterion."""

import math
from collections.abc import Sequence
from typing import Annotated, Any, Final, Literal

import numpy as np
from pydantic import BeforeValidator, Field

from inspect_app.capture import Capture, FloatArray, Still
from inspect_app.errors import NothingToMeasure, UnusableInput
from inspect_app.measure._options import PictureOptions, Region, Repeated, Unit
from inspect_app.measure._registry import Needs, check
from inspect_app.measure._wedges.counts import counted_results
from inspect_app.measure._wedges.readings import own_light, read_steps
from inspect_app.measure._wedges.results import RangeResults, range_results
from inspect_app.model import Measured, Outline
from inspect_app.numerics.wedges.step_reading import StepReading
from inspect_app.numerics.wedges.strip import CORE
from inspect_app.numerics.wedges.wedge_place import IndexArray, WedgePlace, place_wedge, step_masks
from inspect_app.numerics.wedges.wedge_response import WedgeResponse, fit_response
from inspect_app.quantity import Contribution

METHOD = "ISO 15739:2023 dynamic range: clipping over the signal whose incremental SNR is the criterion"
CRITERIA: Final = (1, 2, 10)
FEWEST_PIXELS = 24  # of the core of a step of 12 by 12 pixels, and room
JPEG_U_STOP = 0.08  # own bench: root mean square error of 16 wedges at quality 92
CROOKED_REFUSED_STOP = 0.6  # own trials: true wedges stay below 0.2, other scenes above 0.8
LEAST_CROOKED_STOP = 0.25  # a step that was taken twice departs by the step ratio, which may be small
STOPS_OF_DENSITY = math.log2(10)


def _as_text(given: Any) -> Any:
    return f"{given:g}" if isinstance(given, int | float) else given


class StepWedgeOptions(PictureOptions):
    """Options of the step wedge."""

    steps: Annotated[int | None, Field(ge=3, le=200, description="Number of steps of the wedge")] = None
    stops_per_step: Annotated[
        float | None, Field(gt=0, le=4, description="Exposure ratio of neighbouring steps"), Unit("stop")
    ] = None
    density_per_step: Annotated[
        float | None, Field(gt=0, le=1.2, description="Density difference of neighbouring steps"), Unit("1")
    ] = None
    roi: Annotated[Region | None, Field(description="Strip of steps, X,Y,W,H in pixels")] = None
    criterion: Annotated[
        Literal["1", "2", "10"] | None, BeforeValidator(_as_text), Field(description="SNR that counts as seen")
    ] = None
    step_u_stop: Annotated[
        float, Field(ge=0, le=1, description="Standard uncertainty of the wedge over its range"), Unit("stop")
    ] = 0.0
    steps_counted: Annotated[
        tuple[Annotated[int, Field(ge=1, le=200)], ...],
        Field(description="Steps told apart by eye, one per reader"),
        Repeated(),
    ] = ()

    @property
    def ratio_stop(self) -> float:
        """Exposure ratio of neighbouring steps; one stop where nothing is said."""
        if self.density_per_step is not None:
            return self.density_per_step * STOPS_OF_DENSITY
        return 1.0 if self.stops_per_step is None else self.stops_per_step


@check(
    "step-wedge",
    title="Dynamic range on a step wedge",
    method=METHOD,
    quantities={"dynamic_range": "stop", "steps_discerned": "1"},
    options=StepWedgeOptions,
    needs={"scene": Needs(kinds=("still",), at_least=0, at_most=None)},
)
def step_wedge(captures: tuple[Capture, ...], options: StepWedgeOptions) -> Measured:
    """Measure the dynamic range on a wedge of steps of equal exposure ratio.

    Parameters
    ----------
    captures : tuple of Still
        One frame or several of the same scene; several give the temporal noise alone. None with counted steps.
    options : StepWedgeOptions

    Returns
    -------
    Measured
        ``dynamic_range`` for each criterion (condition ``snr_criterion``), ``steps_discerned``, and the SNR of every
        step as a trace over the stops below the brightest.

    Raises
    ------
    UnusableInput
        Both files and counts or neither, frames of different size, a region outside of the picture.
    NothingToMeasure
        No strip, fewer than three steps, or no step below clipping.

    Notes
    -----
    The strip is found by `inspect_app.numerics.wedges.wedge_place.place_wedge`. Steps that are lighter or noisier than
    brighter ones are lit by something else, and left out. The means of the others give a linear response, offset and
    gain, over their nominal exposures; the offset holds black level and flare and is no signal. The variances of all
    steps give the noise ``floor + slope * signal``. The range is the base-2 logarithm of the signal at which the mean
    clips over the signal whose ratio to its noise is the criterion. Where no step is clipped, or none is faint enough,
    the range is read on by up to a stop: to the highest code, with a doubt that reaches back to the brightest step, and
    along the fitted noise. Beyond that it is at least the one given.

    Assumes a linear response after the transfer, even light, steps that keep their ratio to about 1 %, noise as
    ``floor + slope * signal``, independent between pixels and frames. It breaks down where dark noise is finer than
    half a code (told, with u of 0.1 or 0.5 stop) and where pictures were denoised or compressed: JPEG of quality 92
    moves the range by up to 0.2 stop, since it takes noise away and adds its own.

    More noise makes the doubt of the faintest signal greater, never smaller. In stops, which are relative to that
    signal, it may shrink, and the errors with it (at twice the dark noise u to 0.84, errors to 0.8 of themselves, held
    in 94 of 100; 48 wedges, own draw): the signal moves up to where more steps show its noise. No other line shrinks.

    What lost (own trials): interpolating the SNR of single steps scatters about three times as much; counting steps
    reads half a stop low on the average; taking a step whose noise touches the clipping level as it stands reads up to
    0.34 stop high at an SNR of 10.

    References
    ----------
    ISO 15739:2023, 6.4 (from memory); CIE electronic vocabulary, term 17-29-012, for the definition.
    """
    stills = [taken for taken in captures if isinstance(taken, Still)]
    if options.steps_counted:
        if stills:
            raise UnusableInput(
                "step-wedge", "both files and counted steps were given", "Give the files or the counts."
            )
        return _counted(options)
    if not stills:
        raise UnusableInput("step-wedge", "no capture was given", "Give frames of the wedge, or --steps-counted.")
    _prove_frames(stills, options)
    mean_image = np.mean([still.exposure for still in stills], axis=0)
    place = _place(stills[0].name, mean_image, options)
    masks = _large_enough(stills[0].name, step_masks(place, mean_image.shape))
    all_readings, ceiling = read_steps(stills, masks, options.ratio_stop)
    readings = own_light(all_readings)
    response = _response(stills, readings, ceiling, options)
    criteria = CRITERIA if options.criterion is None else (int(options.criterion),)
    found = range_results(readings, response, criteria, options.ratio_stop, _other_lines(stills, options))
    return Measured(
        check="step-wedge",
        method=METHOD,
        results=found.results,
        traces=found.traces,
        outlines=_outlines(place, len(masks)),
        warnings=(*_strayed(len(all_readings) - len(readings)), *_warnings(found, options, len(masks), stills)),
    )


def _prove_frames(stills: Sequence[Still], options: StepWedgeOptions) -> None:
    rows, cols = stills[0].exposure.shape
    for still in stills[1:]:
        if still.exposure.shape != (rows, cols):
            size = f"{still.exposure.shape[1]} × {still.exposure.shape[0]}"
            first = f"{cols} × {rows} of {stills[0].name}"
            raise UnusableInput(still.name, f"its size {size} differs from {first}", "Give frames of one scene.")
    if options.roi is not None:
        x, y, width, height = options.roi
        if x + width > cols or y + height > rows:
            raise UnusableInput(
                "option --roi", f"it reaches beyond the picture of {cols} × {rows} pixels", "Give a strip inside of it."
            )
    if options.stops_per_step is not None and options.density_per_step is not None:
        raise UnusableInput("step-wedge", "--stops-per-step and --density-per-step were given", "Give one of them.")


def _place(name: str, image: FloatArray, options: StepWedgeOptions) -> WedgePlace:
    place = place_wedge(image, steps=options.steps, stops_per_step=options.ratio_stop, region=options.roi)
    if place is None:
        raise NothingToMeasure(
            name,
            f"a bright strip of steps that darken by {options.ratio_stop:.2f} stop each was looked for, none was seen",
            "Show the whole wedge bright on dark, give its step ratio and --transfer, or name its place with --roi.",
        )
    return place


def _large_enough(name: str, masks: tuple[IndexArray, ...]) -> tuple[IndexArray, ...]:
    """Leave out steps at the end that reach beyond the picture."""
    usual = float(np.median([len(mask) for mask in masks] or [0]))
    count = next((k for k, mask in enumerate(masks) if len(mask) < max(0.6 * usual, FEWEST_PIXELS)), len(masks))
    if count < 3:
        raise NothingToMeasure(
            name,
            f"three steps of at least {FEWEST_PIXELS} pixels were looked for, and {count} were seen",
            "Move closer, so that each step is at least 12 pixels wide and high.",
        )
    return masks[:count]


def _response(
    stills: Sequence[Still], readings: Sequence[StepReading], ceiling: float | None, options: StepWedgeOptions
) -> WedgeResponse:
    name, ratio_stop = stills[0].name, options.ratio_stop
    full_scale = None if options.transfer.startswith("table:") else 1.0
    response = fit_response(readings, clip_level=ceiling, has_pattern=len(stills) == 1, full_scale=full_scale)
    if response is None:
        raise NothingToMeasure(
            name,
            "steps that grow darker were looked for, and nearly all of them are saturated or alike",
            "Take the wedge with less light.",
        )
    twice_taken = max(LEAST_CROOKED_STOP, 0.8 * ratio_stop)
    if response.nonlinearity_stop > min(CROOKED_REFUSED_STOP, twice_taken):
        raise NothingToMeasure(
            name,
            f"steps of {ratio_stop:.2f} stop were looked for, "
            f"and one departs from a linear response by {response.nonlinearity_stop:.1f} stop",
            "Check --transfer and the step ratio, and show the wedge in even light.",
        )
    return response


def _strayed(count: int) -> tuple[str, ...]:
    if count == 0:
        return ()
    return (f"{count} of the darkest steps are lit by something else and left out: mask what surrounds the wedge.",)


def _is_compressed(stills: Sequence[Still]) -> bool:
    return any(still.rounding is not None for still in stills)


def _other_lines(stills: Sequence[Still], options: StepWedgeOptions) -> tuple[Contribution, ...]:
    """Return the doubt that the pixels themselves do not show."""
    wedge = Contribution(source="steps of the wedge", distribution="normal", standard_uncertainty=options.step_u_stop)
    if not _is_compressed(stills):
        return (wedge,)
    return wedge, Contribution(source="JPEG compression", distribution="normal", standard_uncertainty=JPEG_U_STOP)


def _outlines(place: WedgePlace, count: int) -> tuple[Outline, ...]:
    """Return a square around the centre of each step, as high as what is measured."""
    strip = place.strip
    side = CORE * min(2 * strip.half_height_px, place.width_px)
    cos, sin = math.cos(strip.angle), math.sin(strip.angle)
    return tuple(
        Outline(
            label=f"step {k}",
            shape="rectangle",
            x=strip.x + centre_px * cos - side / 2,
            y=strip.y + centre_px * sin - side / 2,
            width_px=side,
            height_px=side,
        )
        for k, centre_px in enumerate(place.centres_px[:count], start=1)
    )


def _warnings(found: RangeResults, options: StepWedgeOptions, seen: int, stills: Sequence[Still]) -> tuple[str, ...]:
    told = list(found.warnings)
    if len(stills) == 1:
        told.append(
            "One frame was given: noise was read over the pixels of each step, fixed pattern taken out by a fit."
        )
    if _is_compressed(stills):
        told.append("JPEG takes noise away and adds its own: take the wedge as PNG or TIFF for a closer range.")
    if options.steps is None:
        told.append(f"The number of steps was not given: {seen} were seen.")
    elif seen < options.steps:
        told.append(f"Only {seen} of {options.steps} steps lie inside the picture.")
    if options.stops_per_step is None and options.density_per_step is None:
        told.append("No step of the wedge was given: one stop per step was taken.")
    return tuple(told)


def _counted(options: StepWedgeOptions) -> Measured:
    return Measured(
        check="step-wedge",
        method="Steps told apart by eye, as an incremental SNR of about 1 (common practice, no source)",
        results=counted_results(
            options.steps_counted,
            ratio_stop=options.ratio_stop,
            step_u_stop=options.step_u_stop,
            criterion=int(options.criterion or 1),
        ),
    )
