"""Outlook: weather files and visits to windows and courses."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest
from fields import LIMITS, VISIT, weather_csv

from collarvision.evidence import SAME_CROP_DAYS, PlantEvidence
from collarvision.heat import DateSpan, Visit
from collarvision.heatdates import height_reached, leaves_reached
from collarvision.limitsfile import parse_limits
from collarvision.outlook import (
    HORIZON_DAYS,
    Outlook,
    TrackDay,
    height_track,
    look_ahead,
    read_weather,
)
from collarvision.temperatures import Day, TemperatureError, Temperatures
from collarvision.window import Window, mix_window

TODAY = VISIT + timedelta(days=1)
NUMBERED = {4: VISIT, 3: VISIT - timedelta(days=5)}
OPENS_LATER = """
[[limit]]
name = "leaves"
method = "broadcast"
min_leaves = 5
max_leaves = 8
leaf = "collars"

[[limit]]
name = "height"
method = "broadcast"
min_leaves = 5
max_leaves = 9
leaf = "collars"
max_height = "24 in"
"""


def plants(stage: int, mm: float | None = None, day: date = VISIT) -> list[PlantEvidence]:
    return [
        PlantEvidence(f"p{k}", hand_count=stage, height_mm=mm and mm + k, taken_at=day)
        for k in range(12)
    ]


def test_measured_days_and_days_ahead(tmp_path: Path) -> None:
    weather = read_weather(weather_csv(tmp_path / "t.csv"), None, TODAY)
    ahead = [day for day in weather.days if day.origin == "ahead"]
    assert ahead[0].day == TODAY
    assert any("forecast" in finding for finding in weather.findings)


def test_a_forecast_goes_on_where_measuring_ends(tmp_path: Path) -> None:
    seen = weather_csv(tmp_path / "t.csv", days=35)  # to 2027-06-04
    ahead = weather_csv(tmp_path / "f.csv", date(2027, 6, 3), 14, unit="C")
    weather = read_weather(seen, ahead, TODAY)
    assert weather.days[-1].day == date(2027, 6, 16)
    assert not weather.gaps
    short = read_weather(seen, weather_csv(tmp_path / "g.csv", date(2027, 5, 1), 9), TODAY)
    assert any("adds nothing" in finding for finding in short.findings)
    alone = read_weather(seen, None, TODAY)
    assert any("add --forecast" in finding for finding in alone.findings)


@pytest.mark.parametrize(("days", "said"), [(35, True), (34, True), (20, False)])
def test_a_gap_before_the_forecast_is_told_where_it_keeps_dates_back(
    tmp_path: Path, days: int, said: bool
) -> None:
    """The visit is on 4 June; the forecast begins ten days later, or on that day."""
    seen = weather_csv(tmp_path / "t.csv", days=days)
    begins = date(2027, 6, 14) if said else VISIT
    weather = read_weather(seen, weather_csv(tmp_path / "h.csv", begins, 30), TODAY)
    found = look_ahead([(VISIT, plants(4))], weather, parse_limits(OPENS_LATER))
    assert found is not None
    first = date(2027, 5, 1) + timedelta(days=days)
    gap = f"missing from {first} to {begins - timedelta(days=1)}: no date beyond that gap"
    assert any(gap in note for note in found.notes) == said
    assert any("beyond that gap" in note for note in found.notes) == said
    span = found.windows[0].opens
    assert (span is None or span.middle is None) == said
    # The table goes on after the gap: more of a forecast is no help.
    assert not any("add --forecast" in note for note in found.notes)


def test_a_unit_given_for_one_table_leaves_the_other_ones_header(tmp_path: Path) -> None:
    seen = weather_csv(tmp_path / "t.csv", days=35)
    seen.write_text(seen.read_text().replace("_F", ""), encoding="utf-8")
    ahead = weather_csv(tmp_path / "f.csv", date(2027, 6, 5), 14, unit="C")
    weather = read_weather(seen, ahead, TODAY, unit="F")
    assert weather.days[0].high_f == 80
    assert weather.days[-1].high_f == pytest.approx(80, abs=0.1)  # 26.7 °C
    assert any(
        said.startswith(f"{ahead}: The header says °C: taken so") for said in weather.findings
    )


def test_past_years_stand_in_beyond_the_forecast(tmp_path: Path) -> None:
    weather = read_weather(weather_csv(tmp_path / "t.csv", date(2025, 1, 1), 885), None, TODAY)
    assert weather.days[-1].day == TODAY + timedelta(days=HORIZON_DAYS)
    assert weather.days[-1].origin == "ahead"
    assert weather.days[-1].high_f == pytest.approx(80)
    assert any("past years" in finding for finding in weather.findings)


def test_a_wrong_unit_is_told(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text(weather_csv(path).read_text().replace("_F", "_C"))
    with pytest.raises(TemperatureError, match="looks like °F"):
        read_weather(path, None, TODAY)


def test_windows_for_limits_and_for_their_mix(tmp_path: Path) -> None:
    weather = read_weather(weather_csv(tmp_path / "t.csv"), None, TODAY)
    found = look_ahead([(VISIT, plants(4, 300.0))], weather, parse_limits(LIMITS))
    assert found is not None
    a, b, mix = found.windows
    assert (a.name, b.name, mix.name) == ("Product A, over the top", "Product B", "A with B")
    assert a.closes is not None
    assert b.closes is not None
    assert mix.closes is not None
    assert mix.closes.early == min(a.closes.early or date.max, b.closes.early or date.max)
    assert mix.last_harvest_day == b.last_harvest_day == date(2027, 8, 26)
    assert mix_window("none", []).closes is None


def test_the_course_meets_the_dates(tmp_path: Path) -> None:
    """The plotted course and the told dates come from the same belief by two ways."""
    weather = read_weather(weather_csv(tmp_path / "t.csv"), None, TODAY)
    found = look_ahead([(VISIT, plants(4))], weather, None)
    assert found is not None
    assert found.pace is not None
    told = leaves_reached(found.pace, 7.0, weather)
    for end, told_day in (("low", told.late), ("middle", told.middle), ("high", told.early)):
        drawn = next(day.day for day in found.leaves if getattr(day, end) >= 7.0)
        assert told_day is not None
        assert abs((drawn - told_day).days) <= 1
    # 17.5 °F-days a day at the published 82 a leaf (Nielsen 2019) is a leaf in 4.7 days; the
    # prior's middle is faster, near 74.
    first, later = found.leaves[0], found.leaves[10]
    assert 10 * 17.5 / 104 < later.middle - first.middle < 10 * 17.5 / 50
    assert later.low < later.middle < later.high


def test_heights_need_two_visits(tmp_path: Path) -> None:
    weather = read_weather(weather_csv(tmp_path / "t.csv"), None, TODAY)
    before = VISIT - timedelta(days=7)
    one = look_ahead([(VISIT, plants(4, 300.0))], weather, None)
    two = look_ahead([(before, plants(3, 200.0, before)), (VISIT, plants(4, 300.0))], weather, None)
    assert one is not None
    assert two is not None
    assert one.heights == ()
    # 100 mm in seven even days: another 100 mm in seven more.
    assert two.heights[7].middle == pytest.approx(two.heights[0].middle + 100, rel=0.05)
    assert two.pace is not None
    assert two.pace.visits == 2
    shrunk = look_ahead(
        [(before, plants(3, 400.0, before)), (VISIT, plants(4, 300.0))], weather, None
    )
    assert shrunk is not None
    assert shrunk.heights == ()


def test_weather_missing_between_visits_leaves_the_last_one(tmp_path: Path) -> None:
    weather = read_weather(weather_csv(tmp_path / "t.csv", date(2027, 6, 2)), None, TODAY)
    before = VISIT - timedelta(days=7)
    found = look_ahead([(before, plants(3, day=before)), (VISIT, plants(4))], weather, None)
    assert found is not None
    assert found.pace is not None
    assert found.pace.visits == 1
    assert any("are missing" in note for note in found.notes)


def test_nothing_to_tell(tmp_path: Path) -> None:
    weather = read_weather(weather_csv(tmp_path / "t.csv", days=20), None, TODAY)
    assert look_ahead([(VISIT, [PlantEvidence("w", outcome="hand-count")])], weather, None) is None
    found = look_ahead([(VISIT, plants(4))], weather, None)  # weather ends before the visit
    assert found is not None
    assert found.leaves == ()
    assert any("add --forecast" in note for note in found.notes)


def test_a_short_forecast_in_the_other_unit_is_refused(tmp_path: Path) -> None:
    seen = weather_csv(tmp_path / "t.csv", days=35)  # to 2027-06-04
    ahead = weather_csv(tmp_path / "f.csv", date(2027, 6, 5), 6, unit="C")
    ahead.write_text(ahead.read_text().replace("_C", ""), encoding="utf-8")
    with pytest.raises(TemperatureError, match=r"was read as °F, .* only as °C"):
        read_weather(seen, ahead, TODAY, unit="F")
    # A cold front is no other unit.
    cold = weather_csv(tmp_path / "g.csv", date(2027, 6, 5), 6)
    cold.write_text(cold.read_text().replace(",80", ",48").replace(",55", ",40"), encoding="utf-8")
    assert read_weather(seen, cold, TODAY).days[-1].high_f == 48
    spring = [f"2027-06-{k:02},20,45" for k in range(1, 5)]
    seen.write_text("date,tmin_F,tmax_F\n" + "\n".join(spring), encoding="utf-8")
    warm = [f"2027-06-{k:02},30,44" for k in range(5, 11)]
    ahead.write_text("date,tmin,tmax\n" + "\n".join(warm), encoding="utf-8")
    with pytest.raises(TemperatureError, match="only as °F"):
        read_weather(seen, ahead, TODAY, unit="C")


def crossed(track: tuple[TrackDay, ...], value: float) -> list[date]:
    """First days on which a course's high, middle and low are there."""
    ends = [[(one.day, getattr(one, end)) for one in track] for end in ("high", "middle", "low")]
    return [next(day for day, at in side if at >= value) for side in ends]


