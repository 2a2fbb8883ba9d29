"""Issuing a whole lot: rendered by several processes at once, kept one by one in the order of their numbers."""

from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context
from typing import Final

from inspect_app import documents
from inspect_app.documents import Seal
from inspect_app.errors import InspectError, NotAllowed
from inspect_app.model import Document, DocumentKind, Person
from inspect_app.workflow.papers.gathering import Numbered
from inspect_app.workflow.papers.issued import AwaitedDocument, awaiting_documents, document_path
from inspect_app.workflow.papers.issuing import issue_document, keep_rendered, next_number
from inspect_app.workflow.papers.matters import Matter, signed_inspection
from inspect_app.workflow.papers.sealing import seal
from inspect_app.workflow.workplace import Workplace

_WORTH_A_POOL: Final = 6  # a process of its own costs about two seconds, as much as six documents
_AHEAD: Final = 3  # so many documents a process are prepared before they are needed
_MOST_OVERTAKEN: Final = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class LotStep:
    """What became of one device of the lot: its document, or why it has none."""

    serial: str
    document: Document | None
    refusal: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rendering:
    """A document that is being rendered under a number which is still to be taken."""

    awaited: AwaitedDocument
    matter: Matter
    numbered: Numbered
    content: "Future[bytes]"


def issue_lot(
    workplace: Workplace,
    person: Person,
    lot_id: int,
    *,
    processes: int = 1,
    is_stopped: Callable[[], bool] = lambda: False,
) -> Iterator[LotStep]:
    """Issue the document of every signed device of a lot that has none, and yield each as soon as it is kept.

    What was issued before is passed over, so that a stopped run is finished by another one: nothing is lost, and
    nothing is issued twice.

    Raises
    ------
    NotAllowed
        The person may not issue documents.
    """
    waiting = awaiting_documents(workplace, lot_id)
    if processes < 2 or len(waiting) < _WORTH_A_POOL:
        for one in waiting:
            if is_stopped():
                return
            yield _step(workplace, person, one)
        return
    context = get_context("forkserver")  # a forked copy of a server with threads may hang
    with ProcessPoolExecutor(processes, mp_context=context) as pool:
        yield from _Line(workplace, person, pool, processes).run(waiting, is_stopped)


def _step(workplace: Workplace, person: Person, one: AwaitedDocument) -> LotStep:
    try:
        return LotStep(serial=one.device.serial, document=issue_document(workplace, person, one.inspection_id))
    except NotAllowed as error:
        return LotStep(serial=one.device.serial, document=None, refusal=str(error))


class _Line:
    """Documents on their way: numbered ahead, rendered beside each other, kept in the order of their numbers."""

    def __init__(self, workplace: Workplace, person: Person, pool: ProcessPoolExecutor, processes: int) -> None:
        self._workplace = workplace
        self._person = person
        self._pool = pool
        self._ahead = processes * _AHEAD
        self._seal: Seal = seal(workplace)
        self._sequences: dict[tuple[DocumentKind, int], int] = {}

    def run(self, awaited: tuple[AwaitedDocument, ...], is_stopped: Callable[[], bool]) -> Iterator[LotStep]:
        """Yield each document once it is kept."""
        waiting = deque(awaited)
        on_the_way: deque[_Rendering] = deque()
        overtaken = 0
        while on_the_way or (waiting and not is_stopped()):
            while waiting and len(on_the_way) < self._ahead and not is_stopped():
                begun = self._begin(waiting.popleft())
                if isinstance(begun, LotStep):
                    yield begun
                elif begun is not None:
                    on_the_way.append(begun)
            if not on_the_way:
                continue
            made = self._keep(on_the_way.popleft())
            if isinstance(made, LotStep):
                yield made
                continue
            # Somebody else took the number: all that was numbered ahead is numbered and rendered anew.
            overtaken += 1
            if overtaken > _MOST_OVERTAKEN:
                raise InspectError("lot", "its documents were overtaken by others", "Nothing was lost. Go on.")
            waiting.extendleft(one.awaited for one in (*reversed(on_the_way), made))
            on_the_way.clear()
            self._sequences.clear()

    def _begin(self, awaited: AwaitedDocument) -> _Rendering | LotStep | None:
        """Send a document to be rendered; None where it was issued meanwhile."""
        try:
            matter = signed_inspection(self._workplace, awaited.inspection_id)
            matter.prove_may_issue(self._workplace, self._person)
            numbered, newest = next_number(self._workplace, self._person, matter)
        except NotAllowed as error:
            return LotStep(serial=awaited.device.serial, document=None, refusal=str(error))
        if newest is not None:
            return None
        series = matter.kind, numbered.at.year
        sequence = max(numbered.sequence or 1, self._sequences.get(series, 0) + 1)
        self._sequences[series] = sequence
        numbered = replace(numbered, sequence=sequence)
        content = self._pool.submit(documents.render_sealed, matter.made(self._workplace, numbered), self._seal)
        return _Rendering(awaited=awaited, matter=matter, numbered=numbered, content=content)

    def _keep(self, rendering: _Rendering) -> LotStep | _Rendering:
        """Keep a rendered document; the rendering itself comes back where its number was taken."""
        serial = rendering.awaited.device.serial
        try:
            made = keep_rendered(self._workplace, rendering.matter, rendering.numbered, rendering.content.result())
        except NotAllowed as error:
            return LotStep(serial=serial, document=None, refusal=str(error))
        if made is None:
            return rendering
        document_path(self._workplace, made)
        return LotStep(serial=serial, document=made)
