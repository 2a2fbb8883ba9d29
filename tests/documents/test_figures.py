"""Figures: what they draw, what they say in words, and that nothing in a measurement can break them."""

import dataclasses
import itertools
import math
import re
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from scipy import stats

from inspect_app import documents
from inspect_app.documents.figures import (
    LotQuestion,
    Part,
    characteristic_figure,
    combined_figures,
    figures,
    outgoing_figures,
    pareto_figure,
    result_bar,
)
from inspect_app.judge import decide
from inspect_app.judge.characteristic import WrongVerdicts
from inspect_app.judge.pareto import pareto
from inspect_app.judge.sampling import single_plan
from inspect_app.model import Feature, Measured, Outline, Trace
from inspect_app.quantity import Quantity
from tests.documents import papers

SVG = "{http://www.w3.org/2000/svg}"
EVERY_KIND = {
    "bar-target": papers.bar_target,
    "battery": papers.battery,
    "blemish": papers.blemish,
    "latency": papers.latency,
    "readout": papers.readout,
    "slanted-edge": papers.slanted_edge,
    "step-wedge": papers.step_wedge,
}


def drawn(figure: documents.Figure) -> ET.Element:
    """Return the figure's drawing, parsed."""
    return ET.fromstring(figure.svg)  # noqa: S314  # it was written by the code under test


def texts(figure: documents.Figure) -> list[str]:
    """Return the words written in a figure."""
    return [element.text or "" for element in drawn(figure).iter(f"{SVG}text")]


def parts(*checks: str) -> tuple[Part, ...]:
    """Return the measurements of the invented inspection that belong to these checks."""
    return tuple(
        Part(measured=found, condition=step.condition) for step, found, _ in papers.runs() if step.check in checks
    )


@pytest.mark.parametrize("check", EVERY_KIND)
def test_every_kind_of_measurement_has_a_figure_with_words_and_a_table(check):
    (figure, *_) = figures(EVERY_KIND[check](), papers.paper().judgements)
    picture = drawn(figure)

    assert picture.get("role") == "img"
    assert picture.get("aria-label") == f"{figure.title}. {figure.text_alternative}"
    assert picture.find(f"{SVG}title").text == picture.get("aria-label")
    assert figure.table
    assert all(len(row) == len(figure.columns) for row in figure.table)


@pytest.mark.parametrize("check", EVERY_KIND)
def test_figures_hold_no_style_and_no_colour_of_their_own(check):
    """A page with a strict content security policy may hold them, and every theme gives them its ink."""
    for figure in figures(EVERY_KIND[check](), papers.paper().judgements):
        assert "style" not in figure.svg
        assert set(re.findall(r'(?:fill|stroke)="([^"]*)"', figure.svg)) <= {"currentColor", "none"}


@pytest.mark.parametrize("check", EVERY_KIND)
def test_everything_drawn_lies_inside_the_picture(check):
    for figure in figures(EVERY_KIND[check](), papers.paper().judgements):
        picture = drawn(figure)
        width, height = (float(size) for size in picture.get("viewBox").split()[2:])
        for element in picture.iter():
            places = [float(element.get(name)) for name in ("x1", "x2", "cx", "x") if element.get(name)]
            assert all(0 <= place <= width for place in places)
            heights = [float(element.get(name)) for name in ("y1", "y2", "cy", "y") if element.get(name)]
            assert all(0 <= place <= height for place in heights)


@pytest.mark.parametrize("check", [*EVERY_KIND, "noise", "unheard-of"])
@pytest.mark.parametrize(
    "traces",
    [
        (),
        (Trace(name="mtf", x=(), x_unit="cy/px", y=(), y_unit="1"),),
        (Trace(name="response", x=(1.0,), x_unit="ms", y=(1.0,), y_unit="1"),),
        tuple(
            Trace(name=name, x=(0.0, 1.0, 2.0), x_unit="px", y=(0.0, 0.0, 0.0), y_unit="1")
            for name in ("mtf", "esf", "snr", "response", "stimulus", "voltage", "profile", "fit")
        ),
        (Trace(name="mtf", x=(0.0, 0.1, 0.2), x_unit="cy/px", y=(1.0, math.nan, math.inf), y_unit="1"),),
        tuple(
            Trace(name=name, x=(5.0, 5.0), x_unit="ms", y=(-1e9, 1e-9), y_unit="V")
            for name in ("mtf", "snr", "response", "voltage", "profile")
        ),
    ],
)
def test_missing_or_flat_traces_break_no_figure(check, traces):
    for figure in figures(Measured(check=check, method="", results=(), traces=traces)):
        assert "nan" not in "".join(re.findall('points="[^"]*"', figure.svg))
        drawn(figure)


