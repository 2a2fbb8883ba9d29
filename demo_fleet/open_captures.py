"""Real captures that ship inside open packages, measured beside the invented fleet, for orientation.

Where a package is absent its line says so; nothing else depends on them.
"""

from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

import numpy as np
import tifffile

from inspect_app import measure
from inspect_app.errors import InspectError
from inspect_app.model import Measured
from inspect_app.quantity import format_quantity

SHOWN: Final = ("dark_spots", "bright_spots", "hot_pixels", "dead_pixels", "shading")


def measure_open_captures() -> Iterator[str]:
    """Measure each real capture and tell the result in one line."""
    yield "Real captures from open packages (not part of the fleet; stars and vessels are no blemishes):"
    with TemporaryDirectory() as folder:
        for name, find in (("retina.jpg, scikit-image", _round_field), ("a8280271.fits, ccdproc", _real_sensor)):
            try:
                measured = measure.measure("blemish", {"scene": [find(Path(folder))]}, {})
            except (ImportError, FileNotFoundError):
                yield f"  {name}: the package is not installed"
            except InspectError as error:
                yield f"  {name}: {error}"
            else:
                yield f"  {name}: {_told(measured)}"


def _round_field(_: Path) -> Path:
    """Return a photograph with a round field on black (licence in the package's data/README.txt)."""
    return Path(str(files("skimage") / "data" / "retina.jpg"))


def _real_sensor(folder: Path) -> Path:
    """Return a real frame of a cooled sensor, 150 s exposed (BSD-3), rewritten from FITS as a 16-bit TIFF."""
    from astropy.io import fits  # noqa: PLC0415 (only where the package that ships the frame is installed)

    source = Path(str(files("ccdproc") / "tests" / "data" / "a8280271.fits"))
    path = folder / "a8280271.tif"
    tifffile.imwrite(path, np.asarray(fits.getdata(source), dtype=np.uint16))
    return path


def _told(measured: Measured) -> str:
    totals = [result for result in measured.results if not result.condition and result.quantity_name in SHOWN]
    return ", ".join(
        f"{result.quantity_name.replace('_', ' ')} {format_quantity(result.quantity)}" for result in totals
    )
