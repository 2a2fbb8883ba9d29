"""One mutated capture through the command: what it may do, and what it cost."""

import json
import math
import os
import tempfile
import time
import traceback
from collections.abc import Sequence
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from inspect_app.cli import main, program
from tests.fuzz import captures
from tests.fuzz.mutations import mutated

LONGEST_S = 20.0
LARGEST_BYTES = 1_500_000_000

NEEDED = {
    "battery": ["--cutoff-v", "3.2", "--load-ohm", "10"],
    "frame-rate": ["--blink-hz", "3.7"],
    "readout": ["--strobe-hz", "400"],
    "step-wedge": ["--steps", "12", "--stops-per-step", "1"],
}
"""Options that a check cannot do without."""

OPTIONS: dict[str, Sequence[Sequence[str]]] = {
    "battery": (["--cutoff-v", "0.001"], ["--cutoff-v", "1000"], ["--load-ohm", "1e-9"], ["--cutoff-v", "4.1"]),
    "frame-rate": (["--blink-hz", "1e-6"], ["--blink-hz", "1e6"], ["--roi", "0,0,2,2"], ["--transfer", "srgb"]),
    "latency": (["--frame-rate", "240"], ["--stimulus-roi", "10,15,8,8"], ["--response-roi", "0,0,80,48"]),
    "readout": (["--strobe-hz", "1e6"], ["--strobe-hz", "0.001"], ["--rows", "1000000"], ["--transfer", "srgb"]),
    "step-wedge": (["--steps", "200"], ["--steps", "3"], ["--roi", "0,0,40,20"], ["--transfer", "power:2.2"]),
    "slanted-edge": (["--roi", "0,0,30,30"], ["--roi", "5,5,16,16"], ["--transfer", "srgb"], ["--pixel-pitch-um", "3"]),
    "blemish": (["--field-diameter-mm", "18"], ["--transfer", "power:9"], ["--faintest-percent", "90"]),
    "noise": (["--roi", "0,0,1,1"], ["--roi", "2,2,40,40"], ["--transfer", "srgb"]),
    "distortion": (["--transfer", "srgb"], ["--transfer", "power:0.1"]),
}
"""Options that are tried now and then."""

FILM_CHECKS, LOG_CHECKS = ("latency", "frame-rate"), ("battery", "latency")


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What one capture came to: exit status, seconds of processor time, peak memory, and what is wrong, if anything."""

    arguments: Sequence[str]
    status: int
    seconds: float
    peak_bytes: int
    complaint: str


def make(folder: Path, seed: int, number: int, kinds: Sequence[str] = ("picture", "film", "log")) -> list[str]:
    """Write mutated capture `number` of a series into a folder and return the command's arguments for it."""
    random = np.random.default_rng([seed, number])
    makers = {"picture": captures.picture, "film": captures.film, "log": captures.log}
    shares = np.array([{"picture": 0.7, "film": 0.12, "log": 0.18}[kind] for kind in kinds])
    capture = makers[str(random.choice(kinds, p=shares / shares.sum()))](random)
    ending = capture.ending if random.random() < 0.9 else str(random.choice(["png", "csv", "mp4", "tif", "txt", ""]))
    path = folder / f"capture-{number}.{ending}"
    path.write_bytes(mutated(capture.content, capture.ending, random))
    checks = capture.checks if random.random() < 0.9 else sorted(OPTIONS)
    check = str(random.choice(checks))
    files = [str(path)] * (int(random.integers(1, 4)) if check in ("noise", "step-wedge", "blemish") else 1)
    given = list(NEEDED.get(check, ()))
    if random.random() < 0.25:
        given += OPTIONS[check][int(random.integers(len(OPTIONS[check])))]
    return ["measure", check, *files, *given, "--json"]


def trial(arguments: Sequence[str]) -> Outcome:
    """Run the command in this process and judge what it did."""
    _forget_peak()
    start = time.process_time()
    with _outputs() as told:
        status = main(list(arguments))
    seconds, peak_bytes = time.process_time() - start, _peak_bytes()
    complaint = _fault(arguments) if status == 1 else _complaint(status, told[0], told[1])
    if seconds > LONGEST_S:
        complaint = complaint or f"took {seconds:.0f} s"
    if peak_bytes > LARGEST_BYTES:
        complaint = complaint or f"took {peak_bytes / 1e9:.1f} GB"
    return Outcome(arguments=arguments, status=status, seconds=seconds, peak_bytes=peak_bytes, complaint=complaint)


def _fault(arguments: Sequence[str]) -> str:
    """Run the command again without its outermost boundary and say what failed where."""
    try:
        program.main(list(arguments), standalone_mode=False)
    except Exception as error:  # noqa: BLE001 - whatever it is, it is what was looked for
        frames = [frame for frame in traceback.extract_tb(error.__traceback__) if "inspect_app" in frame.filename]
        places = " < ".join(f"{Path(frame.filename).name}:{frame.lineno}" for frame in reversed(frames[-3:]))
        return f"{type(error).__name__}: {error} at {places}"
    return "a fault that a second run does not have"


def _complaint(status: int, out: str, err: str) -> str:
    if status not in (0, 2, 3):
        return f"exit status {status}: {err[:300]}"
    if status != 0:
        is_one_line = err.endswith("\n") and err.count("\n") == 1
        return "" if is_one_line and not out else f"exit status {status}, not one line: {(err + out)[:300]!r}"
    if err:
        return f"measured, but told {err[:300]!r} on stderr"
    try:
        measured = json.loads(out, parse_constant=_refuse_constant)
    except ValueError as error:
        return f"no JSON: {error}"
    wrong = [result for result in measured["results"] if not _is_possible(result)]
    return f"impossible result {wrong[0]}" if wrong else "" if measured["results"] else "measured nothing, told nothing"


def _refuse_constant(name: str) -> float:
    raise ValueError(f"it holds {name}")


def _is_possible(result: dict[str, float]) -> bool:
    return math.isfinite(result["value"]) and 0 <= result["standard_uncertainty"] < math.inf


@contextmanager
def _outputs():
    """Catch what goes to both streams, decoders written in C included; give the texts once it is over."""
    told: list[str] = []
    kept = [os.dup(1), os.dup(2)]
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        os.dup2(out.fileno(), 1)
        os.dup2(err.fileno(), 2)
        try:
            with (
                open(1, "w", closefd=False) as printed,
                open(2, "w", closefd=False) as warned,
                redirect_stdout(printed),
                redirect_stderr(warned),
            ):
                yield told
        finally:
            for number, stream in enumerate(kept, start=1):
                os.dup2(stream, number)
                os.close(stream)
            for stream in (out, err):
                stream.seek(0)
                told.append(stream.read().decode(errors="replace"))


def _forget_peak() -> None:
    """Let Linux count the peak of resident memory anew (proc(5), clear_refs)."""
    Path("/proc/self/clear_refs").write_text("5")


def _peak_bytes() -> int:
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) * 1024 for line in lines if line.startswith("VmHWM"))
