"""Batches: the documents of a whole lot, issued in the background by a worker process.

The queue and what is told of a batch are comfort and live outside the record. What was issued is in the record alone: a
batch that stopped anywhere, with its process or by wish, is finished by ordering it again.
"""

import enum
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from typing import Final

from inspect_app.errors import InspectError, NotAllowed, NotFound, UnusableInput
from inspect_app.model import Person
from inspect_app.storage import people
from inspect_app.workflow.lots.progress import lots
from inspect_app.workflow.papers.issued import awaiting_documents
from inspect_app.workflow.papers.lot_issuing import LotStep, issue_lot
from inspect_app.workflow.papers.matters import act_of_approval
from inspect_app.workflow.people.accounts import prove_password
from inspect_app.workflow.queue import Queue
from inspect_app.workflow.workplace import Workplace, prove_may, reading

_TASK: Final = "issue_lot"
SILENT_FOR: Final = timedelta(seconds=60)
"""A worker tells after each document or each few files, and none takes so long."""


class BatchState(enum.StrEnum):
    """How far a batch has come."""

    WAITING = "waiting"
    RUNNING = "running"
    CANCELLED = "cancelled"
    STOPPED = "stopped"
    FINISHED = "finished"


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """The documents of one lot, ordered by an approver.

    Parameters
    ----------
    lot_id, person_id : int
        Of the lot, and of who ordered and thereby approves.
    state : BatchState
        A running batch of which nothing was heard for a minute has stopped.
    total, done : int
        Documents ordered, and those that were issued or refused since.
    refusals : tuple of str
        Why a device got none.
    told_at : str
        When the worker was last heard of (ISO 8601).
    """

    lot_id: int
    person_id: int
    state: BatchState
    total: int
    told_at: str
    done: int = 0
    refusals: tuple[str, ...] = ()

    @property
    def is_under_way(self) -> bool:
        """Whether it waits or runs."""
        return self.state in (BatchState.WAITING, BatchState.RUNNING)


def order_batch(workplace: Workplace, person: Person, lot_id: int, password: str) -> Batch:
    """Order, or go on with, the documents of all signed devices of a lot, for who proves by password that they approve.

    Raises
    ------
    NotAllowed
        The password is wrong, the person may not approve, or the batch is under way.
    UnusableInput
        No device of the lot waits for a document.
    """
    prove_password(workplace, person, password)
    with reading(workplace) as session:
        prove_may(session, person, act_of_approval(workplace))
    before = batch(workplace, lot_id)
    if before is not None and before.is_under_way:
        raise NotAllowed("batch", f"it is {before.state.value} already", "Wait for it, or cancel it.")
    waiting = awaiting_documents(workplace, lot_id)
    if not waiting:
        raise UnusableInput("lot", "no device of it waits for a document", "Sign inspections first.")
    ordered = Batch(
        lot_id=lot_id,
        person_id=person.id,
        state=BatchState.WAITING,
        total=len(waiting),
        told_at=workplace.clock().isoformat(),
    )
    queue = Batches(workplace, Queue(workplace))
    queue.wish(lot_id, to_cancel=False)
    queue.tell(ordered)
    queue.put(lot_id)
    return ordered


def cancel_batch(workplace: Workplace, person: Person, lot_id: int) -> Batch:
    """Stop a batch after the documents that are being made; what is issued stays issued.

    Raises
    ------
    NotAllowed
        The person may not approve.
    NotFound
        No batch was ordered.
    """
    with reading(workplace) as session:
        prove_may(session, person, act_of_approval(workplace))
    found = batch(workplace, lot_id)
    if found is None:
        raise NotFound("batch", "none was ordered for this lot", "Order it first.")
    if found.is_under_way:
        Batches(workplace, Queue(workplace)).wish(lot_id, to_cancel=True)
        found = replace(found, state=BatchState.CANCELLED)
    return found


