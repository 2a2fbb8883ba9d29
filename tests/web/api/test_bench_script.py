"""The script in README does what README says, against a server of its own."""

import os
import re
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

from inspect_app import workflow
from tests.web.api.program import secret_of
from tests.web.workbench import edge_png

README = Path(__file__).parents[3] / "README.md"
MOST_LINES = 20


def script():
    return re.search(r"```python\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)[1]


def test_the_script_of_the_readme_has_at_most_twenty_lines():
    assert len(script().splitlines()) <= MOST_LINES


def test_the_script_of_the_readme_posts_a_capture_and_prints_its_judgement(place, inspection, clock, tmp_path):
    """Truth: as for the capture of `test_writing`, an MTF50 of 0.1226 cy/px against 0.1 at least."""
    capture = tmp_path / "edge 1.png"
    capture.write_bytes(edge_png())
    clock.now = datetime.now(UTC)  # the server has a clock of its own, by which the token must be in force
    secret = secret_of(place, "ina")
    workflow.close_workplace(place)
    serve = [sys.executable, "-m", "inspect_app", "serve", "--port", "0", "--instance", place.settings.instance]
    server = subprocess.Popen(
        serve,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    try:
        address = server.stdout.readline().split()[2].rstrip("/")
        run = subprocess.run(
            [sys.executable, "-c", script(), str(inspection.id), "slanted-edge.1lx", capture],
            env={**os.environ, "INSPECT_URL": address, "INSPECT_TOKEN": secret},
            capture_output=True,
            text=True,
            check=False,
            timeout=120,
        )
    finally:
        server.terminate()  # it stops its own worker, which kill would leave behind
        server.wait(60)
        server.stdout.close()

    assert run.stderr == ""
    clause, finding, value, unit = run.stdout.split()
    assert (clause, finding, unit) == ("4.2", "conforming", "cy/px")
    assert abs(float(value) - 0.1226) < 0.005
