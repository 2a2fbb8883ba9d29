"""Units against pint, propagation against uncertainties, budgets against published worked examples of the GUM.

The worked examples are GUM (JCGM 100:2008) G.4, H.1, H.2 and H.3, F.2.2.1, and EA-4/02 M:2022 S2. The inputs of H.1 are
those of the data set GUM.H.1 of the R package metRology; the others are quoted from memory, and reproduce the published
results.
"""

import doctest
import itertools
import math

import numpy as np
import pint
import pytest
import uncertainties
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from inspect_app import quantity
from inspect_app.errors import UnusableInput
from inspect_app.quantity import (
    UNITS,
    Contribution,
    Quantity,
    canonical_unit,
    combine,
    conversion_factor,
    coverage_factor,
    decimals_for,
    expanded_uncertainty,
    format_limit,
    format_number,
    format_quantity,
    format_value,
    parse_number,
    probability_below,
    quantity_from_budget,
)

SAME_DIMENSION = [
    (unit, target) for unit, target in itertools.product(UNITS, UNITS) if UNITS[unit][0] == UNITS[target][0]
]
# What pint calls our units; counted things (pixels, cycles, line pairs, stops) are given to it as base units.
IN_PINT = {
    "1": "dimensionless",
    "%": "percent",
    "µs": "microsecond",
    "min": "minute",
    "h": "hour",
    "Hz": "1/second",
    "kHz": "1000/second",
    "1/s": "1/second",
    "µm": "micrometer",
    "lp/mm": "cycle_count/millimeter",
    "cy/mm": "cycle_count/millimeter",
    "cy/px": "cycle_count/pixel_count",
    "cy/mrad": "cycle_count/milliradian",
    "cy/deg": "cycle_count/degree",
    "mrad": "milliradian",
    "deg": "degree",
    "lw/ph": "line_width/picture_height",
    "lp/ph": "2*line_width/picture_height",
    "px": "pixel_count",
    "stop": "stop_count",
    "mAh": "milliampere_hour",
    "Ah": "ampere_hour",
    "Wh": "watt_hour",
    "V": "volt",
    "mV": "millivolt",
    "A": "ampere",
    "mA": "milliampere",
    "lx": "lux",
    "mlx": "millilux",
    "µlx": "microlux",
    "cd/m²/lx": "candela/meter**2/lux",
    # 1 fL = 1/pi cd/ft² and 1 fc = 1 lm/ft²; their ratio is free of the foot.
    "fL/fc": "candela/foot**2/pi/(lumen/foot**2)",
    "°C": "delta_degree_Celsius",
}


@pytest.fixture(scope="module")
def oracle():
    registry = pint.UnitRegistry()
    for counted in ("cycle_count", "pixel_count", "line_width", "picture_height", "stop_count"):
        registry.define(f"{counted} = [{counted}]")
    return registry


def budget(*lines):
    return [
        Contribution(
            source=f"x{index}", distribution="normal", standard_uncertainty=uncertainty, degrees_of_freedom=dof
        )
        for index, (uncertainty, dof) in enumerate(lines)
    ]


def test_the_examples_in_the_docstrings_are_true():
    assert doctest.testmod(quantity).failed == 0
    assert doctest.testmod(quantity).attempted > 10


@pytest.mark.parametrize(("unit", "target"), SAME_DIMENSION)
def test_conversions_agree_with_pint(oracle, unit, target):
    given_unit = oracle.parse_expression(IN_PINT.get(unit, unit))
    wanted_unit = oracle.parse_expression(IN_PINT.get(target, target))

    ratio = (oracle.Quantity(1, given_unit) if isinstance(given_unit, pint.Unit) else given_unit) / wanted_unit

    assert conversion_factor(unit, target) == pytest.approx(ratio.to("dimensionless").magnitude, rel=1e-12)


@pytest.mark.parametrize("pair", list(itertools.combinations(sorted({row[0] for row in UNITS.values()}), 2)))
def test_units_of_different_things_do_not_convert(pair):
    unit, target = (next(name for name, row in UNITS.items() if row[0] == dimension) for dimension in pair)

    with pytest.raises(UnusableInput, match="measures"):
        conversion_factor(unit, target)