def batch(workplace: Workplace, lot_id: int) -> Batch | None:
    """Return the last batch of a lot, or None."""
    queue = Batches(workplace, Queue(workplace))
    found = queue.told(lot_id)
    if found is not None and found.is_under_way and queue.is_to_be_cancelled(lot_id):
        return replace(found, state=BatchState.CANCELLED)
    if found is None or found.state is not BatchState.RUNNING:
        return found
    silent = workplace.clock() - datetime.fromisoformat(found.told_at)
    return replace(found, state=BatchState.STOPPED) if silent > SILENT_FOR else found


class Batches:
    """The batches of one workplace in its queue."""

    def __init__(
        self,
        workplace: Workplace,
        queue: Queue,
        processes: int = 1,
        is_stopped: Callable[[], bool] = lambda: False,
        told: Callable[[LotStep], None] = lambda _step: None,
    ) -> None:
        self._workplace = workplace
        self._processes = processes
        self._is_stopped = is_stopped
        self._told = told
        self._queue = queue
        self._queue.register(_TASK, self._issue)

    def put(self, lot_id: int) -> None:
        """Put a batch at the end of the queue."""
        self._queue.put(_TASK, lot_id)

    def go_on(self) -> None:
        """Put again what an earlier worker left behind."""
        for one in lots(self._workplace):
            left = self.told(one.lot.id)
            if left is not None and left.state is BatchState.RUNNING:
                self.put(one.lot.id)

    def tell(self, told: Batch) -> None:
        """Keep what is told of a batch."""
        self._queue.tell(_key(told.lot_id), asdict(told))

    def told(self, lot_id: int) -> Batch | None:
        """Return what was last told of a batch."""
        values = self._queue.told(_key(lot_id))
        if values is None:
            return None
        values |= {"state": BatchState(values["state"]), "refusals": tuple(values["refusals"])}
        return Batch(**values)

    def wish(self, lot_id: int, *, to_cancel: bool) -> None:
        """Keep the wish that a batch stop."""
        self._queue.wish(_key(lot_id), to_cancel=to_cancel)

    def is_to_be_cancelled(self, lot_id: int) -> bool:
        """Say whether somebody wishes that a batch stop."""
        return self._queue.is_to_be_cancelled(_key(lot_id))

    def _issue(self, lot_id: int) -> None:
        ordered = self.told(lot_id)
        if ordered is None or not ordered.is_under_way:
            return
        left = len(awaiting_documents(self._workplace, lot_id))
        running = self._go_on(replace(ordered, state=BatchState.RUNNING, done=max(0, ordered.total - left)))
        try:
            running = self._issue_all(running)
            state = BatchState.CANCELLED if self.is_to_be_cancelled(lot_id) else BatchState.FINISHED
        except InspectError as error:
            running, state = replace(running, refusals=(*running.refusals, str(error))), BatchState.STOPPED
        if not self._is_stopped():
            self._go_on(replace(running, state=state))

    def _issue_all(self, running: Batch) -> Batch:
        def is_stopped() -> bool:
            return self._is_stopped() or self.is_to_be_cancelled(running.lot_id)

        person = self._person(running.person_id)
        for step in issue_lot(
            self._workplace, person, running.lot_id, processes=self._processes, is_stopped=is_stopped
        ):
            self._told(step)
            refusals = (*running.refusals, step.refusal) if step.refusal else running.refusals
            running = self._go_on(replace(running, done=min(running.done + 1, running.total), refusals=refusals))
        return running

    def _person(self, person_id: int) -> Person:
        with reading(self._workplace) as session:
            account = people.account(session, person_id=person_id)
        if account is None:
            raise NotFound(f"account {person_id}", "there is no such account", "Order the batch again.")
        return account.person

    def _go_on(self, told: Batch) -> Batch:
        told = replace(told, told_at=self._workplace.clock().isoformat())
        self.tell(told)
        return told


def _key(lot_id: int) -> str:
    return f"lot-{lot_id}"
