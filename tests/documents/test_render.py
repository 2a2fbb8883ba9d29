"""Documents are rendered for real and read back.

What has to stand there is that of ISO/IEC 17025:2017, 7.8.2 and 7.8.6 (from memory); the values are those of
`papers`.
"""

import dataclasses
import itertools
import logging

import pytest

from inspect_app import documents
from inspect_app.documents.rule_words import RULE_NAMES
from inspect_app.errors import NotAllowed
from inspect_app.model import DecisionRule, Limit
from tests.documents import papers
from tests.documents.reading import page_count, pages_of, text_of


@pytest.mark.parametrize(
    "words",
    [
        "Certificate of acceptance inspection",
        "Brackwater Sound Rescue Service, Goods Inwards Laboratory",
        "4 Invented Quay, Brackwater",
        "QM-S-004217",
        "digital monocular, standard sensor",
        "Quillmere Devices",
        "BSR-014, revision B",
        "Head-worn low-light monoculars for night searches",
        "L-2026-0003, QD-SHIP-2026-31",
        "2026-11-20",
        "2026-11-24",
        "2026-11-25",
        "Digital monocular, standard sensor, revision A",
        "Carton dented at one corner, device unmarked.",
        "Invented demonstration data: no such buyer, supplier or device exists.",
    ],
)
def test_a_certificate_says_what_was_inspected_for_whom_and_when(certificate, words):
    assert words in text_of(certificate)


@pytest.mark.parametrize(
    "words",
    [
        "Accepted",
        "All 16 demands of contract BSR-014, revision B are met.",
        "Nearest to its limit: Bar target resolution, vertical, 0.005 lx: 3.35 ± 0.50 lp/mm against",
        "0.35 lp/mm inside the acceptance limit.",
        "Inspected and signed by Ida Example, 2026-11-24 11:12 UTC;",
        "approved and issued by Orla Specimen, 2026-11-25 09:12 UTC.",
    ],
)
def test_the_first_page_tells_the_verdict_the_nearest_limit_and_who_signed(certificate, words):
    """Algebra: 3.35 is 1.7 U inside 2.5; latency, next, 1.9 U inside 50. The margin is 3.35 − 2.5 − 0.50 = 0.35."""
    assert words in pages_of(certificate)[0]


@pytest.mark.parametrize(
    "words",
    [
        "≥ 0.18 cy/px 0.2120 ± 0.0070 cy/px k = 2.25 ≥ 0.1870 cy/px",
        "≤ 50 ms 31.0 ± 3.0 ms ≤ 47.0 ms",
        "1 the limit ✓ conforming",
        "0.075 to 0.15 mm 1 of 1 1 of 3 1 of 6",
        "4 dark spots counted, no zone holds more than its table allows.",
    ],
)
def test_a_certificate_prints_limit_result_uncertainty_and_acceptance_limit(certificate, words):
    """U of MTF50 is 2.25 · 0.0031 = 0.0070: Student's t for 11 degrees of freedom at 95.45 % (GUM, Table G.2)."""
    assert words in text_of(certificate, "-layout")


@pytest.mark.parametrize(
    "words",
    [
        "illuminance 1.02 / 0.99 lx; temperature 22.4 °C",
        "2026-11-24 09:12, Ida Example",
        "LX-2207",
        "K-26-0417, Invented Photometry Laboratory",
        "2027-03-01",
        "ISO 12233:2017 e-SFR",
        "for a coverage probability of about 95 %: k = 2",
        "Decision rule: guarded acceptance.",
        "Decision rule: simple acceptance.",
        "The results relate only to the item inspected, in the state in which it was received.",
        "Deviations and warnings. None.",
        "Dark room: let your eyes adapt",
        papers.digest("form"),
        papers.digest("contract"),
        papers.digest("battery"),
        "End of certificate of acceptance inspection C-2026-0001.",
    ],
)
def test_a_certificate_tells_how_it_was_measured_and_what_it_rests_on(certificate, words):
    assert words in text_of(certificate)


