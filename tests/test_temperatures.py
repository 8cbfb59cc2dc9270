"""Temperatures: tables as people have them, and what is wrong with some."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest

from collarvision.temperatures import (
    TemperatureError,
    Unit,
    average_years,
    join,
    parse_temperatures,
    read_temperatures,
)

MAY_1 = date(2026, 5, 1)


def table(
    header: str = "date,tmin_f,tmax_f",
    days: int = 10,
    low: float = 50.0,
    high: float = 75.0,
    drop: tuple[int, ...] = (),
) -> str:
    lines = [header] if header else []
    for k in range(days):
        if k not in drop:
            lines.append(f"{MAY_1 + timedelta(days=k)},{low + k:g},{high + k:g}")
    return "\n".join(lines) + "\n"


def test_a_plain_table(tmp_path: Path) -> None:
    path = tmp_path / "weather.csv"
    path.write_text(table(), encoding="utf-8")
    found = read_temperatures(path)
    assert len(found.days) == 10
    assert (found.days[0].day, found.days[0].low_f, found.days[0].high_f) == (MAY_1, 50, 75)
    assert found.findings == ()
    assert found.gaps == ()


@pytest.mark.parametrize(
    "text",
    [
        "station;X\nDatum;Tmax (°C);Tmin (°C)\n2026-05-01;25,0;10,0\n2026-05-02;30,0;12,5\n",
        "# my station\nDate\tLow degC\tHigh degC\n2026-05-01\t10\t25\n2026-05-02\t12.5\t30\n",
        "day,high_celsius,low_celsius\n5/1/2026,25,10\n5/2/2026,30,12.5\n",
        "date,min_c,max_c\n20260501,10,25\n20260502,12.5,30\n",
        "date,min_c,max_c,rain\n01.05.2026,10 °C,25 °C,0\n02.05.2026,12.5,30,3\n",
    ],
)
def test_tables_as_people_have_them(text: str) -> None:
    first, second = parse_temperatures(text).days
    # 10, 25, 12.5 and 30 °C are 50, 77, 54.5 and 86 °F by definition.
    assert (first.day, first.low_f, first.high_f) == (MAY_1, 50, 77)
    assert (second.low_f, second.high_f) == (54.5, 86)


def test_no_header_and_no_unit_but_clear_values() -> None:
    assert parse_temperatures(table("", low=50, high=75)).days[0].high_f == 75
    metric = parse_temperatures(table("", low=8, high=21))
    assert metric.days[0].high_f == pytest.approx(69.8)


def test_swapped_columns_are_turned_round_and_said() -> None:
    found = parse_temperatures(table("date,tmax_f,tmin_f"))
    assert (found.days[0].low_f, found.days[0].high_f) == (50, 75)
    assert any("swapped" in finding for finding in found.findings)


def test_one_day_the_wrong_way_round_counts_as_missing() -> None:
    found = parse_temperatures(table().replace("2026-05-04,53,78", "2026-05-04,78,53"))
    fourth = found.days[3]
    assert (fourth.origin, fourth.low_f, fourth.high_f) == ("filled", 53, 78)
    assert any("Line 5" in finding for finding in found.findings)


@pytest.mark.parametrize(
    ("header", "low", "high", "looks"),
    [("date,tmin_c,tmax_c", 50, 75, "F"), ("date,tmin_f,tmax_f", 8, 21, "C")],
)
def test_a_wrong_unit_is_found(header: str, low: float, high: float, looks: str) -> None:
    with pytest.raises(TemperatureError, match=f"set the unit to {looks}"):
        parse_temperatures(table(header, low=low, high=high))


def test_short_gaps_are_filled_and_long_ones_are_said() -> None:
    short = parse_temperatures(table(drop=(3, 4)))
    assert len(short.days) == 10
    assert [day.origin for day in short.days[3:5]] == ["filled", "filled"]
    assert short.days[3].low_f == pytest.approx(53)
    assert any("2 missing days" in finding for finding in short.findings)
    long = parse_temperatures(table(days=12, drop=(3, 4, 5, 6)))
    assert long.gaps == ((date(2026, 5, 4), date(2026, 5, 7)),)
    assert "No temperatures from 2026-05-04 to 2026-05-07." in long.findings


@pytest.mark.parametrize("mark", ["", "NA", "-9999", "M", "oops"])
def test_missing_marks(mark: str) -> None:
    found = parse_temperatures(table().replace("2026-05-04,53,78", f"2026-05-04,53,{mark}"))
    assert found.days[3].origin == "filled"


def test_a_temperature_that_cannot_be() -> None:
    found = parse_temperatures(table().replace("2026-05-04,53,78", "2026-05-04,53,780"))
    assert found.days[3].origin == "filled"
    assert any("can't be" in finding for finding in found.findings)


def test_days_from_today_on_are_a_forecast() -> None:
    found = parse_temperatures(table(), today=date(2026, 5, 8))
    assert [day.origin for day in found.days[6:]] == ["seen", "ahead", "ahead", "ahead"]
    assert any("forecast" in finding for finding in found.findings)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is empty"),
        ("a,b,c\n1,2,3\n", "name the columns date, tmin, tmax"),
        ("date,tmin_f,tmax_c\n2026-05-01,50,25\n", "one unit"),
        ("date,tmin,tmax\n2026-05-01,40,52\n", "F or C"),
        ("date,tmin_f,tmax_f\nyesterday,50,75\n", "line 2: 'yesterday' isn't a date"),
        ("date,tmin_f,tmax_f\n2026-13-45,50,75\n", "one order"),
        ("date,tmin_f,tmax_f\n2026-13-45,50,75\nsoon,50,75\n", "one order"),
        ("date,tmin_f,tmax_f\n05/06/2026,50,75\n", "day or month first"),
        ("date,tmin_f,tmax_f\n2026-05-01,50,75\n2026-05-01,50,76\n", "lines 2 and 3"),
        ("date,tmin_f,tmax_f\n2026-05-01,NA,NA\n", "holds no day"),
        ("date,tmin_f,tmax_f\n2026-05-01,50\n", "holds no day"),
    ],
)
def test_bad_tables(text: str, said: str) -> None:
    with pytest.raises(TemperatureError, match=said) as caught:
        parse_temperatures(text, "w.csv", today=None)
    assert "\n" not in str(caught.value)


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(TemperatureError, match="can't be read"):
        read_temperatures(tmp_path / "none.csv")


def test_a_file_in_an_older_encoding(tmp_path: Path) -> None:
    path = tmp_path / "w.csv"
    path.write_bytes(table("date,tmin °F,tmax °F").encode("latin-1"))
    assert len(read_temperatures(path).days) == 10


def test_what_was_seen_stands_over_a_forecast() -> None:
    seen = parse_temperatures(table(days=5))
    ahead = parse_temperatures(table(days=9, low=40))
    both = join(seen, ahead)
    assert [day.origin for day in both.days] == ["seen"] * 5 + ["ahead"] * 4
    assert both.days[4].low_f == 54
    assert both.days[5].low_f == 45


def test_the_mean_of_past_years() -> None:
    years = "date,tmin_f,tmax_f\n" + "".join(
        f"{year}-06-{day:02},{50 + extra},{70 + extra}\n"
        for year, extra in ((2023, 0), (2024, 10))
        for day in range(1, 11)
    )
    found = average_years(parse_temperatures(years), date(2026, 6, 2), date(2026, 6, 4))
    assert [day.day.day for day in found.days] == [2, 3, 4]
    assert (found.days[0].low_f, found.days[0].high_f, found.days[0].origin) == (55, 75, "ahead")
    with pytest.raises(TemperatureError, match="11 June"):
        average_years(parse_temperatures(years), date(2026, 6, 9), date(2026, 6, 11))


@pytest.mark.parametrize(
    ("header", "row"),
    [
        ("date,rh_min,rh_max,tmin_F,tmax_F", "{},30,90,50,75"),
        ("date,RHmin %,RHmax %,min °F,max °F", "{},30,90,50,75"),
        (
            "Date;Soil Temp Min (F);Soil Temp Max (F);Air Temp Min (F);Air Temp Max (F)",
            "{};55;65;50;75",
        ),
        ("date,wind gust max,dew point min,tmax_F,tmin_F,srad_max", "{},40,45,75,50,900"),
        ("date,speed_min,speed_max,temp_min_F,temp_max_F,time of max", "{},1,9,50,75,1400"),
        ("date,minRH,maxRH,Rhodes min °F,Rhodes max °F", "{},30,90,50,75"),
        ("DATE,TMAX (F),TMAX_FLAG,TMIN (F),TMIN_FLAG,PRCP", "{},75,,50,,0"),
        ("Datum;Tmin (Grad Fahrenheit);Tmax (Grad Fahrenheit)", "{};50;75"),
    ],
)
def test_the_air_is_told_from_what_else_a_station_writes(header: str, row: str) -> None:
    rows = [row.format(MAY_1 + timedelta(days=k)) for k in range(10)]
    found = parse_temperatures("\n".join([header, *rows]))
    assert {(day.low_f, day.high_f) for day in found.days} == {(50, 75)}


def test_several_columns_that_may_be_the_air() -> None:
    text = "date,tmin_C,tmax_C,tmin_F,tmax_F\n2026-05-01,10,25,50,77\n"
    with pytest.raises(TemperatureError) as caught:
        parse_temperatures(text, "w.csv")
    assert str(caught.value) == (
        "w.csv, line 1: 'tmin_C', 'tmax_C', 'tmin_F', 'tmax_F' may all be the air's temperature: "
        "leave one minimum and one maximum in the table."
    )


def test_a_table_without_the_air() -> None:
    with pytest.raises(TemperatureError, match="name the columns date, tmin, tmax"):
        parse_temperatures("date,rh_min,rh_max\n2026-05-01,30,90\n")


def test_the_header_stands_over_the_unit_given() -> None:
    found = parse_temperatures(table("date,tmin_C,tmax_C", low=10, high=25), unit="F")
    assert (found.days[0].low_f, found.days[0].high_f) == (50, 77)
    assert found.findings == (
        "The header says °C: taken so, not as the °F you gave. If the header is wrong, correct it.",
    )
    assert parse_temperatures(table("date,tmin_C,tmax_C", low=10, high=25), unit="C").findings == ()


@pytest.mark.parametrize(
    ("header", "low", "high", "given", "high_f"),
    [("date,tmin_c,tmax_c", 50, 75, "F", 75), ("date,tmin_f,tmax_f", 10, 20, "C", 68)],
)
def test_values_that_speak_against_their_header(
    header: str, low: float, high: float, given: Unit, high_f: float
) -> None:
    found = parse_temperatures(table(header, low=low, high=high), unit=given)
    assert found.days[0].high_f == high_f
    assert any(f"look like °{given}: taken as °{given}." in said for said in found.findings)


def test_one_day_is_told_as_one() -> None:
    found = parse_temperatures(table(drop=(3,)), today=date(2026, 5, 10))
    assert found.findings == (
        "1 day from 2026-05-10 on is taken as a forecast.",
        "1 missing day was filled from its neighbours.",
    )


@pytest.mark.parametrize(("wrong", "swapped"), [(20, False), (36, True)])
def test_columns_are_swapped_where_most_days_say_so(wrong: int, swapped: bool) -> None:
    """Half of the days the wrong way round are a broken file, and no column's name is wrong."""
    lines = table(days=40).splitlines()
    for k in range(1, 1 + wrong):
        day, low, high = lines[k].split(",")
        lines[k] = f"{day},{high},{low}"
    found = parse_temperatures("\n".join(lines))
    assert any("swapped" in finding for finding in found.findings) == swapped
    assert all(day.low_f <= day.high_f for day in found.days)
    assert len(found.days) == 40 - (40 - wrong if swapped else wrong)


