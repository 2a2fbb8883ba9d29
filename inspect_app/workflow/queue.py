"""The queue of background work: what is to be done, and what is told of it; comfort, and no part of the record."""

import json
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from huey import Huey, RedisHuey, SqliteHuey
from huey.exceptions import ConfigurationError

from inspect_app.errors import UnusableInput
from inspect_app.workflow.workplace import Workplace

_NAME: Final = "inspect-app"


class Queue:
    """The queue of one workplace: tasks by name, each given one key, and what was told under a key."""

    def __init__(self, workplace: Workplace) -> None:
        self._huey = _huey(workplace)
        self._tasks: dict[str, Callable[[Any], object]] = {}

    def register(self, name: str, work: Callable[[Any], None]) -> None:
        """Say what is done for a task of a name."""
        self._tasks[name] = self._huey.task(name=name)(work)

    def put(self, name: str, key: int | str) -> None:
        """Put a registered task at the end of the queue."""
        self._tasks[name](key)

    def carry_out_next(self) -> bool:
        """Carry out the first task of the queue; False where there is none."""
        first = self._huey.dequeue()
        if first is not None:
            self._huey.execute(first)
        return first is not None

    def tell(self, key: str, values: Mapping[str, Any] | Sequence[str]) -> None:
        """Keep what is told under a key, in the place of what was told before."""
        self._huey.put(key, json.dumps(values))

    def told(self, key: str) -> Any:
        """Return what was last told under a key; None where nothing was."""
        text = self._huey.get(key, peek=True)
        return None if text is None else json.loads(text)

    def wish(self, key: str, *, to_cancel: bool) -> None:
        """Keep the wish apart from what the worker tells, so that neither overwrites the other."""
        self._huey.put(f"cancel-{key}", to_cancel)

    def is_to_be_cancelled(self, key: str) -> bool:
        """Say whether somebody wishes that the work under a key stop."""
        return bool(self._huey.get(f"cancel-{key}", peek=True))


def _huey(workplace: Workplace) -> Huey:
    url = workplace.settings.queue_url
    if url:
        try:
            return RedisHuey(_NAME, url=url, blocking=False)
        except ConfigurationError as error:
            raise UnusableInput(
                "queue of background work", "Redis is set, and its Python client is missing", "Run pip install redis."
            ) from error
    return SqliteHuey(_NAME, filename=str(workplace.settings.instance / "queue.db"))