def told(span: DateSpan) -> list[date]:
    return [day for day in (span.early, span.middle, span.late) if day is not None]


def assert_same(drawn: list[date], told: list[date]) -> None:
    assert len(drawn) == len(told) == 3
    # A course is where it is when a day begins; the date is the day in whose heat it gets there.
    for a, b in zip(drawn, told, strict=True):
        assert 0 <= (a - b).days <= 1, (drawn, told)


def test_the_course_keeps_what_is_over_ten_leaves(tmp_path: Path) -> None:
    """Plants of ten collars are between ten and eleven, and no surer than that."""
    weather = read_weather(weather_csv(tmp_path / "t.csv"), None, TODAY)
    found = look_ahead([(VISIT, plants(10))], weather, None)
    assert found is not None
    assert found.pace is not None
    assert found.pace.leaf_number == pytest.approx(10.5)
    begin = found.collars[0]
    assert begin.middle == pytest.approx(10.0, abs=0.05)
    assert begin.high - begin.low > 0.5
    for target in (11.0, 12.0):
        assert_same(
            crossed(found.leaves, target), told(leaves_reached(found.pace, target, weather))
        )


@pytest.mark.parametrize("stage", [8, 9, 11])
def test_the_course_meets_the_dates_past_ten_leaves(tmp_path: Path, stage: int) -> None:
    weather = read_weather(weather_csv(tmp_path / "t.csv"), None, TODAY)
    found = look_ahead([(VISIT, plants(stage))], weather, None)
    assert found is not None
    assert found.pace is not None
    assert_same(crossed(found.leaves, 13.0), told(leaves_reached(found.pace, 13.0, weather)))


