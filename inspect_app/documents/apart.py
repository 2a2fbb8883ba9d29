"""Runs what starts an event loop of its own in a thread where none runs: pyHanko is asynchronous inside."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

T = TypeVar("T")


def apart(act: Callable[[], T]) -> T:
    """Return what an act returns, or raise what it raises."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(act).result()
