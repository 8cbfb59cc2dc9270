"""Where to walk after a flight: one plane, cells, zones of unlike growth, and stops in them."""

from __future__ import annotations

import json
from dataclasses import fields, replace
from datetime import date, timedelta

import geojson
import numpy as np
import pytest
from flights import FLAT, FLOWN, METRES, ORIGIN, SLOPE, flown, outline, zoned
from hypothesis import given, settings
from hypothesis import strategies as st

import collarvision.walk.zones as room
from collarvision.above.assembling import range_of
from collarvision.above.calibration import AboveCalibration
from collarvision.above.values import FieldAbove, FrameAbove, no_plants, stage_range
from collarvision.answer import stage_name
from collarvision.sampling import plan_sample
from collarvision.table import CAUTION
from collarvision.walk.allocation import allocate, expected_half_width, neyman
from collarvision.walk.cells import grid
from collarvision.walk.flight import FlightError, age_words, flight_of
from collarvision.walk.growth import draw, grown, prior_of
from collarvision.walk.page import (
    range_words,
    walk_geojson,
    walk_record,
    write_walk,
    zone_area_m2,
)
from collarvision.walk.spans import at_each, ground_span
from collarvision.walk.stops import plan_zone_walk
from collarvision.walk.zones import find_zones
from collarvision.walkplan import WalkPlanError

# --- one plane ---


def test_plants_come_to_lie_where_they_were() -> None:
    """Metres from the field's corner against the invention's own."""
    flight, _ = zoned()
    assert flight.located
    assert flight.outlined
    assert flight.day == FLOWN
    assert len(flight.photos) == len(flown().frames)
    first = flown().frames[0]
    lat, lon = first.georeference.lat, first.georeference.lon  # type: ignore[union-attr]
    middle = np.array([(lon - ORIGIN[1]) * METRES[1], (lat - ORIGIN[0]) * METRES[0]])
    own = flight.frame == 0
    there = np.array([flight.x_m[own].mean(), flight.y_m[own].mean()])
    assert np.abs(there - middle).max() < 0.5
    # Collars differ by tips, one for one, about the mean that the probabilities have.
    told = float((flight.stages @ np.arange(13)).mean())
    assert flight.collars.mean() == pytest.approx(told)
    assert np.ptp(flight.collars - flight.tip_count) < 1e-9


def test_photos_that_dont_say_which_way_they_look_count_at_their_middle() -> None:
    field = flown()
    unturned = tuple(
        replace(
            one,
            plants=replace(
                one.plants,  # type: ignore[type-var]
                lat=np.full(len(one.plants), np.nan),  # type: ignore[arg-type]
                lon=np.full(len(one.plants), np.nan),  # type: ignore[arg-type]
            ),
            gaps=tuple(replace(g, start_lat_lon=None, end_lat_lon=None) for g in one.gaps),
        )
        for one in field.frames
    )
    flight = flight_of(FieldAbove("f", unturned), outline(SLOPE))
    assert "don't say which way they look" in flight.notes[0]
    assert len({*zip(flight.x_m.round(1), flight.y_m.round(1), strict=True)}) == len(field.frames)
    assert len(find_zones(flight, grid(flight))) >= 2
    # Without an outline too: a hull around the photos' middles.
    assert flight_of(FieldAbove("f", unturned)).boundary.area_m2 > 0.5 * 300 * 240


def test_without_an_outline_the_field_ends_where_the_photos_do() -> None:
    flight = flight_of(flown())
    assert not flight.outlined
    # `field` has no --boundary: it takes the outline from the survey.
    assert "`walk` with --boundary, or to the survey with `batch --fields`" in flight.notes[0]
    assert 0.8 < flight.boundary.area_m2 / (300 * 240) < 1.1
    assert len(find_zones(flight, grid(flight))) == len(zoned()[1])


def frames_of(field: FieldAbove, count: int) -> FieldAbove:
    return replace(field, frames=field.frames[:count])


def without_place(frame: FrameAbove) -> FrameAbove:
    return replace(frame, georeference=None)


