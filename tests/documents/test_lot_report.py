"""The lot report: read back from its PDF, it says plan, counts, verdict, seed and sample."""

import io

import pytest
from pypdf import PdfReader

from inspect_app import workflow
from inspect_app.errors import NotAllowed
from inspect_app.model import FollowUp
from tests.truth.sampled_lots import receive_sampled, reject_lot
from tests.truth.workplaces import Bench


def text_of(pdf: bytes) -> str:
    return " ".join(" ".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages).split())


def test_a_report_says_what_the_record_says(bench: Bench) -> None:
    """Truth: ten devices at level II are letter B, n = 3, Ac 0; 95 % are accepted at 1.7 % nonconforming."""
    lot_id = reject_lot(bench, "DN-1", FollowUp.SCREEN)
    sampling = workflow.lot_sampling(bench.place, lot_id)

    text = text_of(workflow.lot_report(bench.place, lot_id))

    assert "Verdict: rejected, screen" in text
    assert "2859-1, level II, AQL 4, letter B, plan of letter B" in text
    assert "1 of 3 1 found; accept up to 0, reject from 1 rejected" in text
    assert sampling.draw.seed in text.replace(" ", "")
    assert all(one.device.device.serial in text for one in sampling.devices)
    assert "with 1.695 in 100, 95 %" in text.replace("Of a process ", "")


def test_a_lot_without_a_draw_has_no_report(bench: Bench) -> None:
    with pytest.raises(NotAllowed, match="Draw its sample first"):
        workflow.lot_report(bench.place, receive_sampled(bench, "DN-1"))
