"""What a sealed document costs: against a bare render of the same HTML, by two processes against one, and why."""

import cProfile
import os
import pstats
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from multiprocessing import get_context
from pathlib import Path

from inspect_app import documents
from inspect_app.documents import render
from inspect_app.documents.seal import make_seal, read_seal
from tests.documents import papers
from tests.documents.plainly import rendered_plainly

PAPER = papers.paper()
SEAL = read_seal("bench", make_seal("Bench", "", datetime(2026, 11, 1, tzinfo=UTC)), "")
ROUNDS = 8
LOT = int(os.environ.get("BENCH_LOT", "200"))
PARTS = (
    ("drawing the pages", "weasyprint/document.py", "paint"),
    ("of that figures", "documents/drawn.py", "draw"),
    ("laying out", "weasyprint/layout/__init__.py", "layout_document"),
    ("of that tables", "weasyprint/layout/table.py", "table_layout"),
    ("style of elements", "weasyprint/css/__init__.py", "get_all_computed_styles"),
    ("boxes", "weasyprint/formatting_structure/build.py", "build_formatting_structure"),
    ("gathering what is printed", "documents/sheet.py", "lay_out"),
    ("files inside", "documents/attached.py", "attached_files"),
    ("tags", "weasyprint/pdf/tags.py", "add_tags"),
    ("writing the file", "documents/writing.py", "write_file"),
    ("seal", "documents/signing.py", "sign"),
)


def seconds(act: Callable[[], object]) -> float:
    begun = time.perf_counter()
    act()
    return time.perf_counter() - begun


def processor_seconds(act: Callable[[], object]) -> float:
    """Return what an act costs the processor: nearly the same on a machine that is busy with other things."""
    begun = time.process_time()
    act()
    return time.process_time() - begun


def bare(**options: object) -> float:
    """Render the same HTML with shared fonts and style: nothing is attached and nothing signed; return the seconds."""
    page = render.page_of(PAPER, "certificate.html")
    return processor_seconds(
        lambda: page.html.write_pdf(cache=page.images, **render.look_of(PAPER.page_size), **options)
    )


def by_itself() -> float:
    """Render the same HTML with the renderer's own parser, style sheet and drawing of SVG; return the seconds."""
    page = render.page_of(PAPER, "certificate.html")
    return processor_seconds(lambda: rendered_plainly(page, PAPER.page_size))


def bare_archive() -> float:
    """Render the same for an archive, with the profile of colours that an archive holds."""
    return bare(pdf_variant="pdf/a-3a", color_profiles={"--srgb": render._srgb()}, output_intent="--srgb")


def gathered() -> float:
    """Return the seconds that it takes to gather and write the HTML that the bare render begins with."""
    return processor_seconds(lambda: render.page_of(PAPER, "certificate.html"))


def sealed(_number: int = 0) -> int:
    return len(documents.render_sealed(PAPER, SEAL))


def test_a_sealed_document_against_a_bare_render_of_the_same_html() -> None:
    """Best of interleaved rounds of processor time, so that what else the machine does falls on all alike."""
    sealed()
    acts = (by_itself, bare, bare_archive, gathered, lambda: processor_seconds(sealed))
    itself, plain, archive, filled, whole = (
        min(times) for times in zip(*([act() for act in acts] for _ in range(ROUNDS)), strict=True)
    )
    print(  # noqa: T201  # the bench's purpose
        f"WeasyPrint by itself {itself * 1000:.0f} ms, bare {plain * 1000:.0f} ms, bare for an archive"
        f" {archive * 1000:.0f} ms, its HTML {filled * 1000:.0f} ms, sealed {whole * 1000:.0f} ms;"
        f" load {os.getloadavg()[0]:.1f}"
    )
    print(  # noqa: T201  # the bench's purpose
        f"sealed is {whole / archive:.2f} times the bare archive, {whole / plain:.2f} times the bare,"
        f" {whole / itself:.2f} times WeasyPrint by itself"
    )

    assert whole / plain < 2


def test_two_hundred_documents_by_two_processes_against_one() -> None:
    spans = {}
    for processes in (1, 2):
        with ProcessPoolExecutor(processes, mp_context=get_context("forkserver")) as pool:
            list(pool.map(sealed, range(2 * processes)))
            spans[processes] = seconds(lambda pool=pool: list(pool.map(sealed, range(LOT))))
    rates = ", ".join(f"{LOT / span:.2f} a second by {processes}" for processes, span in spans.items())
    print(f"load {os.getloadavg()[0]:.1f}, {LOT} documents: {rates}; {spans[1] / spans[2]:.2f} times as fast")  # noqa: T201  # the bench's purpose

    assert spans[1] > spans[2]


def test_what_a_document_spends_its_time_on() -> None:
    """Shares of the time under a profiler, which makes small functions look dearer than they are."""
    sealed()
    profile = cProfile.Profile(time.process_time)
    profile.runcall(sealed)
    spent = {(Path(path).as_posix(), name): row[3] for (path, _, name), row in pstats.Stats(profile).stats.items()}
    total = max(spent.values())
    for what, path, name in PARTS:
        share = max(
            (span for (file, called), span in spent.items() if file.endswith(path) and called == name), default=0
        )
        print(f"{what}: {share / total:.0%}")  # noqa: T201  # the bench's purpose
