"""Weather unit: a few bad cells neither turn Celsius into Fahrenheit nor pass for weather."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from collarvision.heat import heat_between
from collarvision.temperatures import TemperatureError, parse_temperatures

MAY_1 = date(2027, 5, 1)
CELSIUS = (22.0, 34.0)
# By hand: 34 °C is held at 30, so (30 + 22) / 2 - 10 = 16 °C-days, which are 28.8 °F-days.
A_DAY_F = 28.8


def table(
    bad: dict[int, str], days: int = 60, header: str = "date,tmin,tmax", usual: str = "22,34"
) -> str:
    rows = [f"{MAY_1 + timedelta(days=k)},{bad.get(k, usual)}" for k in range(days)]
    return "\n".join([header, *rows])


@pytest.mark.parametrize(
    "cells",
    ["9999.9,9999.9", "999.9,999.9", "99.9,99.9", "22,99.9", "13,241", "22,120", "-99.9,34"],
)
@pytest.mark.parametrize("header", ["date,tmin,tmax", "date,tmin_C,tmax_C"])
def test_one_bad_day_leaves_a_celsius_table_celsius(cells: str, header: str) -> None:
    found = parse_temperatures(table({10: cells}, header=header))
    assert heat_between(found, MAY_1, MAY_1 + timedelta(days=60)) == pytest.approx(60 * A_DAY_F)
    assert [day.day for day in found.days if day.origin == "filled"] == [date(2027, 5, 11)]
    assert "1 missing day was filled from its neighbours." in found.findings


@pytest.mark.parametrize(
    ("cells", "said"),
    [
        ("13,241", "Line 12: 241 can't be; the day counts as missing."),
        ("22,99.9", "Line 12: 99.9 is far above all other days"),
        ("22,120", "Line 12: 22 to 120 °C can't be; the day counts as missing."),
    ],
)
def test_the_bad_day_is_told(cells: str, said: str) -> None:
    assert any(one.startswith(said) for one in parse_temperatures(table({10: cells})).findings)


def test_bad_days_that_differ_stand_apart_together() -> None:
    bad = {10: "22,99.9", 20: "22,95", 30: "25,88", 40: "23,120", 41: "9999.9,34"}
    found = parse_temperatures(table(bad))
    assert heat_between(found, MAY_1, MAY_1 + timedelta(days=60)) == pytest.approx(60 * A_DAY_F)
    assert sum(day.origin == "filled" for day in found.days) == 5


def test_a_few_days_with_a_bad_one_are_never_taken_for_fahrenheit() -> None:
    found = parse_temperatures(table({2: "22,88"}, days=8))
    assert found.days[0].high_f == pytest.approx(93.2)
    with pytest.raises(TemperatureError, match="name it, F or C"):
        parse_temperatures(table({2: "22,88"}, days=5))


def test_one_bad_day_hides_no_celsius_under_a_header_of_fahrenheit() -> None:
    with pytest.raises(TemperatureError, match=r"highest is 34\): set the unit to C"):
        parse_temperatures(table({10: "22,88"}, header="date,tmin_F,tmax_F"))


def test_fahrenheit_stays_fahrenheit() -> None:
    """Hot days are weather where others are near them, and a warm day in a cold spring is too."""
    hot = {k: f"70,{90 + k}" for k in range(10)} | {10: "75,99.9"}
    found = parse_temperatures(table(hot, usual="60,85"))
    assert (found.days[10].high_f, found.findings) == (99.9, ())
    cold = parse_temperatures(table({3: "40,56"}, 8, "date,tmin_F,tmax_F", usual="30,44"))
    assert cold.days[3].high_f == 56
    spring = {k: f"{20 + k},{35 + k}" for k in range(40)}
    found = parse_temperatures(table(spring, days=40))
    assert (found.days[0].high_f, found.days[39].high_f) == (35, 74)
