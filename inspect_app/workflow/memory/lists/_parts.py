"""What the declarations of lists share."""

import json
from collections.abc import Callable, Iterable, Iterator
from typing import Any, TypeVar

from inspect_app.model import Condition
from inspect_app.storage.listing import Span

T = TypeVar("T")


def part_of(rows: Iterable[T], span: Span, key_of: Callable[[T], Any]) -> Iterator[T]:
    """Yield the part of a short list that lies behind a key, so many rows at most, in the order of the keys."""
    keyed = sorted(((key_of(one), one) for one in rows), key=lambda pair: pair[0])
    behind = [one for key, one in keyed if span.after is None or key > span.after]
    yield from behind[: span.count]


def joined(texts: Iterable[str]) -> str:
    """Return several texts in one cell."""
    return "; ".join(texts)


def condition_text(condition: Condition) -> str:
    """Return a condition as text that can be read back."""
    return json.dumps(dict(condition), ensure_ascii=False, sort_keys=True) if condition else ""