def test_an_unknown_unit_is_told_with_those_that_are_known():
    with pytest.raises(UnusableInput, match=r"furlong.*not known.*lp/mm"):
        canonical_unit("furlong")


@pytest.mark.parametrize(
    ("spelling", "unit"), [("us", "µs"), (" ms ", "ms"), ("lux", "lx"), ("fps", "1/s"), ("μm", "µm")]
)
def test_usual_spellings_of_units_are_understood(spelling, unit):
    assert canonical_unit(spelling) == unit


def test_foot_lamberts_per_foot_candle_are_one_over_pi():
    """64 000 fL/fc are 20 372 cd/m²/lx, as tube data sheets convert them (1 fL = 3.426 cd/m², 1 fc = 10.764 lx)."""
    assert Quantity(value=64_000, unit="fL/fc").to("cd/m²/lx").value == pytest.approx(64_000 * 3.4262591 / 10.7639104)


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("12.5", "ms", 12.5),
        ("12,5", "ms", 12.5),
        (" 12,5 ms ", "ms", 12.5),
        ("0.0125s", "ms", 12.5),
        ("14 ms", "s", 0.014),
        ("-3", "°C", -3.0),
        ("\N{MINUS SIGN}3 °C", "°C", -3.0),
        ("+.5", "1", 0.5),
        ("5e-3", "lx", 0.005),
        ("12 %", "1", 0.12),
        ("90 min", "h", 1.5),
        ("60 1/s", "1/s", 60.0),
        ("60 fps", "1/s", 60.0),
    ],
)
def test_numbers_are_read_as_people_write_them(text, unit, value):
    assert parse_number(text, unit) == value


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "abc",
        "nan",
        "NaN",
        "inf",
        "-Infinity",
        "1,234.5",
        "1.234,5",
        "12 5",
        "1..2",
        "--3",
        "1_000",
    ],
)
def test_what_is_no_number_is_refused_with_an_example(text):
    with pytest.raises(UnusableInput, match=r"not a number.*like 12\.5"):
        parse_number(text, "ms")


@pytest.mark.parametrize("text", ["1e400", "-1e999", "1e308 h"])
def test_a_number_beyond_all_bounds_is_refused(text):
    with pytest.raises(UnusableInput, match="too large"):
        parse_number(text, "s")


@pytest.mark.parametrize(
    ("text", "problem"), [("5 kg", "measures mass"), ("5 furlong", "not known"), ("0x10", "not known")]
)
def test_a_number_with_the_wrong_unit_is_refused(text, problem):
    with pytest.raises(UnusableInput, match=problem):
        parse_number(text, "ms")


def test_a_huge_text_is_named_in_short():
    with pytest.raises(UnusableInput) as caught:
        parse_number("9" * 100_000 + " x", "ms")

    assert len(str(caught.value)) < 1000


@given(st.floats(allow_nan=False, allow_infinity=False), st.sampled_from(sorted(UNITS)), st.sampled_from([".", ","]))
def test_a_number_that_is_written_out_is_read_back(value, unit, mark):
    assert parse_number(f"{value!r} {unit}".replace(".", mark, 1) if unit != "1" else repr(value), unit) == value


@given(st.text(max_size=30), st.sampled_from(sorted(UNITS)))
def test_any_text_is_a_finite_number_or_an_error_in_words(text, unit):
    outcome: float | UnusableInput
    try:
        outcome = parse_number(text, unit)
    except UnusableInput as error:
        outcome = error

    assert math.isfinite(outcome) if isinstance(outcome, float) else outcome.problem and outcome.remedy