@pytest.mark.parametrize(
    ("field", "boundary", "said"),
    [
        (FieldAbove("f", ()), None, "shows no plants"),
        (
            FieldAbove("f", (FrameAbove("a", None, (1, 1), reasons=("Bare soil.",)),)),
            None,
            "Bare soil",
        ),
        (FieldAbove("f", (FrameAbove("a", None, (1, 1), plants=no_plants()),)), None, "no plants"),
        (flown(), replace(outline(SLOPE), origin=(41.8, -95.0)), "11.0 km outside Slope"),
        (flown(), replace(outline(SLOPE), origin=(41.7033, -95.0)), "outside Slope"),
        (flown(), replace(outline(SLOPE, None), origin=(41.7015, -95.0)), "Only"),
        (
            FieldAbove("f", tuple(without_place(one) for one in flown().frames[:3])),
            None,
            "3 photos have no place on the earth",
        ),
    ],
)
def test_flights_that_no_walk_can_go_by(field: FieldAbove, boundary: object, said: str) -> None:
    with pytest.raises(FlightError, match=said) as caught:
        flight_of(field, boundary)  # type: ignore[arg-type]
    assert "\n" not in str(caught.value)


def test_too_few_plants_or_places() -> None:
    few = SLOPE.fly(ORIGIN, METRES, FLOWN, photos=1, frame_m=(1.6, 1.2))
    with pytest.raises(FlightError, match=r"shows \d+ plants of the field: under 100"):
        flight_of(few, outline(SLOPE))
    seen = few.frames[0].plants
    assert seen is not None
    first = {one.name: getattr(seen, one.name)[:1] for one in fields(seen)}
    alone = FieldAbove("f", (replace(few.frames[0], plants=replace(seen, **first)),))
    with pytest.raises(FlightError, match="shows 1 plant of the field: under 100"):
        flight_of(alone, outline(SLOPE))
    one = flight_of(SLOPE.fly(ORIGIN, METRES, FLOWN, photos=1), outline(SLOPE))
    one = replace(one, x_m=np.full(len(one), 100.0), y_m=np.full(len(one), 100.0))
    with pytest.raises(FlightError, match="1 places of the field"):
        grid(one)


def test_plants_outside_the_outline_and_photos_without_place_are_left_out() -> None:
    wide = replace(SLOPE, size_m=(320.0, 240.0))
    field = wide.fly(ORIGIN, METRES, FLOWN, photos=44, frame_m=(40.0, 8.0))
    field = replace(field, frames=(without_place(field.frames[0]), *field.frames[1:]))
    flight = flight_of(field, outline(SLOPE))
    assert any("1 of 48 photos" in note for note in flight.notes)
    assert any("outside the outline" in note for note in flight.notes)
    assert flight.x_m.max() <= 300


@pytest.mark.parametrize(
    ("days", "said"), [(0, None), (7, None), (8, "8 days before"), (-3, None), (-9, "9 days after")]
)
def test_the_age_of_a_flight(days: int, said: str | None) -> None:
    flight, _ = zoned()
    words = age_words(flight, FLOWN + timedelta(days=days))
    assert (said is None and words is None) or said in (words or "")
    assert age_words(flight, FLOWN + timedelta(days=days), 30) is None
    assert age_words(replace(flight, day=None), date(2030, 1, 1)) is None
    assert age_words(flight, None) is None


def test_plants_that_may_be_older_than_told_are_noted() -> None:
    field = flown()
    young = flight_of(field, outline(SLOPE))
    aged = (replace(field.frames[0], quality=("old",)), *field.frames[1:])
    old = flight_of(FieldAbove("f", aged), outline(SLOPE))
    assert not any("older than told" in note for note in young.notes)
    assert sum("older than told" in note for note in old.notes) == 1


def test_a_day_that_no_photo_tells() -> None:
    odd = tuple(replace(one, taken_at="yesterday") for one in flown().frames)
    flight = flight_of(FieldAbove("f", odd), outline(SLOPE))
    assert flight.day is None
    said = "The flight's day isn't known: see that it was flown within a week of the walk."
    walk = plan_zone_walk(flight, find_zones(flight, grid(flight)))
    assert said in " ".join(write_walk(walk).split())
    for told in (walk_record(walk), walk_geojson(walk)):
        assert told["notes"][-1] == said
    assert not any("day" in note for note in zoned()[0].notes)


def test_the_day_that_a_mosaics_file_says_is_doubted() -> None:
    def told(mosaics: int) -> str:
        frames = [
            replace(one, georeference=replace(one.georeference, source="geotransform"))  # type: ignore[type-var]
            for one in flown().frames[:mosaics]
        ]
        field = FieldAbove("f", (*frames, *flown().frames[mosaics:]))
        return " ".join(flight_of(field, outline(SLOPE)).notes)

    every = len(flown().frames)
    said = "The flight's day, 2027-06-01, is the one that the mosaic's file says"
    assert said in told(every)
    assert "flown within a week of the walk" in told(every)
    assert said not in told(every - 1)  # a photo of that day vouches for it


