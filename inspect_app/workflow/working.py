"""The worker: carries out what was ordered, batches of documents and audit packs alike."""

import time
from collections.abc import Callable
from typing import Final

from inspect_app.workflow.memory.pack_orders import PackOrders
from inspect_app.workflow.papers.batches import Batches
from inspect_app.workflow.papers.lot_issuing import LotStep
from inspect_app.workflow.queue import Queue
from inspect_app.workflow.workplace import Workplace

_PAUSE_S: Final = 0.5


def work(
    workplace: Workplace,
    *,
    processes: int,
    is_stopped: Callable[[], bool],
    told: Callable[[LotStep], None] = lambda _step: None,
    until_empty: bool = False,
) -> int:
    """Carry out work as it is ordered, what an earlier worker left behind first; return how many orders."""
    queue = Queue(workplace)
    Batches(workplace, queue, processes, is_stopped, told).go_on()
    PackOrders(workplace, queue, is_stopped).go_on()
    carried_out = 0
    while not is_stopped():
        if queue.carry_out_next():
            carried_out += 1
        elif until_empty:
            break
        else:
            time.sleep(_PAUSE_S)
    return carried_out
