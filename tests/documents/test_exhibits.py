"""Cut-outs with scale bars in rejection notices; the scale is algebra on the size of the part."""

import dataclasses
import io

import numpy as np
import pikepdf
import pytest
from PIL import Image

from inspect_app import documents
from inspect_app.capture.preview import crop_png
from inspect_app.documents.paper import Exhibit
from inspect_app.documents.scale_bar import SHOWN_MM, scale_bar
from tests.documents import papers
from tests.documents.reading import pages_of, text_of


@pytest.mark.parametrize(
    ("size_px", "pixels_per_mm", "label", "share"),
    [
        (100, 50, "1 mm", 0.5),
        (96, 50, "0.5 mm", 0.5 / 1.92),
        (40, None, "20 px", 0.5),
        (48, None, "20 px", 20 / 48),
        (1, 1000, "0.0005 mm", 0.5),
    ],
)
def test_a_scale_bar_has_a_round_length_within_half_of_the_picture(size_px, pixels_per_mm, label, share):
    bar = scale_bar(size_px, pixels_per_mm)

    assert bar.label == label
    assert bar.on_paper_mm == pytest.approx(share * SHOWN_MM, abs=0.006)


def test_a_part_is_cut_out_around_its_centre_and_moved_inside_at_the_edge(tmp_path):
    """A grey ramp whose value is its column tells from where a pixel came."""
    path = tmp_path / "ramp.png"
    Image.fromarray(np.tile(np.arange(200, dtype=np.uint8), (100, 1))).save(path)

    middle = np.asarray(Image.open(io.BytesIO(crop_png(path, 100, 50, 10, 10))))
    edge = np.asarray(Image.open(io.BytesIO(crop_png(path, 1, 2, 10, 20))))

    assert list(middle[0, :, 0]) == list(range(96, 106))
    assert list(edge[0, ::2, 0]) == list(range(10))
    assert crop_png(path, 100, 50, 101, 10) is None


def test_a_rejection_notice_shows_the_spot_with_its_scale():
    exhibit = Exhibit(caption="Dark spot, 0.240 mm, zone 1", png=papers.png(40, 40), size_px=96, pixels_per_mm=50)

    said = text_of(documents.render_rejection(papers.rejected_paper(exhibits=(exhibit,))))

    assert "0.5 mm Dark spot, 0.240 mm, zone 1" in said


def page_size(pdf):
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        return [round(float(side)) for side in opened.pages[0].MediaBox[2:]]


def test_a_sheet_of_letter_size_holds_the_same_words_as_one_of_a4(certificate):
    letter = documents.render_certificate(papers.paper(page_size="Letter"))

    assert (page_size(certificate), page_size(letter)) == ([595, 842], [612, 792])
    pages = pages_of(letter)
    assert len(pages) <= 3
    assert all(f"page {place} of {len(pages)}" in said for place, said in enumerate(pages, start=1))
    assert "End of certificate of acceptance inspection C-2026-0001." in pages[-1]
    with pytest.raises(ValueError, match="A4, Letter"):
        dataclasses.replace(papers.paper(), page_size="A5")
