"""The pages look as the renderer draws them by itself, though figures, style sheet and parser are our own."""

import dataclasses
import subprocess
from pathlib import Path

import numpy as np
from PIL import Image

from inspect_app.documents import render
from inspect_app.documents.figures import setup_figure
from tests.documents import papers
from tests.documents.plainly import rendered_plainly

DOTS_PER_INCH = 72
BLOCK = 4  # dots: one and a half millimetres, less than a letter with what surrounds it
MOST_BY_EDGES = 20  # grey levels by which a block differs where letters are set a fraction of a dot apart


def greys(pdf: bytes, folder: Path) -> np.ndarray:
    """Return the pages under one another as means of small blocks, 0 black to 255 white."""
    folder.mkdir()
    subprocess.run(["pdftoppm", "-r", str(DOTS_PER_INCH), "-gray", "-", folder / "page"], input=pdf, check=True)
    whole = np.concatenate([np.asarray(Image.open(path), dtype=float) for path in sorted(folder.glob("*.pgm"))])
    rows, cols = (size // BLOCK * BLOCK for size in whole.shape)
    return whole[:rows, :cols].reshape(rows // BLOCK, BLOCK, cols // BLOCK, BLOCK).mean(axis=(1, 3))


def test_a_page_looks_as_the_renderer_draws_the_same_page_by_itself(tmp_path):
    page = render.page_of(papers.rejected_paper(), "rejection.html")
    *others, last, code = page.figures
    page = dataclasses.replace(page, figures=(*others, setup_figure("latency") or last, code))

    ours = greys(page.html.write_pdf(cache=page.images, **render.look_of("A4")), tmp_path / "ours")
    plain = greys(rendered_plainly(page), tmp_path / "plain")

    assert np.abs(ours - plain).max() <= MOST_BY_EDGES
    assert np.abs(ours - plain).mean() < 0.2