def test_names_from_people_are_escaped_in_drawings():
    trace = Trace(name="<script>&\x00", x=(0.0, 1.0), x_unit="s", y=(0.0, 1.0), y_unit="1", condition={"mode": '"><b>'})
    (figure,) = figures(Measured(check="<i>", method="", results=(), traces=(trace,)))

    assert "<script>" not in figure.svg
    assert "<b>" not in figure.svg
    assert any("<script>&" in text for text in texts(figure))


def test_edges_of_four_conditions_share_a_figure_with_four_line_styles():
    (figure,) = combined_figures(parts("slanted-edge"), papers.paper().judgements)
    curves = [line for line in drawn(figure).iter(f"{SVG}polyline") if line.get("class") == "figure-curve"]

    assert len({line.get("stroke-dasharray") for line in curves}) == 4
    assert {"horizontal, 1 lx", "vertical, 1 lx", "horizontal, 0.005 lx", "vertical, 0.005 lx"} <= set(texts(figure))


def test_an_edge_figure_marks_the_result_and_the_limit_at_half_modulation():
    """Algebra: on an axis to 0.5 cy/px the limit 0.18 stands at 36 % of its length, the result 0.212 at 42.4 %."""
    condition = {"axis": "horizontal", "illuminance_lx": 1.0}
    (figure, _) = figures(papers.slanted_edge(), papers.paper().judgements, condition)
    picture = drawn(figure)
    left, right = 44.0, 234.0
    bars = [line for line in picture.iter(f"{SVG}line") if line.get("stroke-width") == "2.4"]
    (mark,) = picture.iter(f"{SVG}circle")

    assert [float(bar.get("x1")) for bar in bars] == pytest.approx([left + 0.36 * (right - left)], abs=0.01)
    assert float(mark.get("cx")) == pytest.approx(left + 0.424 * (right - left), abs=0.01)
    assert "bar: ≥ 0.18" in texts(figure)


def test_a_limit_in_another_unit_stands_where_the_results_say_it_belongs():
    """Algebra: 0.212 cy/px are 0.424 cy/mrad, so a limit of 0.4 cy/mrad is 0.2 cy/px, 40 % of the axis."""
    edge = papers.slanted_edge()
    both = dataclasses.replace(
        edge, results=(*edge.results, papers.result("mtf50_cy_mrad", 0.424, "cy/mrad", 0.006, axis="horizontal"))
    )
    limit = papers.demand("4", "MTF50", "slanted-edge", "mtf50_cy_mrad", "cy/mrad", at_least=0.4)
    (figure, _) = figures(both, (decide(both.results[-1].quantity, limit),))
    (bar,) = [line for line in drawn(figure).iter(f"{SVG}line") if line.get("stroke-width") == "2.4"]

    assert float(bar.get("x1")) == pytest.approx(44 + 0.4 * 190, abs=0.01)
    assert "bar: ≥ 0.4 cy/mrad" in texts(figure)


def test_the_table_of_an_edge_reads_the_curve_at_round_frequencies():
    """Algebra: a Gaussian with MTF50 at 0.2 cy/px has a modulation of 2 ** -(f / 0.2) ** 2 at f."""
    (figure, _) = figures(papers.slanted_edge(mtf50=0.2))
    rows = {frequency: float(modulation) for frequency, modulation in figure.table}

    assert rows["0.10"] == pytest.approx(2**-0.25, abs=0.001)
    assert rows["0.20"] == pytest.approx(0.5, abs=0.001)
    assert rows["0.40"] == pytest.approx(2**-4, abs=0.001)


def test_a_wedge_shows_the_three_criteria_and_says_its_ranges():
    (figure, response) = figures(papers.step_wedge())

    assert {"SNR 1", "SNR 2", "SNR 10"} <= set(texts(figure))
    assert "10.80 ± 0.22 stop down to SNR 10" in figure.text_alternative
    assert response.title == "Response"


def test_a_latency_figure_marks_both_instants_and_the_limit_after_the_stimulus():
    paper = papers.paper()
    (figure,) = figures(papers.latency(31.0), paper.judgements, {"mode": "live view"})
    marks = [
        line for line in drawn(figure).iter(f"{SVG}line") if line.get("class") in ("figure-instant", "figure-limit")
    ]
    places = sorted(float(mark.get("x1")) for mark in marks)

    assert {"first change 24.0 ms", "half 31.0 ms", "limit ≤ 50 ms"} <= set(texts(figure))
    assert (places[1] - places[0]) / (places[2] - places[0]) == pytest.approx((31 - 24) / (50 - 24), abs=0.01)


