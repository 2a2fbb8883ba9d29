"""Work that makes many short-lived objects, done without looking for cycles among them in between.

Looking for them took a quarter of a batch: a document being laid out is a large net of objects, all of them in use.
"""

import gc
import threading
from collections.abc import Iterator
from contextlib import contextmanager

_lock = threading.Lock()
_paused: list[bool] = []  # what each of those at work found: whether cycles were looked for


@contextmanager
def unhindered() -> Iterator[None]:
    """Look for no cycles until this, and all others who asked for the same meanwhile, are done."""
    with _lock:
        _paused.append(gc.isenabled() if not _paused else _paused[0])
        gc.disable()
    try:
        yield
    finally:
        with _lock:
            was_on = _paused.pop()
            if not _paused and was_on:
                gc.enable()