def test_photos_of_a_survey_whose_plants_arent_listed_are_named() -> None:
    told = tuple(replace(one, plants=None) for one in flown().frames[:2])
    said = "2 photos from above hold too many plants to be listed in a survey"
    mixed = flight_of(FieldAbove("f", (*told, *flown().frames[2:])), outline(SLOPE))
    assert mixed.notes[0].startswith(said)
    assert len(mixed.photos) == len(flown().frames) - 2
    with pytest.raises(FlightError, match=f"^{said}.*`collarvision above --out` wrote instead"):
        flight_of(FieldAbove("f", told))
    with pytest.raises(FlightError, match=r"^1 photo from above holds too many"):
        flight_of(FieldAbove("f", told[:1]))


# --- how many, and where ---


def test_neymans_allocation() -> None:
    """Cochran 1977, section 5.5's cities, from memory: N 16 and 48, S 232 and 74, n 24: 12 each."""
    assert neyman(np.array([16, 48]) / 64, np.array([232.0, 74.7]), 24) == (12, 12)


@given(
    st.lists(st.tuples(st.floats(0.04, 1), st.floats(0, 0.5)), min_size=1, max_size=5),
    st.integers(0, 12),
)
def test_every_zone_has_a_stop_and_the_first_two(
    zones: list[tuple[float, float]], more: int
) -> None:
    shares, spread = np.array(zones).T
    stops = neyman(shares / shares.sum(), spread, len(zones) + more)
    assert sum(stops) == len(zones) + more
    assert min(stops) >= 1
    assert stops[0] >= 2 or more == 0 or len(zones) == 1


def test_more_plants_and_more_stops_tell_more() -> None:
    prior = prior_of(zoned()[1])
    assert expected_half_width(prior, (2, 2, 2), (3, 3, 3)) > expected_half_width(
        prior, (2, 2, 2), (6, 6, 6)
    )
    assert expected_half_width(prior, (2, 2, 2), (3, 3, 3)) > expected_half_width(
        prior, (4, 4, 4), (3, 3, 3)
    )
    assert expected_half_width(prior, (0, 0, 0), (3, 3, 3)) > 0.3


def test_a_walk_asks_for_fewer_plants_than_the_plan_without_a_flight() -> None:
    flight, zones = zoned()
    found = allocate(prior_of(zones), flight.boundary.area_m2)
    assert found.plain_plants == plan_sample(flight.boundary.area_m2 / 4046.8564224).plants
    assert 10 <= found.plants < 0.7 * found.plain_plants
    assert found.expected <= 0.15
    assert found.stops[0] >= 2
    assert found.plants_a_stop[0] >= 5  # one plant past a maximum decides
    finer = allocate(prior_of(zones), flight.boundary.area_m2, 0.1)
    assert finer.plants > found.plants
    with pytest.raises(ValueError, match="2 stops can't see 3 zones"):
        allocate(prior_of(zones), 1e5, stops=2)
    with pytest.raises(ValueError, match="precision"):
        allocate(prior_of(zones), 1e5, 0.7)


def test_in_an_even_field_a_walk_asks_for_no_more_than_the_plain_plan() -> None:
    flight, zones = zoned(FLAT)
    found = allocate(prior_of(zones), flight.boundary.area_m2)
    assert found.plants <= found.plain_plants
    assert found.plants > 0.5 * found.plain_plants


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 10_000), headland=st.sampled_from([0.0, 10.0, 30.0]))
def test_stops_lie_in_their_zones_off_the_headlands(seed: int, headland: float) -> None:
    flight, zones = zoned()
    walk = plan_zone_walk(flight, zones, seed=seed, headland_m=headland)
    points = np.array([(stop.x_m, stop.y_m) for stop in walk.stops])
    assert [stop.number for stop in walk.stops] == list(range(1, len(points) + 1))
    # By plain arithmetic on the rectangle.
    edge = np.minimum(points, np.array([300.0, 240.0]) - points).min(axis=1)
    assert (edge >= headland - 1e-6).all()
    letters = [zones.zones[k].letter for k in zones.at(points)]
    assert letters == [stop.zone for stop in walk.stops]
    assert letters.count("A") >= 2
    assert set(letters) == {"A", "B", "C"}
    assert [walk.zone_of(stop) for stop in walk.stops] == list(zones.at(points))
    gaps = np.linalg.norm(points[:, None] - points, axis=2)
    assert gaps[np.triu_indices(len(points), 1)].min() > 20
    assert walk.length_m == pytest.approx(sum(stop.from_last_m for stop in walk.stops))