def test_strobe_bands_are_marked_at_their_fitted_period():
    """Algebra: 200 Hz over a readout of 14 ms are 2.8 bands, so one band every 600 / 2.8 = 214.3 rows."""
    (figure,) = figures(papers.readout(14.0, rows=600, strobe_hz=200.0))
    (period,) = re.findall(r"one band every ([\d.]+) rows", figure.text_alternative)
    bands = [
        float(line.get("x1")) for line in drawn(figure).iter(f"{SVG}line") if line.get("class") == "figure-instant"
    ]

    assert float(period) == pytest.approx(600 / 2.8, abs=0.5)
    assert len(bands) == 2


def test_a_discharge_shows_cut_off_runtime_and_demanded_runtime():
    (figure,) = figures(papers.battery(262.0), papers.paper().judgements)

    assert {"cut-off 3 V", "262.0 min", "limit ≥ 240 min"} <= set(texts(figure))


def test_a_blemish_map_numbers_spots_by_size_and_tells_kinds_by_shape():
    (figure,) = figures(papers.blemish())
    picture = drawn(figure)
    filled = [c for c in picture.iter(f"{SVG}circle") if c.get("class") == "figure-mark" and c.get("fill") != "none"]
    hollow = [c for c in picture.iter(f"{SVG}circle") if c.get("class") == "figure-mark" and c.get("fill") == "none"]

    assert [row[0] for row in figure.table] == ["1", "2", "3", "4", "5", "6"]
    assert [row[3] for row in figure.table] == ["0.210", "0.130", "0.110", "0.100", "0.090", "0.040"]
    assert (len(filled), len(hollow)) == (4, 1)
    assert figure.text_alternative == "Bright spots 1, dark spots 4, hot pixels 1; the largest is 0.210 mm."


def test_a_mark_too_small_to_be_counted_is_told_apart_in_drawing_table_and_words():
    small = dataclasses.replace(papers.spot(600, 330, 0.06, 1), is_peppering=True)
    (figure,) = figures(papers.blemish((papers.spot(802, 520, 0.13, 2), small)))

    assert {"0.130 mm dark", "0.060 mm small"} <= set(texts(figure))
    assert [row[5:7] for row in figure.table] == [("dark", "spot"), ("dark", "peppering")]
    assert figure.text_alternative == "Dark spots 1, peppering 1; the largest is 0.130 mm."


def test_a_blemish_map_puts_a_spot_where_the_field_has_it():
    """Algebra: a spot in the middle of a round field lies in the middle of its circle."""
    field = Outline(label="field", shape="circle", x=500, y=400, width_px=800, height_px=800)
    spot = Feature(x=500, y=400, diameter_px=10, contrast=0.5, polarity="dark")
    (figure,) = figures(Measured(check="blemish", method="", results=(), features=(spot,), outlines=(field,)))
    circle, mark = (element for element in drawn(figure).iter(f"{SVG}circle"))

    assert (circle.get("cx"), circle.get("cy")) == (mark.get("cx"), mark.get("cy"))


def test_names_of_circles_meet_neither_one_another_nor_spots():
    """Three circles of nearly one size, and a spot and its number under the uppermost place of the innermost."""
    circles = [
        Outline(label=label, shape="circle", x=500, y=500, width_px=width, height_px=width)
        for label, width in (("field", 1000), ("zone 3", 999), ("rim", 970), ("zone 2", 960), ("zone 1", 300))
    ]
    spot = Feature(x=490, y=375, diameter_px=20, contrast=0.5, polarity="dark")

    (figure,) = figures(Measured(check="blemish", method="", results=(), features=(spot,), outlines=tuple(circles)))

    words = re.findall(r'<text x="([\d.]+)" y="([\d.]+)"[^>]*>(zone \d|rim|1)</text>', figure.svg)
    places = {label: (float(x), float(y)) for x, y, label in words[:5]}
    assert sorted(places) == ["1", "rim", "zone 1", "zone 2", "zone 3"]
    apart = [
        abs(a[1] - b[1]) >= 9 or abs(a[0] - b[0]) >= 4.5 * (len(one) + len(other)) / 2
        for (one, a), (other, b) in itertools.combinations(places.items(), 2)
    ]
    assert all(apart), places


def test_bar_readings_show_each_condition_with_its_limit():
    (figure,) = combined_figures(parts("bar-target"), papers.paper().judgements)
    limits = [line for line in drawn(figure).iter(f"{SVG}line") if line.get("class") == "figure-limit"]

    assert figure.table[0] == ("horizontal, 1 lx", "5.66 ± 0.50 lp/mm")
    assert len(limits) == 4


