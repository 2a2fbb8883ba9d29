"""One module per check: captures and options become a `Measured`; no check knows a limit.

Every module here without a leading underscore is a check and is imported, so that adding one is adding its file.
"""

import importlib
import pkgutil

from inspect_app.measure._options import (
    CheckOptions,
    bounds_of,
    choices_of,
    flag,
    is_region,
    is_repeated,
    prove_options,
    read_options,
    told_range,
    unit_of,
)
from inspect_app.measure._registry import CHECKS, Check, Needs
from inspect_app.measure._run import measure

for _module in pkgutil.iter_modules(__path__):
    if not _module.name.startswith("_"):
        importlib.import_module(f"{__name__}.{_module.name}")

__all__ = [
    "CHECKS",
    "Check",
    "CheckOptions",
    "Needs",
    "bounds_of",
    "choices_of",
    "flag",
    "is_region",
    "is_repeated",
    "measure",
    "prove_options",
    "read_options",
    "told_range",
    "unit_of",
]
