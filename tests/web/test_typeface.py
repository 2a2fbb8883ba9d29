"""The typeface of the pages: from this server, for everybody, with the letters and signs that pages need."""

import io

import pytest
from fontTools.ttLib import TTFont


@pytest.mark.parametrize("weight", [400, 600])
def test_whoever_did_not_sign_in_yet_gets_the_typeface_of_the_documents(visitor, weight):
    answer = visitor.get(f"/typeface/{weight}.woff2")

    font = TTFont(io.BytesIO(answer.data))
    assert (answer.mimetype, font.flavor) == ("font/woff2", "woff2")
    assert font["name"].getDebugName(1).startswith("Source Sans Pro")
    assert font["OS/2"].usWeightClass == weight
    assert set(map(ord, "Aéßłž 0123456789±−×≤≥µΩ→✓“”–…")) <= set(font.getBestCmap())


def test_a_page_is_not_kept_by_a_browser_and_the_typeface_is(visitor):
    assert visitor.get("/sign-in").headers["Cache-Control"] == "no-store"
    assert visitor.get("/typeface/400.woff2").headers["Cache-Control"] == "public, max-age=86400"


def test_there_are_no_other_weights(visitor):
    assert visitor.get("/typeface/500.woff2").status_code == 404