def test_the_seed_decides_and_a_start_begins_near_it() -> None:
    flight, zones = zoned()
    first = plan_zone_walk(flight, zones, seed=4)
    assert first.stops == plan_zone_walk(flight, zones, seed=4).stops
    assert first.stops != plan_zone_walk(flight, zones, seed=5).stops
    gate = flight.boundary.degrees(0, 0)
    started = plan_zone_walk(flight, zones, seed=4, start=gate)
    assert started.stops[0].from_last_m > 0
    assert {(s.x_m, s.y_m) for s in started.stops} == {(s.x_m, s.y_m) for s in first.stops}
    with pytest.raises(WalkPlanError, match="--headland"):
        plan_zone_walk(flight, zones, headland_m=150)


def test_stops_of_a_flight_older_than_a_day_are_planned_for_the_day() -> None:
    flight, zones = zoned()
    assert prior_of(zones, 3).shift == pytest.approx(0.66)
    assert prior_of(zones, 3).shift_sd > prior_of(zones).shift_sd
    assert plan_zone_walk(flight, zones, days=3).plants >= 10


def test_what_to_expect_is_told_for_the_day_of_the_walk() -> None:
    flight, zones = zoned()
    today, later = plan_zone_walk(flight, zones), plan_zone_walk(flight, zones, days=7)
    for zone, span in zip(zones.zones, draw(prior_of(zones, 7)).zone_shares, strict=True):
        low, high = later.stages_of(zone)
        assert today.stages_of(zone)[0] < low
        # As the correction's own model has it, which knows more of the field.
        model = ground_span(at_each(span))
        assert abs(low - model.low) <= 1
        assert abs(high - model.high) <= 1
    assert later.stops[0].stages > today.stops[0].stages  # type: ignore[operator]
    page = " ".join(write_walk(later).split())
    assert "expect on the walk's day, 7 days after the flight: about 1.5 leaves more" in page
    assert "walk's day" not in write_walk(today)
    assert walk_record(later)["zones"][0]["stage_low"] == stage_name(
        later.stages_of(zones.zones[0])[0]
    )


@given(st.integers(-9, 300), st.integers(0, 12))
def test_growth_moves_stages_and_loses_no_plant(days: int, stage: int) -> None:
    found = grown(np.eye(13)[stage], days)
    assert found.sum() == pytest.approx(1)
    assert found.min() >= 0
    if 0 <= days <= 9:
        # A plant somewhere between two stages, days * 0.22 leaves later.
        assert found @ np.arange(len(found)) == pytest.approx(stage + 0.22 * days, abs=0.12)


# --- a photo without a place ---


def lone_photo(turned: bool) -> FieldAbove:
    """A photo of 60 m by 40 m without GPS; rows run up it, or across."""
    wide = replace(SLOPE, size_m=(60.0, 40.0), patches=(replace(SLOPE.patches[0], x_m=15, y_m=20,
                                                                radius_m=(15, 15)),))  # fmt: skip
    frame = wide.fly(ORIGIN, METRES, FLOWN, photos=1, frame_m=(60, 40)).frames[0]
    plants = frame.plants
    assert plants is not None
    if turned:
        plants = replace(plants, x_m=-plants.y_m, y_m=plants.x_m)
    gaps = tuple(replace(g, start_m=g.start_m[::-1], end_m=g.end_m[::-1]) if turned else g
                 for g in frame.gaps)  # fmt: skip
    return FieldAbove("f", (replace(frame, georeference=None, plants=plants, gaps=gaps),))


@pytest.mark.parametrize("turned", [False, True])
def test_a_photo_without_a_place_is_walked_by_rows_and_paces(turned: bool) -> None:
    flight = flight_of(lone_photo(turned), outline(SLOPE))
    assert not flight.located
    assert "row and paces" in flight.notes[0]
    zones = find_zones(flight, grid(flight))
    walk = plan_zone_walk(flight, zones)
    for stop in walk.stops:
        assert (stop.lat, stop.lon) == (None, None)
        assert stop.place is not None
        # Rows stand 0.762 m apart from the left edge, or from the top; a pace is 0.75 m.
        across = stop.x_m + 30 if not turned else 30 - stop.y_m
        along = stop.y_m + 20 if not turned else stop.x_m + 20
        assert stop.place.row == pytest.approx(across / 0.762, abs=1.6)
        assert stop.place.paces == pytest.approx(along / 0.75, abs=1.6)
        assert stop.place.side == ("top" if turned else "left")
    page = write_walk(walk)
    assert "paces from its" in " ".join(page.split())
    assert max(map(len, page.splitlines())) <= 80
    with pytest.raises(ValueError, match="no degrees"):
        walk_geojson(walk)
    assert "paces" in walk_record(walk)["stops"][0]["place"]