def test_the_course_of_heights_meets_their_dates() -> None:
    """The earlier visit's error counts, and a height told too tall makes the growth too quick."""
    begin = VISIT - timedelta(days=5)
    weather = Temperatures(tuple(Day(begin + timedelta(days=k), 55, 80) for k in range(600)))
    visits = [
        Visit(begin, 3.0, 0.1, 300.0, 10.0, 330.0, 30.0),
        Visit(VISIT, 4.0, 0.1, 330.0, 10.0, 360.0, 30.0),
    ]
    found = height_reached(visits, 480.0, weather, tallest=True)
    assert_same(crossed(height_track(visits, weather, "each"), 480.0), told(found))


def steady(first: date, days: int) -> Temperatures:
    return Temperatures(tuple(Day(first + timedelta(days=k), 55, 80) for k in range(days)))


@pytest.mark.parametrize(("days", "visits"), [(SAME_CROP_DAYS, 2), (SAME_CROP_DAYS + 1, 1)])
def test_last_seasons_visit_tells_nothing_of_this_crop(days: int, visits: int) -> None:
    """Heat of a summer and a winter for one leaf would make every date weeks late."""
    weather, limits = steady(VISIT - timedelta(days=200), 300), parse_limits(LIMITS)
    before = VISIT - timedelta(days=days)
    dated = [(before, plants(3, 200.0, before)), (VISIT, plants(4, 300.0))]
    found, alone = (look_ahead(some, weather, limits) for some in (dated, dated[1:]))
    assert found is not None
    assert alone is not None
    assert found.pace is not None
    assert len(found.visits) == found.pace.visits == visits
    assert (found.windows == alone.windows) == (visits == 1)
    assert (found.heights == ()) == (visits == 1)


