"""Send mutated captures through `measure` in one process: ``python -m tests.fuzz --captures 10000 --seed 1``.

Every capture is named by seed and number, so that ``--only NUMBER`` makes it again and keeps it. Whatever breaks the
rules is printed; the exit status says whether anything did.
"""

import argparse
import faulthandler
import sys
from collections import Counter
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.fuzz.trial import make, trial

HUNG_S = 600


def run(captures: range, seed: int) -> int:
    """Try every capture of a range and return how many broke the rules."""
    statuses: Counter[tuple[str, int]] = Counter()
    slowest, largest, wrong = (0.0, -1), (0, -1), 0
    for number in captures:
        with TemporaryDirectory() as folder:
            faulthandler.dump_traceback_later(HUNG_S, exit=True)
            arguments = make(Path(folder), seed, number)
            outcome = trial(arguments)
            faulthandler.cancel_dump_traceback_later()
        statuses[arguments[1], outcome.status] += 1
        slowest = max(slowest, (outcome.seconds, number))
        largest = max(largest, (outcome.peak_bytes, number))
        if outcome.complaint:
            wrong += 1
            print(f"{number}: {' '.join(arguments[1:])}: {outcome.complaint}", flush=True)
    for check in sorted({check for check, _ in statuses}):
        print(f"{check:14}", *(f"exit {status}: {statuses[check, status]:5}" for status in (0, 2, 3)))
    print(f"slowest {slowest[0]:.2f} s (capture {slowest[1]})")
    print(f"largest {largest[0] / 1e6:.0f} MB (capture {largest[1]})")
    print(f"{len(captures)} captures of seed {seed}, {wrong} broke the rules")
    return wrong


def keep(seed: int, number: int) -> None:
    """Make one capture again, in the working folder, and say how to measure it."""
    print("inspect-app", *make(Path.cwd(), seed, number))


if __name__ == "__main__":
    faulthandler.enable()
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--captures", type=int, default=10_000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", type=int)
    given = parser.parse_args()
    if given.only is not None:
        keep(given.seed, given.only)
    else:
        sys.exit(run(range(given.first, given.first + given.captures), given.seed) > 0)