@given(st.floats(-1e12, 1e12), st.floats(0, 1e9), st.sampled_from(SAME_DIMENSION))
def test_a_quantity_converted_there_and_back_is_the_same(value, uncertainty, units):
    unit, target = units
    first = Quantity(value=value, unit=unit, standard_uncertainty=uncertainty, degrees_of_freedom=7)

    back = first.to(target).to(unit)

    assert back.value == pytest.approx(value, rel=1e-13, abs=1e-300)
    assert back.standard_uncertainty == pytest.approx(uncertainty, rel=1e-13, abs=1e-300)
    assert back.degrees_of_freedom == 7


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_an_impossible_value_is_no_quantity(value):
    with pytest.raises(ValueError, match="finite"):
        Quantity(value=value, unit="ms")


@pytest.mark.parametrize("uncertainty", [math.nan, math.inf, -1.0])
def test_an_impossible_uncertainty_is_no_quantity_and_no_contribution(uncertainty):
    with pytest.raises(ValueError, match="cannot be"):
        Quantity(value=1, unit="ms", standard_uncertainty=uncertainty)
    with pytest.raises(ValueError, match="cannot be"):
        Contribution(source="x", distribution="normal", standard_uncertainty=uncertainty)


@pytest.mark.parametrize("freedom", [0, -1, math.nan])
def test_impossible_degrees_of_freedom_are_refused(freedom):
    with pytest.raises(ValueError, match="degrees of freedom"):
        Quantity(value=1, unit="ms", standard_uncertainty=1, degrees_of_freedom=freedom)
    with pytest.raises(ValueError, match="degrees of freedom"):
        Contribution(source="x", distribution="t", standard_uncertainty=1, degrees_of_freedom=freedom)


def test_infinite_degrees_of_freedom_are_none():
    assert Quantity(value=1, unit="ms", degrees_of_freedom=math.inf).degrees_of_freedom is None


def test_u1_the_end_gauge_of_gum_h1():
    """GUM H.1: u_c = 32 nm, nu_eff = 16, t_99 = 2.92, U_99 = 93 nm, from inputs in nm and per °C."""
    difference = combine(budget((5.8, 24), (3.9, 5), (6.7, 8)))
    length_nm = 50.000623e6
    expansion = length_nm * 0.1 * 0.58e-6
    temperature = length_nm * 11.5e-6 * 0.029

    uncertainty, freedom = combine(budget((25, 18), difference, (expansion, 50), (temperature, 2)))

    assert uncertainty == pytest.approx(32, abs=0.5)
    assert freedom == pytest.approx(16.6, abs=0.1)
    assert coverage_factor(freedom, 0.99) == pytest.approx(2.92, abs=0.005)
    assert coverage_factor(freedom, 0.99) * 32 == pytest.approx(93, abs=0.6)


def test_u2_the_product_of_gum_g4():
    """GUM G.4: relative u 0.25, 0.57, 0.82 % from 10, 5, 15 repeats give 1.03 %, nu 19.0, t95 2.09, U95 2.2 %."""
    uncertainty, freedom = combine(budget((0.25, 9), (0.57, 4), (0.82, 14)))

    assert uncertainty == pytest.approx(1.03, abs=0.005)
    assert freedom == pytest.approx(19.0, abs=0.05)
    # The printed 19.0 is 18.999; the example takes 19, which truncation would make 18: 2.10 instead of 2.09.
    assert coverage_factor(19, 0.95) == pytest.approx(2.09, abs=0.005)
    assert coverage_factor(freedom, 0.95) * uncertainty == pytest.approx(2.2, abs=0.05)


def test_u3_correlated_inputs_of_gum_h2_go_by_the_repeats_of_the_result():
    """GUM H.2, second approach: R from each of five sets of V, I, phi; R = 127.732 ohm with u = 0.071 ohm.

    Ignoring the correlations would give more than twice as much, which is why checks take the spread of the result.
    """
    volts = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    amperes = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) / 1000
    phi = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    resistance = volts / amperes * np.cos(phi)

    spread = float(resistance.std(ddof=1)) / math.sqrt(5)
    result = quantity_from_budget(float(resistance.mean()), "ohm", budget((spread, 4)))
    independent = [
        resistance.mean() * volts.std(ddof=1) / volts.mean(),
        resistance.mean() * amperes.std(ddof=1) / amperes.mean(),
        resistance.mean() * np.tan(phi.mean()) * phi.std(ddof=1),
    ]
    ignoring, _ = combine(budget(*((float(part) / math.sqrt(5), None) for part in independent)))

    assert result.value == pytest.approx(127.732, abs=0.0005)
    assert result.standard_uncertainty == pytest.approx(0.071, abs=0.0005)
    assert result.degrees_of_freedom == pytest.approx(4)
    assert ignoring > 2 * result.standard_uncertainty


