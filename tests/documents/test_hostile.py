"""Texts and amounts that could break a document, or make the renderer read what it must not."""

import dataclasses
import json
import logging
import re

import pytest

from inspect_app import documents
from inspect_app.documents import wording
from inspect_app.documents.attached import attached_files
from inspect_app.documents.printable import printable, shortened, unbroken
from inspect_app.documents.render import OwnFetcher
from inspect_app.errors import UnusableInput
from tests.documents import papers
from tests.documents.reading import page_count, text_of

MARKUP = "<script>alert(1)</script><img src='file:///etc/passwd'>{{ 7 * 7 }}{% raw %}&amp;"
LONG = "X" * 300
RIGHT_TO_LEFT = "שלום-0417"
EMOJI = "SN-🔦-0417"
HAN = "山田"


def named(serial: str, remark: str = "") -> documents.Paper:
    """Return an accepted paper whose texts from people are all hostile."""
    paper = papers.paper(serial=serial)
    device = dataclasses.replace(paper.inspection.device, maker=serial)
    signature = dataclasses.replace(paper.inspection.signature, remark=remark)
    inspection = dataclasses.replace(paper.inspection, device=device, arrival_note=remark, signature=signature)
    contract = dataclasses.replace(paper.contract, buyer=serial, note=remark)
    return dataclasses.replace(paper, inspection=inspection, contract=contract)


def test_markup_template_marks_and_right_to_left_names_are_printed_as_they_are(caplog):
    with caplog.at_level(logging.WARNING, logger="weasyprint"):
        pdf = documents.render_certificate(named(RIGHT_TO_LEFT, f"{MARKUP} {EMOJI} {HAN}"))
    said = text_of(pdf)

    assert caplog.records == []
    assert "שלום" in said
    assert "<script>alert(1)</script><img src='file:///etc/passwd'>{{ 7 * 7 }}{% raw %}&amp;" in said
    assert "root:" not in said
    assert "0417" in said
    assert "All 16 demands" in said
    assert re.search("SN- ?‹U\\+1F526› ?-0417 ‹U\\+5C71 U\\+7530›", said)
    assert wording.SIGNS_EXPLAINED in said


def test_what_is_printed_as_a_code_point_is_attached_as_it_is():
    paper = papers.paper(serial=EMOJI + HAN)

    (record,) = (file for file in attached_files(paper) if file.name == "measurements.json")

    assert json.loads(record.text)["device"]["serial"] == EMOJI + HAN


def test_words_in_figures_are_spelled_out_too(caplog):
    done = tuple(
        (papers.step(f"bars.{mode}", "bar-target", "Bars", mode=mode), papers.bar_target(), papers.TARGET)
        for mode in ("night", HAN)
    )
    demand = papers.demand("4.1", "Bars", "bar-target", "resolution", "lp/mm", at_least=4.0)
    with caplog.at_level(logging.WARNING, logger="weasyprint"):
        said = text_of(documents.render_certificate(papers.paper(done, (demand,), ())))

    assert caplog.records == []
    assert "Bar target, horizontal night ‹U+5C71 U+7530› 0 2 4" in said


def test_nothing_is_said_of_code_points_where_all_signs_can_be_printed(certificate):
    assert "U+" not in text_of(certificate)


def test_a_name_of_three_hundred_letters_is_printed_whole_and_stays_on_the_page():
    pdf = documents.render_certificate(named(LONG, LONG))

    assert LONG in text_of(pdf).replace(" ", "")
    assert page_count(pdf) <= 3


def test_sixty_limits_run_over_pages_with_the_header_repeated():
    demands = tuple(
        dataclasses.replace(limit, clause=f"{limit.clause}.{copy}") for copy in range(4) for limit in papers.limits()
    )
    pdf = documents.render_certificate(papers.paper(demands=demands))
    said = text_of(pdf)

    assert len(demands) == 60
    assert said.count("conforming") >= 60
    assert said.count("Accepted if") >= 2


def test_a_contract_without_limits_is_told_as_such():
    paper = papers.paper(demands=(), tables=())
    verdict = dataclasses.replace(papers.paper().verdict, deciding=())
    said = text_of(documents.render_certificate(dataclasses.replace(paper, verdict=verdict)))

    assert "The contract sets no limits for this device class." in said


def test_four_hundred_spots_are_drawn_and_only_the_largest_listed():
    spots = tuple(
        papers.spot(220 + 42 * (place % 20), 60 + 30 * (place // 20), 0.02, 3, polarity="bright")
        for place in range(400)
    )
    (figure,) = documents.figures(papers.blemish(spots))

    assert len(figure.table) == 400
    assert "and 390 smaller ones" in figure.svg


def test_measurements_without_captures_leave_out_their_figures_only():
    done = tuple(
        (step, dataclasses.replace(found, traces=(), features=(), outlines=(), files=()), instrument)
        for step, found, instrument in papers.runs()
    )
    said = text_of(documents.render_certificate(papers.paper(done)))

    assert "31.0 ± 3.0 ms" in said
    assert "Strobe bands" not in said


def test_a_paper_without_an_issuer_is_refused_in_words():
    with pytest.raises(UnusableInput, match="who issues"):
        papers.paper(issuer=" \n")


@pytest.mark.parametrize(
    "url",
    [
        "file:///etc/hostname",
        "http://localhost/",
        "data:text/plain,x",
        "app:font/../../secret",
        "app:picture/none",
        "app:drawing/0",
        "APP:font/Regular",
    ],
)
def test_the_fetcher_serves_nothing_but_its_own(url):
    with pytest.raises(ValueError, match="not served"):
        OwnFetcher().fetch(url)


def test_printable_text_keeps_words_and_loses_what_turns_them_around():
    assert printable("A\u202eB\x00C\ud800D µ ≤ שלום 🔦") == "ABCD µ ≤ שלום 🔦"


def test_shortened_text_ends_with_an_ellipsis():
    assert shortened("abcdefghij", 10) == "abcdefghij"
    assert shortened("abcdefghijk", 10) == "abcdefghi…"


def test_a_number_is_not_parted_from_its_uncertainty_and_unit():
    assert unbroken("44.2 ± 3.0 ms against ≤ 50 ms") == "44.2\xa0±\xa03.0\xa0ms against ≤\xa050\xa0ms"