def test_plants_are_of_the_day_that_the_camera_says() -> None:
    """The folder may be dated by the day of the copy: the plants had their leaves before it."""
    weather, limits = steady(VISIT - timedelta(days=30), 120), parse_limits(LIMITS)
    first, taken = VISIT - timedelta(days=9), VISIT - timedelta(days=2)
    early, late = plants(3, 200.0, first), plants(4, 300.0, taken)

    def told(*dated: tuple[date, list[PlantEvidence]]) -> Outlook:
        found = look_ahead(dated, weather, limits, today=VISIT)
        assert found is not None
        return replace(found, pace=None)  # its array has no plain comparison

    here = told((first, early), (taken, late))
    assert [one.day for one in here.visits] == [first, taken]
    assert told((first, early), (VISIT, late)) == here
    # So are those of an earlier visit, and one that is no earlier by then says nothing.
    between = (VISIT - timedelta(days=1), plants(9, day=taken))
    assert told((first + timedelta(days=2), early), between, (VISIT, late)) == here


def test_plants_too_old_for_the_verdict_are_not_heard_beside_newer_ones() -> None:
    weather, limits = steady(VISIT - timedelta(days=30), 120), parse_limits(LIMITS)
    old = plants(1, day=VISIT - timedelta(days=2))
    for later, level, day in ((0, 2.5, VISIT - timedelta(days=2)), (2, 4.0, VISIT)):
        today = VISIT + timedelta(days=later)
        found = look_ahead([(VISIT, [*plants(4), *old])], weather, limits, today=today)
        assert found is not None
        assert (found.visits[-1].day, found.visits[-1].leaves) == (day, level)
    # Where none is young enough all are heard: their verdict can't be told.
    none = look_ahead([(VISIT, old)], weather, limits, today=VISIT + timedelta(days=9))
    assert none is not None
    assert none.visits[-1].day == VISIT - timedelta(days=2)


def test_an_opening_is_reckoned_from_the_newest_plants() -> None:
    """Plants of two days: a close from the older one, an opening from the newer, both the safe."""
    weather, limits = steady(VISIT - timedelta(days=30), 120), parse_limits(OPENS_LATER)
    first, older = VISIT - timedelta(days=9), VISIT - timedelta(days=2)
    begin = (first, plants(2, 200.0, first))

    def windows(
        day: date, *earlier: tuple[date, list[PlantEvidence]], new: int = 0
    ) -> list[Window]:
        some = [replace(one, taken_at=day) for one in plants(3, 300.0)]
        some[:new] = plants(3, 300.0)[:new]
        found = look_ahead([*earlier, (VISIT, some)], weather, limits, today=VISIT)
        assert found is not None
        assert found.visits[-1].day == day
        return list(found.windows)

    for earlier in ((), (begin,)):
        old, fresh = windows(older, *earlier), windows(VISIT, *earlier)
        for one, then, now in zip(windows(older, *earlier, new=5), old, fresh, strict=True):
            assert one.opens == now.opens != then.opens
            assert one.closes == then.closes != now.closes


def test_an_opening_without_weather_to_the_newest_plants_leaves_the_close() -> None:
    first, older = VISIT - timedelta(days=9), VISIT - timedelta(days=2)
    days = steady(first, 8).days  # to the day before the older plants', and no farther
    weather, limits = Temperatures((*days, Day(older, 55, 80))), parse_limits(OPENS_LATER)
    some = [*plants(3, day=older), *plants(3)[:5]]
    found = look_ahead([(first, plants(2, day=first)), (VISIT, some)], weather, limits)
    assert found is not None
    assert {one.opens_told for one in found.windows} == {"unknown"}
    assert found.windows[0].closes is not None


def test_one_early_photo_does_away_with_no_earlier_visit() -> None:
    weather = steady(VISIT - timedelta(days=30), 120)
    first = VISIT - timedelta(days=3)
    slow = PlantEvidence("slow", stage=4, outcome="staged", confidence=0.97, taken_at=first)
    dated = [(first, plants(3, 200.0, first)), (VISIT, [*plants(4, 300.0), slow])]
    found = look_ahead(dated, weather, parse_limits(LIMITS), today=VISIT)
    assert found is not None
    assert [one.day for one in found.visits] == [first, VISIT]
    assert found.heights