def test_a_photo_without_place_or_rows() -> None:
    field = lone_photo(False)
    plants = field.frames[0].plants
    assert plants is not None
    bare = replace(plants, row=np.full(len(plants), -1, np.int32))
    flight = flight_of(FieldAbove("f", (replace(field.frames[0], plants=bare, gaps=()),)))
    walk = plan_zone_walk(flight, find_zones(flight, grid(flight)))
    assert walk.stops[0].place is None
    assert "from the photo's middle" in write_walk(walk)


# --- the page ---


def test_the_page_says_where_and_what_to_expect() -> None:
    flight, zones = zoned()
    walk = plan_zone_walk(flight, zones)
    page = write_walk(walk, field="Slope")
    assert page.count("[  ]") == len(walk.stops)
    assert max(map(len, page.splitlines())) <= 80
    for said in ("Walk after a flight: Slope", "17.8 ac", "2027-06-01", "label is the law"):
        assert said in page
    assert f"{walk.plants}  (the plan without a flight asks for" in page
    assert " ha" in write_walk(walk, area_unit="ha")
    even = plan_zone_walk(*zoned(FLAT))
    assert "saves few plants" in " ".join(write_walk(even).split())


def test_geojson_and_json_of_a_walk() -> None:
    flight, zones = zoned()
    walk = plan_zone_walk(flight, zones)
    found = geojson.loads(json.dumps(walk_geojson(walk, "Slope")))
    assert found.is_valid
    stops = [f for f in found["features"] if f["geometry"]["type"] == "Point"]
    assert [f["properties"]["stop"] for f in stops] == list(range(1, len(walk.stops) + 1))
    assert {f["properties"]["field"] for f in found["features"]} == {"Slope"}
    assert len(found["features"]) == len(walk.stops) + len(zones)
    record = json.loads(json.dumps(walk_record(walk, "Slope")))
    assert record["plants"] == walk.plants
    assert sum(zone["stops"] for zone in record["zones"]) == len(walk.stops)
    assert record["caution"] == found["caution"] == CAUTION
    assert record["notes"] == found["notes"]


def test_stages_are_told_as_the_reading_from_above_tells_them(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Its calibration asks less of a range than 90 in 100, so that one holds 90 in 100."""
    flight, zones = zoned()
    calibration = AboveCalibration(range_levels=(0.5, 0.5))
    monkeypatch.setattr(room, "load_above_calibration", lambda: calibration)
    walk = plan_zone_walk(flight, zones)
    wide = []
    for zone, said, placed in zip(
        zones.zones, walk_record(walk)["zones"], walk_geojson(walk)["features"][-3:], strict=True
    ):
        found = range_of(np.array([zone.stages]), calibration)
        ends = [stage_name(found.low), stage_name(found.high)]
        assert [said["stage_low"], said["stage_high"]] == ends
        assert [placed["properties"][f"stage_{end}"] for end in ("low", "high")] == ends
        assert f" {range_words((found.low, found.high))} " in write_walk(walk)
        wide.append(stage_range(zone.stages) != (found.low, found.high))
    assert all(wide)  # else nothing is tried here
    for stop in walk.stops:
        cell = int(zones.cells.at(np.array([[stop.x_m, stop.y_m]]))[0])
        found = range_of(zones.cells.stages[cell][None], calibration)
        assert stop.stages == (found.low, found.high)


def test_areas_of_zones_add_up_to_the_field_s_and_shares_say_of_what() -> None:
    flight, zones = zoned()
    walk = plan_zone_walk(flight, zones, seed=0)
    told = sum(zone_area_m2(walk, zone) for zone in zones.zones)
    assert told == pytest.approx(flight.boundary.area_m2)
    assert "Zone  Of plants  " in write_walk(walk)
    narrow = replace(SLOPE, size_m=(32.0, 240.0))  # its cells stand out over it by a third
    walk = plan_zone_walk(*zoned(narrow, 20))
    record = walk_record(walk)
    areas = [zone["area_m2"] for zone in record["zones"]]
    assert record["area_m2"] == pytest.approx(32 * 240)
    assert sum(areas) == pytest.approx(record["area_m2"], abs=0.1 * len(areas))
    assert areas == [round(zone_area_m2(walk, zone), 1) for zone in walk.zones.zones]
    placed = [f["properties"] for f in walk_geojson(walk)["features"]]
    assert [one["area_m2"] for one in placed if "area_m2" in one] == areas
