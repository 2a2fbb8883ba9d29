"""What a person must know of the edges of a picture, one sentence each."""

from collections.abc import Iterator
from typing import Final

from inspect_app.measure._edges.regions import MeasuredEdge, MeasuredEdges
from inspect_app.numerics.edges.clipped_noise import MOST_CLIPPED

NYQUIST_CY_PX: Final = 0.5  # by the sampling theorem
LEAST_CONTRAST: Final = 1.5  # bright over dark; ISO 12233 charts have 4 (from memory)
MANY_CLIPPED: Final = 0.002  # of the bright side's pixels
MANY_BLACK: Final = 0.05  # of the dark side's pixels
RESTLESS: Final = 2.0  # variance of the residuals over that of single pixels


def edge_warnings(measured: MeasuredEdges) -> Iterator[str]:
    """Yield what a person must know of the edges, one sentence each."""
    if measured.passed_over:
        yield (
            f"{len(measured.edges) + measured.passed_over} edges were found, and only the {len(measured.edges)} "
            "longest measured; give the region of any other."
        )
    for edge in measured.edges:
        region = edge.region
        where = f"Region {region.x},{region.y},{region.width},{region.height}: "
        yield from (where + warning for warning in _of_one(edge))


def _of_one(edge: MeasuredEdge) -> Iterator[str]:
    length = edge.region.height if edge.region.is_near_vertical else edge.region.width
    if edge.rows_used != (0, length):
        first, stop = edge.rows_used
        yield (
            f"only {stop - first} of {length} px along it were measured, from {first} to {stop - 1}: "
            "the edge ends within it or leaves it, or light clips the rest."
        )
    if edge.clipped_share > MANY_CLIPPED:
        yield (
            f"{edge.clipped_share:.1%} of the bright side is clipped, "
            "which was taken into account as well as can be; expose less."
        )
    if MANY_BLACK < edge.black_share < MOST_CLIPPED:
        yield (
            f"{edge.black_share:.0%} of the dark side is clipped at black, "
            "which was taken into account as well as can be; raise the camera's black level."
        )
    contrast = edge.surface.bright[0] / max(edge.surface.dark[0], 1e-9)
    if contrast < LEAST_CONTRAST:
        yield f"the contrast is only {contrast:.2f} to 1; use a chart of 4 to 1 or more."
    if edge.response.inflation > RESTLESS:
        yield (
            "the edge departs from any simple blur, or its noise is smeared over neighbours "
            f"({edge.response.inflation:.1f} times the variance expected); the uncertainty allows for it."
        )
    for name, crossing in edge.crossings.items():
        if crossing.frequency_cy_px > NYQUIST_CY_PX:
            yield f"{name} lies above the Nyquist frequency of 0.5 cy/px: detail that fine is sampled falsely."