def test_u4_the_thermometer_of_gum_h3():
    """GUM H.3: the line through eleven points gives b(30 °C) = -0.1494 with u = 0.0041.

    Offset and slope are correlated by -0.930; the mean of the points and the slope about it are not.
    """
    above_20 = np.array([1.521, 2.012, 2.512, 3.003, 3.507, 3.999, 4.513, 5.002, 5.503, 6.010, 6.511])
    correction = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])
    line = stats.linregress(above_20, correction)
    scatter = math.sqrt(np.sum((correction - line.intercept - line.slope * above_20) ** 2) / 9)

    lines = budget((scatter / 11**0.5, 9), (line.stderr * (10 - above_20.mean()), 9))
    result = quantity_from_budget(line.intercept + line.slope * 10, "°C", lines)

    assert result.value == pytest.approx(-0.1494, abs=0.00005)
    assert result.standard_uncertainty == pytest.approx(0.0041, abs=0.00005)


def test_u5_the_weight_of_ea_4_02():
    """EA-4/02 S2: u = 29.3 mg, U = 59 mg."""
    lines = budget((22.5, None), (15 / 3**0.5, None), (25 / 3**0.5, None), (10 / 3**0.5, None), (10 / 3**0.5, None))

    result = quantity_from_budget(10_000.025, "g", lines)

    assert result.standard_uncertainty == pytest.approx(29.3, abs=0.05)
    assert expanded_uncertainty(result) == pytest.approx(59, abs=0.5)


def test_u6_the_resolution_of_a_digital_indication():
    """GUM F.2.2.1: a step d contributes 0.29 d, the standard deviation of a uniform distribution as scipy gives it."""
    step = 0.1

    assert 0.29 * step == pytest.approx(stats.uniform(scale=step).std(), rel=0.005)


@given(st.lists(st.floats(1e-6, 1e6), min_size=1, max_size=6))
def test_combining_agrees_with_the_library_uncertainties(parts):
    """The Python package uncertainties propagates the sum of independent inputs linearly."""
    total = sum(uncertainties.ufloat(0, part) for part in parts)

    uncertainty, freedom = combine(budget(*((part, None) for part in parts)))

    assert uncertainty == pytest.approx(total.std_dev, rel=1e-12)
    assert freedom is None


@given(st.lists(st.tuples(st.floats(1e-3, 1e3), st.integers(1, 50)), min_size=1, max_size=6))
def test_effective_degrees_of_freedom_lie_between_the_fewest_and_their_sum(lines):
    """A property of the Welch-Satterthwaite formula (GUM G.4.2)."""
    _, freedom = combine(budget(*lines))

    fewest, total = min(dof for _, dof in lines), sum(dof for _, dof in lines)
    assert fewest * (1 - 1e-9) <= freedom <= total * (1 + 1e-9)


def test_contributions_too_small_to_square_still_count():
    uncertainty, _ = combine(budget((3e-200, 5), (4e-200, 5)))

    assert uncertainty == pytest.approx(5e-200)


def test_no_contributions_combine_to_nothing():
    assert combine([]) == (0.0, None)


