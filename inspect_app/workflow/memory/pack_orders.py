"""Audit packs ordered from a page: written by the worker, told how far they are, and taken away when they are whole."""

import os
import tempfile
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import BinaryIO, Final, cast

from inspect_app.errors import InspectError, NotAllowed, NotFound
from inspect_app.model import Person
from inspect_app.storage import people
from inspect_app.workflow.memory.packs import PackKind, PackMatter, write_pack
from inspect_app.workflow.papers.batches import SILENT_FOR, BatchState
from inspect_app.workflow.queue import Queue
from inspect_app.workflow.workplace import Workplace, reading

_TASK: Final = "write_pack"
_LIST: Final = "packs"
_MOST_LISTED: Final = 50
_TOLD_EVERY: Final = 20  # steps


@dataclass(frozen=True, slots=True, kw_only=True)
class PackOrder:
    """An audit pack that somebody ordered; its file name is its key. A silent one has stopped."""

    matter: PackMatter
    person_id: int
    state: BatchState
    told_at: str
    done: int = 0
    total: int = 0
    size_bytes: int = 0
    problem: str = ""

    @property
    def key(self) -> str:
        """By which it is asked for."""
        return self.matter.file_name

    @property
    def is_under_way(self) -> bool:
        """Whether it waits or is being written."""
        return self.state in (BatchState.WAITING, BatchState.RUNNING)


class _CancelledError(Exception):
    """Somebody wished that the writing stop."""


def order_pack(workplace: Workplace, person: Person, matter: PackMatter) -> PackOrder:
    """Order an audit pack; the newest of a matter takes the place of the one before.

    Raises
    ------
    NotAllowed
        It is under way already.
    """
    orders = PackOrders(workplace, Queue(workplace))
    before = orders.told(matter.file_name)
    if before is not None and before.is_under_way:
        raise NotAllowed(matter.subject, f"its pack is {before.state.value} already", "Wait for it, or cancel it.")
    ordered = PackOrder(
        matter=matter, person_id=person.id, state=BatchState.WAITING, told_at=workplace.clock().isoformat()
    )
    orders.put(ordered)
    return ordered


def pack_orders(workplace: Workplace) -> tuple[PackOrder, ...]:
    """Return the packs that were ordered, the newest first."""
    orders = PackOrders(workplace, Queue(workplace))
    return tuple(found for key in orders.ordered_keys() if (found := orders.told(key)) is not None)


def pack_order(workplace: Workplace, key: str) -> PackOrder:
    """Return one order.

    Raises
    ------
    NotFound
        There is none.
    """
    found = PackOrders(workplace, Queue(workplace)).told(key)
    if found is None:
        raise NotFound(f"pack {key[:80]}", "no such pack was ordered", "Order it.")
    return found


def cancel_pack(workplace: Workplace, key: str) -> None:
    """Stop the writing of a pack."""
    if pack_order(workplace, key).is_under_way:
        Queue(workplace).wish(f"pack-{key}", to_cancel=True)


def pack_path(workplace: Workplace, key: str) -> Path:
    """Return where a written pack is.

    Raises
    ------
    NotFound
        There is none, or it is not written yet.
    """
    found = pack_order(workplace, key)
    path = _folder(workplace) / found.key
    if found.state is not BatchState.FINISHED or not path.is_file():
        raise NotFound(f"pack {key[:80]}", "it is not written", "Order it, and wait for it.")
    return path


class PackOrders:
    """The packs of one workplace in its queue."""

    def __init__(self, workplace: Workplace, queue: Queue, is_stopped: Callable[[], bool] = lambda: False) -> None:
        self._workplace = workplace
        self._queue = queue
        self._is_stopped = is_stopped
        self._queue.register(_TASK, self._write)

    def ordered_keys(self) -> list[str]:
        """Return the keys of all orders, the newest first."""
        return list(self._queue.told(_LIST) or ())

    def put(self, ordered: PackOrder) -> None:
        """Put an order at the end of the queue."""
        others = [key for key in self.ordered_keys() if key != ordered.key]
        self._queue.tell(_LIST, [ordered.key, *others][:_MOST_LISTED])
        self._queue.wish(f"pack-{ordered.key}", to_cancel=False)
        self._tell(ordered)
        self._queue.put(_TASK, ordered.key)

    def go_on(self) -> None:
        """Put again what an earlier worker left behind."""
        for key in self.ordered_keys():
            left = self.told(key)
            if left is not None and left.state in (BatchState.RUNNING, BatchState.STOPPED) and not left.problem:
                self._queue.put(_TASK, key)

    def told(self, key: str) -> PackOrder | None:
        """Return what was last told of an order: a silent one has stopped, an unwanted one is cancelled."""
        values = self._queue.told(f"pack-{key}")
        if values is None:
            return None
        matter = values["matter"] | {"kind": PackKind(values["matter"]["kind"])}
        values |= {"state": BatchState(values["state"]), "matter": PackMatter(**matter)}
        found = PackOrder(**values)
        if found.is_under_way and self._queue.is_to_be_cancelled(f"pack-{key}"):
            return replace(found, state=BatchState.CANCELLED)
        silent = self._workplace.clock() - datetime.fromisoformat(found.told_at)
        has_stopped = found.state is BatchState.RUNNING and silent > SILENT_FOR
        return replace(found, state=BatchState.STOPPED) if has_stopped else found

    def _tell(self, told: PackOrder) -> PackOrder:
        told = replace(told, told_at=self._workplace.clock().isoformat())
        self._queue.tell(f"pack-{told.key}", asdict(told))
        return told

    def _write(self, key: str) -> None:
        ordered = self.told(key)
        if ordered is None or ordered.state is BatchState.CANCELLED:
            return
        running = self._tell(replace(ordered, state=BatchState.RUNNING, done=0))
        try:
            size_bytes = self._write_file(running)
        except _CancelledError:
            if not self._is_stopped():
                self._tell(replace(running, state=BatchState.CANCELLED))
        except (InspectError, OSError) as error:
            self._tell(replace(running, state=BatchState.STOPPED, problem=str(error)))
        else:
            self._tell(replace(running, state=BatchState.FINISHED, size_bytes=size_bytes))

    def _write_file(self, running: PackOrder) -> int:
        folder = _folder(self._workplace)
        folder.mkdir(parents=True, exist_ok=True)
        person = self._person(running.person_id)

        def told(done: int, total: int) -> None:
            if self._is_stopped() or self._queue.is_to_be_cancelled(f"pack-{running.key}"):
                raise _CancelledError
            if done % _TOLD_EVERY == 0 or done == total:
                self._tell(replace(running, done=done, total=total))

        descriptor, temporary = tempfile.mkstemp(dir=folder, suffix=".part")
        try:
            with os.fdopen(descriptor, "wb") as target:
                write_pack(self._workplace, person, running.matter, cast(BinaryIO, target), told)
                size_bytes = target.tell()
            Path(temporary).replace(folder / running.key)
        finally:
            Path(temporary).unlink(missing_ok=True)
        return size_bytes

    def _person(self, person_id: int) -> Person:
        with reading(self._workplace) as session:
            account = people.account(session, person_id=person_id)
        if account is None:
            raise NotFound(f"account {person_id}", "there is no such account", "Order the pack again.")
        return account.person


def _folder(workplace: Workplace) -> Path:
    return workplace.settings.instance / "packs"
