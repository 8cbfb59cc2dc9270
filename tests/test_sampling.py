"""Sampling: numbers of plants and stops, intervals, Wald's test, and the plan command."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from command import run
from hypothesis import given
from hypothesis import strategies as st

from collarvision import units
from collarvision.sampling import (
    SequentialTest,
    enough_plants,
    plan_sample,
    plants_for,
    stops_for,
    wilson,
)


@pytest.mark.parametrize(("precision", "plants"), [(0.10, 97), (0.15, 43), (0.20, 25)])
def test_plants_for_a_precision(precision: float, plants: int) -> None:
    # n = z^2 p (1 - p) / d^2 at p 0.5 and 95 %: 96.04, 42.68 and 24.01, rounded up.
    assert plants_for(precision) == plants


@pytest.mark.parametrize(
    ("acres", "stops"), [(1, 3), (15, 3), (16, 5), (30, 5), (31, 7), (40, 7), (50, 7)]
)
def test_published_stops(acres: float, stops: int) -> None:
    # North Carolina State Univ., stand counts: 3 for 1-15 acres, 5 for 16-30, 7 for 31-50.
    assert stops_for(acres) == (stops, True)


def test_heat_is_told_in_the_degrees_that_go_with_the_lengths() -> None:
    # Nine °F-days are five °C-days: the ratio of the degrees, without their zero.
    assert units.Shown("in").heat(180) == "180 °F-days"
    assert units.Shown("cm").heat(180) == units.Shown("mm").heat(180) == "100 °C-days"


def test_stops_beyond_the_published_ones_say_so_and_are_capped() -> None:
    assert stops_for(51) == (9, False)
    assert stops_for(75) == (9, False)
    assert stops_for(10_000) == (15, False)


@given(st.floats(0.01, 5000), st.floats(0.01, 5000))
def test_a_larger_field_never_gets_fewer_stops(a: float, b: float) -> None:
    assert stops_for(min(a, b))[0] <= stops_for(max(a, b))[0]


@given(st.floats(0.5, 500), st.floats(0.03, 0.45))
def test_a_plan_sees_at_least_the_plants_needed(acres: float, precision: float) -> None:
    plan = plan_sample(acres, precision)
    assert plan.plants >= plan.plants_needed >= plants_for(precision)
    assert plan.plants - plan.plants_needed < plan.stops


@pytest.mark.parametrize("bad", [0.0, -0.1, 0.5, 15, math.nan])
def test_a_precision_that_makes_no_sense(bad: float) -> None:
    with pytest.raises(ValueError, match=r"such as 0\.15"):
        plants_for(bad)


@pytest.mark.parametrize("bad", [0.0, -3.0, math.nan, math.inf])
def test_an_area_that_makes_no_sense(bad: float) -> None:
    with pytest.raises(ValueError, match="above zero"):
        stops_for(bad)


@pytest.mark.parametrize(("k", "n"), [(0, 10), (3, 10), (10, 10), (21, 43), (97, 97), (1, 1)])
def test_wilson_against_scipy(k: int, n: int) -> None:
    # scipy.stats, an independent implementation of Wilson's interval.
    stats = pytest.importorskip("scipy.stats", reason="the other intervals are SciPy's")
    expected = stats.binomtest(k, n).proportion_ci(0.95, method="wilson")
    assert wilson(k, n) == pytest.approx((expected.low, expected.high), abs=1e-9)


@pytest.mark.parametrize(("k", "n"), [(-1, 5), (6, 5), (0, 0)])
def test_wilson_refuses_what_is_no_share(k: int, n: int) -> None:
    with pytest.raises(ValueError, match="isn't a share"):
        wilson(k, n)


def test_sequential_bounds() -> None:
    # Wald's test at p0 0.4, p1 0.6, alpha = beta = 0.1 stops when |k - 0.5 n| >= 2.71
    # (the formula from memory; the number is its arithmetic: ln 9 / (2 ln 1.5)).
    test = SequentialTest()
    assert test.slope == pytest.approx(0.5)
    assert test.upper == pytest.approx(2.71, abs=0.001)
    assert test.lower == pytest.approx(2.71, abs=0.001)
    assert test.decide(8, 10) == "high"  # 3.0
    assert test.decide(7, 9) == "go on"  # 2.5
    assert test.decide(2, 10) == "low"
    assert test.decide(0, 5) == "go on"  # -2.5


def test_sequential_errors_are_as_promised() -> None:
    """Simulated: at the two shares the wrong answer comes in at most about 1 of 10 walks."""
    random = np.random.default_rng(5)
    test = SequentialTest()

    def wrong(share: float, answer: str) -> float:
        bad = 0
        for _ in range(600):
            successes = plants = 0
            said = "go on"
            while said == "go on":
                plants += 1
                successes += int(random.random() < share)
                said = test.decide(successes, plants)
            bad += said == answer
        return bad / 600

    assert wrong(0.4, "high") < 0.13
    assert wrong(0.6, "low") < 0.13


@pytest.mark.parametrize("bad", [{"low": 0.7}, {"alpha": 0.0}, {"beta": 0.6}])
def test_a_sequential_test_without_sense(bad: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="must"):
        SequentialTest(**bad)


def test_enough_or_how_many_more() -> None:
    none = enough_plants(0, 0)
    assert (none.enough, none.more) == (False, 43)
    some = enough_plants(5, 10)
    assert not some.enough
    assert 20 < some.more < 33
    assert f"about {some.more} more plants" in some.sentence
    assert enough_plants(22, 43).enough
    # ten plants that agree say enough at +-0.15; nine are under the published ten
    assert enough_plants(10, 10).enough
    assert not enough_plants(9, 9).enough


def test_the_sequential_test_stops_earlier_when_asked_for() -> None:
    assert not enough_plants(11, 14, 0.15).enough
    early = enough_plants(11, 14, 0.15, test=SequentialTest())
    assert early.enough
    assert "at least half" in early.sentence


@given(st.integers(0, 60), st.integers(1, 60))
def test_seeing_the_plants_asked_for_is_enough(k: int, n: int) -> None:
    """If the share stays as it is, the advice comes true (to the rounding of one plant)."""
    k = min(k, n)
    advice = enough_plants(k, n)
    total = n + advice.more
    after = enough_plants(round(k / n * total), total)
    assert after.more <= 2


@given(st.integers(0, 40), st.integers(1, 40), st.integers(2, 6))
def test_more_plants_of_the_same_share_never_widen_the_interval(k: int, n: int, by: int) -> None:
    k = min(k, n)
    few, many = wilson(k, n), wilson(k * by, n * by)
    assert many[1] - many[0] < few[1] - few[0]


def test_an_interval_with_the_readings_doubt_must_be_as_narrow() -> None:
    assert enough_plants(22, 43).enough
    doubtful = enough_plants(22, 43, known=(0.33, 0.69))
    assert not doubtful.enough
    # 18 points to 15 asks for 1.44 times the plants: 61.9 of 43, so 19 more.
    assert doubtful.more == 19
    assert doubtful.sentence == ("22 of 43 plants (33% to 69% of the field): about 19 more plants.")
    assert enough_plants(22, 43, known=(0.37, 0.66)).enough


# Units


@given(st.decimals(-1000, 1000, places=3), st.sampled_from(sorted(units.MM_PER)))
def test_lengths_come_back_exactly(value: object, unit: str) -> None:
    exact = Fraction(str(value))
    for other in units.MM_PER:
        assert units.change(units.change(exact, unit, other), other, unit) == exact


@given(st.floats(-1e6, 1e6))
def test_floats_and_temperatures_come_back_exactly(value: float) -> None:
    assert float(units.celsius(units.fahrenheit(value))) == value
    assert float(units.fahrenheit(units.celsius(value))) == value
    assert float(units.change(units.change(value, "in", "cm"), "cm", "in")) == value
    there = units.change(value, "ac", "ha", units.M2_PER)
    assert float(units.change(there, "ha", "ac", units.M2_PER)) == value


def test_units_by_definition() -> None:
    # International inch 25.4 mm and acre 4046.8564224 m2 (1959 agreement); water freezes at 32 °F.
    assert units.read_length_mm("20 in") == 508
    assert units.read_length_mm('4"') == Fraction("101.6")
    assert units.read_length_mm("50,5 cm") == 505
    assert units.read_area_m2("40ac") == Fraction("161874.256896")
    assert units.read_area_m2("16 Hectares") == 160_000
    assert units.fahrenheit(0) == 32
    assert units.celsius(86) == 30


@pytest.mark.parametrize("text", ["", "in", "20", "20 yd", "1e3 in", "twenty in", "20 in 3"])
def test_a_length_that_is_none(text: str) -> None:
    with pytest.raises(units.UnitError, match="write it like"):
        units.read_length_mm(text)


@pytest.mark.parametrize(
    ("text", "mm"), [("20 in.", 508), ("14in.", Fraction("355.6")), ("5 cm. ", 50)]
)
def test_a_full_stop_after_a_unit_as_labels_print_it(text: str, mm: float) -> None:
    assert units.read_length_mm(text) == mm
    assert units.unit_of_length(text) == ("cm" if "cm" in text else "in")
    assert units.read_area_m2("16 ha.") == 160_000


@pytest.mark.parametrize(
    ("text", "inches"),
    [("1 ft 2 in", "14"), ("1ft 2in.", "14"), ("2 ft. 0.5 inches", "24.5"), ("1' 8\"", "20")],
)
def test_feet_and_inches_are_told_in_inches(text: str, inches: str) -> None:
    with pytest.raises(units.UnitError) as caught:
        units.read_length_mm(text)
    assert str(caught.value) == f"{text!r} has two units: write {inches} in."


@pytest.mark.parametrize("text", ["40", "0ac", "-3 ha", "40 in"])
def test_an_area_that_is_none(text: str) -> None:
    with pytest.raises(units.UnitError):
        units.read_area_m2(text)


# The command


def test_plan_prints_a_page() -> None:
    result = run("plan", "--area", "40ac")
    assert result.exit_code == 0
    assert "Stops            12  (7 by its size;" in result.stdout
    assert "Plants a stop    6" in result.stdout
    assert "(43 are needed, were each from a place of its own)" in result.stdout
    assert result.stdout.count("[  ]") == 12
    assert "the label is the law" in result.stdout
    assert max(map(len, result.stdout.splitlines())) <= 80


def test_plan_in_hectares() -> None:
    result = run("plan", "--area", "6 ha", "--precision", "0.2")
    assert "6 ha" in result.stdout
    assert "(3 by its size;" in result.stdout  # 14.8 acres


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "--area 40ac"),
        (["--area", "40"], "has no unit"),
        (["--area", "0ac"], "above zero"),
        (["--area", "40ac", "--precision", "15"], "such as 0.15"),
        (["--area", "40ac", "--format", "geojson"], "--boundary"),
        (["--area", "40ac", "--start", "41,-93"], "--boundary"),
    ],
)
def test_plan_asked_wrongly(words: list[str], said: str) -> None:
    result = run("plan", *words)
    assert result.exit_code == 2
    assert said in result.stderr
    assert result.stderr.count("\n") == 1


def test_plants_of_few_stops_ask_for_more() -> None:
    alone = enough_plants(20, 43)
    alike = enough_plants(20, 43, effect=2.0)
    assert alone.enough
    assert not alike.enough
    # Twice the plants in all; Wilson asks for a few fewer than the binomial formula.
    assert 2 * 43 - 10 <= 43 + alike.more <= 2 * 43
    assert alike.interval is not None
    assert alone.interval is not None
    assert alike.interval[1] - alike.interval[0] > alone.interval[1] - alone.interval[0]
    assert enough_plants(0, 0, effect=2.0).more == 86


def test_the_sequential_test_with_a_design_effect() -> None:
    """|k - n/2| must reach 2.71 times the effect: 16 of 20 does for 2, not for 2.5."""
    test = SequentialTest()
    assert test.decide(16, 20, 2.0) == "high"
    assert test.decide(16, 20, 2.5) == "go on"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("1,000 mm", "1000 mm or 1.000 mm"),
        ("-1,000mm", "-1000 mm or -1.000 mm"),
        ("12,500 in", "12500 in or 12.500 in"),
    ],
)
def test_a_comma_that_may_part_thousands(text: str, said: str) -> None:
    with pytest.raises(units.UnitError) as caught:
        units.read_length_mm(text)
    assert str(caught.value) == f"{text!r} may be {said}: write it without a comma."
    with pytest.raises(units.UnitError, match=r"1250 ac or 1\.250 ac"):
        units.read_area_m2("1,250 acres")


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("1,5 m", 1500),
        ("1,25 m", 1250),
        ("0,125 in", Fraction(127, 40)),
        ("0.125 in", Fraction(127, 40)),
        ("1.250 m", 1250),
        ("1000 mm", 1000),
        ("1,2500 m", 1250),
    ],
)
def test_decimal_commas_and_points(text: str, mm: int | Fraction) -> None:
    assert units.read_length_mm(text) == mm
