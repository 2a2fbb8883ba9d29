"""Run the program with ``python -m inspect_app``."""

import sys

from inspect_app.cli import main

if __name__ == "__main__":
    sys.exit(main())