@pytest.mark.parametrize(
    ("freedom", "at_95", "at_95_45", "at_99"),
    [
        (1, 12.71, 13.97, 63.66),
        (2, 4.30, 4.53, 9.92),
        (5, 2.57, 2.65, 4.03),
        (10, 2.23, 2.28, 3.17),
        (20, 2.09, 2.13, 2.85),
        (50, 2.01, 2.05, 2.68),
        (None, 1.96, 2.00, 2.58),
    ],
)
def test_coverage_factors_are_those_of_the_gum_table(freedom, at_95, at_95_45, at_99):
    """GUM Table G.2, printed to two decimals."""
    assert coverage_factor(freedom, 0.95) == pytest.approx(at_95, abs=0.005)
    assert coverage_factor(freedom, 0.9545) == pytest.approx(at_95_45, abs=0.005)
    assert coverage_factor(freedom, 0.99) == pytest.approx(at_99, abs=0.006)


def test_degrees_of_freedom_are_truncated_and_never_below_one():
    assert coverage_factor(16.6) == coverage_factor(16)
    assert coverage_factor(0.3) == coverage_factor(1)


@given(st.floats(-4, 4), st.one_of(st.none(), st.integers(1, 40)))
def test_the_probability_below_a_bound_agrees_with_scipy(deviation, freedom):
    spread = stats.norm() if freedom is None else stats.t(freedom)
    seen = Quantity(value=10, unit="ms", standard_uncertainty=2, degrees_of_freedom=freedom)

    assert probability_below(10 + 2 * deviation, seen) == pytest.approx(spread.cdf(deviation), abs=1e-9)


def test_without_uncertainty_the_probability_is_certainty():
    seen = Quantity(value=10, unit="1")

    assert [probability_below(bound, seen) for bound in (9, 10, 11)] == [0, 1, 1]


@pytest.mark.parametrize(
    ("value", "standard_uncertainty", "printed"),
    [
        (18.2345, 0.31, "18.23 ± 0.62 ms"),
        (18.2345, 0.0498, "18.23 ± 0.10 ms"),
        (-0.004, 0.31, "0.00 ± 0.62 ms"),
        (-18.2345, 1.0, "\N{MINUS SIGN}18.2 ± 2.0 ms"),
        (0.0012345, 0.0000066, "0.001234 ± 0.000013 ms"),
        (51234, 617, "51200 ± 1200 ms"),
        (2345, 62, "2340 ± 120 ms"),
        (12, 0, "12 ms"),
        (71.8376, 0, "71.84 ms"),
        (0.8, 0, "0.8 ms"),
        (0.1 + 0.2, 0, "0.3 ms"),
    ],
)
def test_value_and_uncertainty_are_printed_to_the_same_place(value, standard_uncertainty, printed):
    """GUM 7.2.6: the uncertainty to at most two significant digits, the value to the same place. By hand."""
    assert format_quantity(Quantity(value=value, unit="ms", standard_uncertainty=standard_uncertainty)) == printed


def test_few_degrees_of_freedom_widen_the_printed_uncertainty():
    """With 4 degrees of freedom t is 2.87 (GUM Table G.2), so that u = 1 prints as ± 2.9."""
    assert format_quantity(Quantity(value=10, unit="1", standard_uncertainty=1, degrees_of_freedom=4)) == "10.0 ± 2.9"


def test_a_value_alone_is_printed_to_the_place_of_its_uncertainty():
    assert format_value(Quantity(value=18.2345, unit="ms", standard_uncertainty=0.31)) == "18.23 ms"


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e6))
def test_what_is_printed_is_within_half_a_place_of_what_was_measured(value, uncertainty):
    decimals = decimals_for(uncertainty, value)

    printed = float(format_number(value, decimals).replace("\N{MINUS SIGN}", "-"))

    assert abs(printed - value) <= 0.5 * 10**-decimals * (1 + 1e-9)
    assert 10 ** (1 - decimals) <= float(format_number(uncertainty, decimals)) <= 99.5 * 10**-decimals


@pytest.mark.parametrize(
    ("value", "unit", "printed"),
    [(50, "ms", "50 ms"), (0.005, "lx", "0.005 lx"), (-2.5, "%", "\N{MINUS SIGN}2.5 %"), (3, "1", "3")],
)
def test_a_limit_is_printed_as_the_contract_wrote_it(value, unit, printed):
    assert format_limit(value, unit) == printed
