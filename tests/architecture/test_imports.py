"""Imports run one way, and measuring needs no web server, no database and no printing."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
HEAVY = ("flask", "sqlalchemy", "wtforms", "weasyprint", "alembic", "waitress")


def lint_imports(folder):
    linter = Path(sys.executable).with_name("lint-imports")
    return subprocess.run(
        [linter, "--no-cache"],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(folder)},
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


@pytest.fixture
def copy_of_the_program(tmp_path):
    """Return a folder with the package and its import contracts, free to be spoiled."""
    shutil.copytree(ROOT / "inspect_app", tmp_path / "inspect_app", ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    return tmp_path


def plant(folder, module, line):
    path = folder / module
    path.write_text(path.read_text(encoding="utf-8") + f"\n{line}\n", encoding="utf-8")


def test_the_program_as_it_stands_keeps_its_contracts(copy_of_the_program):
    checked = lint_imports(copy_of_the_program)

    assert checked.returncode == 0, checked.stdout


@pytest.mark.parametrize(
    ("module", "line", "contract"),
    [
        ("inspect_app/numerics/__init__.py", "import inspect_app.workflow", "Imports run one way"),
        (
            "inspect_app/numerics/fields/smooth_field.py",
            "import inspect_app.numerics.spots.texture",
            "What is measured in one way knows nothing of another",
        ),
        ("inspect_app/judge/__init__.py", "import numpy", "Judging never sees a pixel"),
        ("inspect_app/measure/look.py", "import inspect_app.measure.tube_data", "Checks do not import one another"),
        (
            "inspect_app/measure/_logs/clock.py",
            "import inspect_app.measure._films.light",
            "Parts of one check know nothing of another's",
        ),
        ("inspect_app/workflow/__init__.py", "import sqlalchemy", "SQLAlchemy lives in storage"),
        ("inspect_app/measure/noise.py", "import PIL", "Pillow, PyAV and tifffile live in capture"),
    ],
)
def test_a_planted_import_is_caught(copy_of_the_program, module, line, contract):
    plant(copy_of_the_program, module, line)

    checked = lint_imports(copy_of_the_program)

    assert checked.returncode != 0
    assert f"{contract} BROKEN" in " ".join(checked.stdout.split())


@pytest.mark.parametrize("program", ["import inspect_app.measure", "import inspect_app.cli.measure_command"])
def test_measuring_loads_no_server_no_database_and_no_printing(program):
    asked = f"{program}; import sys; print(*[name for name in {HEAVY} if name in sys.modules])"

    ran = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True, timeout=60)

    assert ran.stdout.split() == []


def test_importing_the_package_alone_imports_nothing_of_it():
    asked = "import inspect_app, sys; print(*[name for name in sys.modules if name.startswith('inspect_app.')])"

    ran = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True, timeout=60)

    assert ran.stdout.split() == []