@pytest.mark.parametrize(("wrong", "said"), [(6, "1 more day has"), (7, "2 more days have")])
def test_further_days_the_wrong_way_round(wrong: int, said: str) -> None:
    lines = table(days=40).splitlines()
    for k in range(1, 1 + 3 * wrong, 3):
        day, low, high = lines[k].split(",")
        lines[k] = f"{day},{high},{low}"
    found = parse_temperatures("\n".join(lines))
    assert f"{said} the minimum above the maximum." in found.findings


def test_highs_that_no_place_has_on_half_of_its_days_are_not_celsius() -> None:
    rows = [f"2027-05-{k:02},38,{50 + k % 7}" for k in range(1, 29)]
    for header, unit in (("date,tmin,tmax", "C"), ("date,tmin_C,tmax_C", None)):
        with pytest.raises(TemperatureError, match="looks like °F"):
            parse_temperatures("\n".join([header, *rows]), unit=unit)


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be"])
def test_a_table_saved_as_unicode_text(tmp_path: Path, encoding: str) -> None:
    path = tmp_path / "w.txt"
    text = table("date,tmin °F,tmax °F").replace(",", "\t")
    path.write_bytes(f"\ufeff{text}".encode(encoding))
    assert len(read_temperatures(path).days) == 10
    path.write_bytes(table().encode(encoding))  # without its mark it could be anything
    with pytest.raises(TemperatureError, match=r"plain text: save it as CSV UTF-8\."):
        read_temperatures(path)


def test_a_cell_longer_than_any_table_has() -> None:
    text = table() + "2026-05-11," + "9" * 140_000 + ",70\n"
    with pytest.raises(TemperatureError, match=r"w.csv, line 12: .*save it as CSV UTF-8 again"):
        parse_temperatures(text, "w.csv")


@pytest.mark.parametrize("day", ["9999-12-31", "12/31/9999", "99991231", "1026-05-11"])
def test_a_year_that_no_temperatures_are_of(day: str) -> None:
    rows = table() if "-" in day else table().replace("2026-05-01", day)
    text = rows + f"{day},50,75\n" if "-" in day else f"date,tmin_f,tmax_f\n{day},50,75\n"
    with pytest.raises(TemperatureError, match=f"{day}'.*check its year"):
        parse_temperatures(text)
