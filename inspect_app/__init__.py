"""Acceptance inspection of delivered low-light imaging equipment."""

import os

__version__ = "0.1.0"

# Before NumPy loads: the matrices here are small, and threads for them only wait for one another (twice the processor
# time of a slanted edge on two cores, and three times its duration where others work there too).
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