@pytest.mark.parametrize(("value", "marks_inside"), [(44.0, True), (55.0, False)])
def test_a_result_bar_puts_the_value_on_the_side_of_the_limit_where_it_is(value, marks_inside):
    limit = papers.demand("4.4.1", "Latency", "latency", "latency_half", "ms", at_most=50)
    bar = result_bar(decide(Quantity(value=value, unit="ms", standard_uncertainty=1.0), limit))
    picture = drawn(bar)
    (mark,) = picture.iter(f"{SVG}circle")
    (edge,) = [line for line in picture.iter(f"{SVG}line") if line.get("stroke-width") == "1.8"]

    assert (float(mark.get("cx")) < float(edge.get("x1"))) is marks_inside


def test_a_spot_table_and_a_missing_result_have_no_bar():
    judgements = papers.paper(tuple(papers.runs()[:1])).judgements

    assert result_bar(judgements[-1]) is None
    assert result_bar(next(j for j in judgements if j.quantity is None)) is None


def test_the_operating_characteristic_names_its_risk_points_and_its_numbers() -> None:
    """Truth: n = 80, Ac 2: 95, 50 and 10 % accepted at 1.03, 3.33 and 6.52 % (MIL-STD-105E, Table X-J-1)."""
    question = LotQuestion(plan=single_plan(1000, "II", 1.0), lot_size=1000, aql=1.0)

    figure = characteristic_figure("Major", question)

    assert "with 1.03 in 100, 95 %" in figure.text_alternative.replace("Of a process ", "")
    assert "with 6.516, 10 %" in figure.text_alternative
    assert [row[1] for row in figure.table] == ["99", "95", "90", "75", "50", "25", "10", "5", "1"]
    assert "this lot of 1000" in figure.svg
    assert "AQL 1" in figure.svg
    assert drawn(figure).tag == f"{SVG}svg"


def test_wrong_verdicts_are_drawn_for_the_process_and_for_the_lot() -> None:
    """Truth: 1 % nonconforming, PFR 3 %, PFA 5 %: 3.92 % are seen, and 38.9 % of the lots accepted where 95 % were."""
    wrong = WrongVerdicts(false_reject=0.03, false_accept=0.05)
    question = LotQuestion(plan=single_plan(1000, "II", 1.0), lot_size=1000, aql=1.0, wrong=wrong)

    figure = characteristic_figure("Major", question)

    assert "process, as seen" in figure.svg
    assert "lot, as seen" in figure.svg
    assert len(drawn(figure).findall(f"{SVG}polyline")) == 4
    assert "3 % of the good devices are rejected and 5 % of the bad ones accepted" in figure.text_alternative
    near_one_per_cent = next(row for row in figure.table if row[0].startswith("1.03"))
    assert float(near_one_per_cent[1]) == pytest.approx(38, abs=1)


def test_what_leaves_and_what_is_inspected_have_their_own_drawings() -> None:
    """Truth: n = 80, Ac 2 of 1000: the largest p Pa (1 - n/N) is 1.59 % at about 2.8 %, by a scan with scipy."""
    incoming = np.linspace(0.0001, 0.2, 4000)
    leaving = incoming * stats.binom.cdf(2, 80, incoming) * (1 - 80 / 1000)
    limit, at = 100 * leaving.max(), 100 * incoming[leaving.argmax()]

    quality, effort = outgoing_figures("Major", LotQuestion(plan=single_plan(1000, "II", 1.0), lot_size=1000))

    said = [
        float(number) for number in re.findall(r"[\d.]+(?= in 100)|(?<=quality of )\d+\.\d+", quality.text_alternative)
    ]
    assert said == [pytest.approx(limit, abs=0.01), pytest.approx(at, abs=0.2)]
    assert "between 80 and " in effort.text_alternative
    assert drawn(quality).tag == drawn(effort).tag == f"{SVG}svg"


def test_a_pareto_has_a_bar_for_each_kind_as_long_as_its_count() -> None:
    rows = pareto(["soft edge"] * 6 + ["late"] * 3 + ["spot"])

    figure = pareto_figure("By kind", rows, {"late": "Latency"})

    bars = [float(bar.get("width")) for bar in drawn(figure).findall(f"{SVG}rect")]
    assert [bar / bars[0] for bar in bars] == pytest.approx([1, 0.5, 1 / 6], abs=0.01)
    assert "Latency" in figure.svg
    assert "3, together 90 %" in figure.svg
    assert figure.text_alternative.startswith("Most often: soft edge, 6 times, 60 % of all.")


def test_counting_nonconformities_draws_no_lot_curve() -> None:
    question = LotQuestion(plan=single_plan(1000, "II", 40), lot_size=1000, aql=40)

    figure = characteristic_figure("Minor", question)

    assert figure.columns[0] == "Nonconformities per 100 devices"
    assert "this lot" not in figure.svg