def test_every_page_carries_number_serial_decision_rule_and_page_of_pages(certificate):
    pages = pages_of(certificate)

    for place, said in enumerate(pages, start=1):
        assert f"page {place} of {len(pages)}" in said
        assert "C-2026-0001 · serial QM-S-004217 · Not to be reproduced except in full." in said
        assert "Decision rule of the contract: guarded acceptance, simple acceptance." in said


def test_the_foot_names_every_decision_rule_in_the_three_lines_that_it_shows():
    """What is beyond three lines is cut, though its text could still be read out of the file."""
    paper = papers.paper()
    ruled = []
    for one, rule in zip(paper.judgements, itertools.cycle(DecisionRule), strict=False):
        p_min = 0.9 if rule is DecisionRule.PROBABILITY and isinstance(one.limit, Limit) else None
        more = {"p_min": p_min} if isinstance(one.limit, Limit) else {}
        ruled.append(dataclasses.replace(one, limit=dataclasses.replace(one.limit, decision_rule=rule, **more)))

    page = documents.render_certificate(dataclasses.replace(paper, judgements=tuple(ruled)))
    said = text_of(page, "-layout", "-l", "1")

    foot = said[said.rindex("C-2026-0001 · serial") :].strip().splitlines()
    assert all(name in " ".join(" ".join(foot).split()) for name in RULE_NAMES.values())
    assert len(foot) <= 3


def test_a_certificate_of_sixteen_demands_and_fifteen_steps_takes_two_pages(certificate):
    assert page_count(certificate) == 2


@pytest.mark.parametrize(
    "words",
    [
        "Rejection notice",
        "2 of 16 demands of contract BSR-014, revision B are not met.",
        "clause 4.4.1, Latency, half of the swing, recording: required ≤ 50 ms, found 71.3 ± 3.0 ms, 21.3 ms above the",
        "zone 1 holds 1 dark spot from 0.15 to 0.3 mm, none allowed",
        "Reply asked for by 2026-12-25.",
        "Quillmere Devices is asked to state what caused the nonconformity",
    ],
)
def test_a_rejection_notice_says_what_was_required_found_and_asked(rejection, words):
    """71.3 − 50 = 21.3; thirty days after 25 November is 25 December."""
    assert words in pages_of(rejection)[0]


def test_a_rejection_notice_shows_the_pictures_of_the_steps_that_decided(rejection):
    said = text_of(rejection)

    assert "Blemish map, bright field: blemish.png" in said
    assert "Latency, recording: latency.recording.png" in said


def test_the_reply_is_asked_for_by_the_day_that_the_paper_sets():
    paper = papers.rejected_paper(reply_days=14)

    assert paper.reply_by.date().isoformat() == "2026-12-09"


def test_a_remark_a_problem_and_a_missing_step_are_told_as_deviations():
    paper = papers.paper()
    entries = dict(paper.inspection.entries)
    del entries["battery"]
    entries["readout.recording"] = dataclasses.replace(
        entries["readout.recording"], measured=None, problem="illuminance was 2.1 lx, outside 0.9 to 1.1 lx"
    )
    signature = dataclasses.replace(paper.inspection.signature, remark="Device was warm on arrival.")
    inspection = dataclasses.replace(paper.inspection, entries=entries, signature=signature)

    said = text_of(documents.render_certificate(dataclasses.replace(paper, inspection=inspection)))

    assert "Battery life: not carried out." in said
    assert "Sensor readout, recording: illuminance was 2.1 lx, outside 0.9 to 1.1 lx" in said
    assert "Device was warm on arrival." in said


def test_a_rejected_device_gets_no_certificate_and_an_accepted_one_no_notice():
    with pytest.raises(NotAllowed, match="rejected"):
        documents.render_certificate(papers.rejected_paper())
    with pytest.raises(NotAllowed, match="accepted"):
        documents.render_rejection(papers.paper())


def test_an_unsigned_inspection_gets_no_document():
    paper = papers.paper()
    unsigned = dataclasses.replace(paper, inspection=dataclasses.replace(paper.inspection, signature=None))

    with pytest.raises(NotAllowed, match="not signed"):
        documents.render_certificate(unsigned)


def test_the_renderer_has_nothing_to_complain_of(caplog):
    with caplog.at_level(logging.WARNING, logger="weasyprint"):
        documents.render_rejection(papers.rejected_paper())

    assert caplog.records == []
