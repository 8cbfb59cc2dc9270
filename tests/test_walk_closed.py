"""Photos whose leaves close over the rows: the oldest corn, which the walk must not miss."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import geojson
import numpy as np
import pytest
from command import run
from fields import fill, plant
from flights import FLOWN, SLOPE, counted, flown, geometry, outline

from collarvision.above.calibration import AboveCalibration
from collarvision.above.fields import gather_field
from collarvision.above.summary import record_summary
from collarvision.above.values import FieldAbove, FrameAbove
from collarvision.abovereport.files import save_field
from collarvision.abovereport.words import tell_field
from collarvision.survey import PlantRow
from collarvision.walk.allocation import FEWEST_AHEAD
from collarvision.walk.cells import grid
from collarvision.walk.closed import closed_places
from collarvision.walk.correction import ZonedField, correct
from collarvision.walk.flight import Flight, FlightError, flight_of
from collarvision.walk.page import walk_geojson, walk_record, write_walk
from collarvision.walk.stops import ZoneWalk, plan_zone_walk
from collarvision.walk.surveyed import surveyed_flight
from collarvision.walk.telling import cautions, enough_words, zone_sentences, zoned_record
from collarvision.walk.zones import Zones, find_zones

AHEAD = SLOPE.patches[0]
REASON = "Leaves cover 71% of the ground: plants can't be told apart from above any more."


def closed(frame: FrameAbove) -> FrameAbove:
    return replace(frame, plants=None, stages=None, gaps=(), quality=("closed",), reasons=(REASON,))


def in_patch(frame: FrameAbove) -> bool:
    assert frame.georeference is not None
    x, y = outline(SLOPE).metres(frame.georeference.lat, frame.georeference.lon)
    return bool(AHEAD.inside(np.array([x]), np.array([y]))[0] > 0.5)


def grown_over(only: int | None = None) -> FieldAbove:
    """The field with leaves closed over its part ahead, or over `only` so many photos of it."""
    frames, number = [], 0
    for one in flown(SLOPE, 40).frames:
        if in_patch(one) and (only is None or number < only):
            one, number = closed(one), number + 1
        frames.append(one)
    return FieldAbove("Slope", tuple(frames))


def seen(field: FieldAbove) -> tuple[Flight, Zones]:
    flight = flight_of(field, outline(SLOPE))
    return flight, find_zones(flight, grid(flight))


@pytest.fixture(scope="module")
def walk() -> ZoneWalk:
    return plan_zone_walk(*seen(grown_over()))


def photos_m(walk: ZoneWalk) -> np.ndarray:
    return np.array(
        [
            outline(SLOPE).metres(one.georeference.lat, one.georeference.lon)  # type: ignore[union-attr]
            for one in flown(SLOPE, 40).frames
            if in_patch(one)
        ]
    )


def test_the_walk_begins_where_leaves_close(walk: ZoneWalk) -> None:
    stops = walk.closed
    assert 1 <= len(stops) <= 6
    assert walk.stops[: len(stops)] == stops
    assert all(stop.zone is not None for stop in walk.stops[len(stops) :])
    assert {stop.plants for stop in stops} == {FEWEST_AHEAD}
    points = np.array([(stop.x_m, stop.y_m) for stop in stops])
    apart = np.linalg.norm(photos_m(walk)[:, None] - points, axis=2)
    assert apart.min(axis=0).max() < 0.5  # a stop is a photo's middle
    assert apart.min(axis=1).max() <= 60  # and every such photo has one near
    # The zones keep the stops that they ask for.
    assert len(walk.stops) == len(stops) + sum(walk.allocation.stops)
    assert walk.plants == walk.allocation.plants + FEWEST_AHEAD * len(stops)
    assert walk.length_m == pytest.approx(sum(stop.from_last_m for stop in walk.stops))
    gate = outline(SLOPE).degrees(300, 0)
    started = plan_zone_walk(walk.flight, walk.zones, start=gate)
    assert len(started.closed) == len(stops)
    assert started.stops[0].zone is None
    assert started.stops[0].from_last_m > 100


def test_page_and_files_say_so(walk: ZoneWalk) -> None:
    page = write_walk(walk, field="Slope")
    said = " ".join(page.split())
    count = sum(map(in_patch, flown(SLOPE, 40).frames))
    assert f"{count} photos from above show leaves closed over the rows (at 41.70" in said
    assert "older than any zone" in said
    assert "Walk there first" in said
    assert page.count("  –     older     ") == len(walk.closed)
    assert max(map(len, page.splitlines())) <= 80
    record = json.loads(json.dumps(walk_record(walk)))
    assert [stop["closed"] for stop in record["stops"]] == [s.zone is None for s in walk.stops]
    assert record["stops"][0]["stage_low"] is None
    assert "leaves closed" in record["notes"][1]
    found = geojson.loads(json.dumps(walk_geojson(walk)))
    assert found["features"][0]["properties"]["closed"] is True


def corrected(walk: ZoneWalk, *, with_closed: bool) -> ZonedField:
    stops = walk.stops if with_closed else walk.stops[len(walk.closed) :]
    ground = counted(SLOPE, [(s.x_m, s.y_m) for s in stops], 6)
    return correct(walk.flight, walk.zones, ground, visit=FLOWN)


def test_plants_are_never_enough_while_nobody_walked_there(walk: ZoneWalk) -> None:
    missed = corrected(walk, with_closed=False)
    assert missed.half_width <= missed.precision  # the zones alone would have been enough
    assert not missed.enough
    assert len(missed.unwalked) == len(walk.closed)
    assert missed.more >= FEWEST_AHEAD * len(walk.closed)
    assert "first where leaves close over the rows" in enough_words(missed)
    assert cautions(missed)[0].startswith("No plant was counted where leaves close over the rows")
    assert not any(words.startswith("Furthest on") for words in zone_sentences(missed))
    assert len(zoned_record(missed)["closed_not_walked"]) == len(walk.closed)
    nobody = correct(walk.flight, walk.zones, [], visit=FLOWN)
    assert "first where leaves close" in enough_words(nobody)

    gone = corrected(walk, with_closed=True)
    assert gone.unwalked == ()
    assert not any("leaves close" in words for words in cautions(gone))
    assert gone.enough == (gone.half_width <= gone.precision)
    assert any("more of the field is further on" in note for note in gone.notes)


def test_a_stop_near_by_is_there_and_one_further_off_is_not() -> None:
    flight, zones = seen(grown_over(1))
    ((x, y),) = flight.closed_m[0]
    for away, left in ((25.0, 0), (35.0, 1)):
        found = correct(flight, zones, counted(SLOPE, [(x, y - away)], 4), visit=FLOWN)
        assert len(found.unwalked) == left


def test_much_closed_ground_makes_few_places_and_none_outside() -> None:
    every = [closed(one) for one in flown(SLOPE, 120).frames]
    places = closed_places(every, outline(SLOPE))
    assert 2 <= len(places) <= 6
    assert sum(map(len, places)) == len(every)
    far = replace(outline(SLOPE), origin=(41.8, -95.0))
    assert closed_places(every, far) == ()
    assert flight_of(FieldAbove("f", (*flown().frames, *every)), outline(SLOPE)).closed_m
    assert closed_places(flown().frames, None) == ()


def test_without_an_outline_closed_ground_is_the_fields_too() -> None:
    flight = flight_of(grown_over())
    (first, *_) = flight.closed_m
    assert flight.boundary.inside(np.concatenate(flight.closed_m)).all()
    assert flight.boundary.area_m2 > 0.8 * 300 * 240
    assert len(plan_zone_walk(flight, find_zones(flight, grid(flight))).closed) >= 1


def test_closed_photos_without_a_place_are_told_for_nobody_can_walk_there() -> None:
    frames = flown(SLOPE, 40).frames
    lost = replace(closed(frames[0]), georeference=None)
    flight, zones = seen(FieldAbove("f", (lost, *frames[1:])))
    assert flight.closed_m == ()
    assert "1 has no place: look where the corn is tallest" in flight.notes[0]
    spots = [(60.0, 190.0), (110.0, 160.0), (150.0, 120.0), (200.0, 190.0), (250.0, 45.0)]
    found = correct(flight, zones, counted(SLOPE, spots, 6), visit=FLOWN)
    assert found.enough
    assert cautions(found) == (
        "1 photo of leaves that close over the rows, the oldest corn seen from above, has no "
        "place: see that plants were counted where the corn is tallest.",
    )


def test_a_field_closed_throughout_says_why_there_is_no_walk() -> None:
    every = FieldAbove("f", tuple(closed(one) for one in flown().frames))
    with pytest.raises(FlightError, match="no plants to walk by: Leaves cover 71%"):
        flight_of(every, outline(SLOPE))
    few = FieldAbove("f", (*every.frames[3:], *flown().frames[:3]))
    flight = flight_of(few, outline(SLOPE))
    with pytest.raises(FlightError, match=r"3 places .* leaves closed over the rows"):
        grid(flight)


def test_the_range_from_above_ends_with_or_older() -> None:
    told = tell_field(gather_field(grown_over(1).frames, AboveCalibration()), us=True)
    assert " or older, by their leaf tips." in " ".join(told.split())
    open_ = tell_field(gather_field(flown(SLOPE, 40).frames, AboveCalibration()), us=True)
    assert "or older" not in open_


def test_a_surveys_closed_photos_come_along() -> None:
    def row(frame: FrameAbove, day: str) -> PlantRow:
        record = {
            "photo": frame.photo,
            "sha256": None,
            "photo_size": list(frame.size_px),
            "taken_at": f"{day}T10:00:00",
            "above": record_summary(frame),
        }
        return PlantRow(
            photo=frame.photo, sha256="", path=None, view="above", field="Slope", date=day,
            stop=None, taken_at=f"{day}T10:00:00", gps=None, outcome="hand-count", stage=None,
            confidence=None, height_mm=None, read_at="", model=None, calibration="",
            hand_count=None, record=record,
        )  # fmt: skip

    first, second = flown(SLOPE, 24).frames[:2]
    shut = closed(second)
    for day in ("2027-05-30", "2027-06-01", "2027-06-03"):
        rows = [row(first, "2027-06-01"), row(shut, day)]
        found = surveyed_flight(rows, "Slope", FLOWN + timedelta(days=3))
        assert found is not None
        assert [one.quality for one in found.frames] == [(), ("closed",)]
    alone = surveyed_flight([row(shut, "2027-06-01")], "Slope", FLOWN)
    assert alone is not None  # so that a sentence can say why there is no walk
    assert len(alone.frames) == 1


def test_walk_and_field_by_command(tmp_path: Path) -> None:
    save_field(grown_over(), tmp_path / "flight")
    feature = {"type": "Feature", "properties": {"name": "Slope"}, "geometry": geometry(SLOPE)}
    (tmp_path / "slope.geojson").write_text(json.dumps(feature), encoding="utf-8")
    done = run(
        "walk", tmp_path / "flight", "--boundary", tmp_path / "slope.geojson", "--day", FLOWN,
        "--map", tmp_path / "walk.html",
    )  # fmt: skip
    assert done.exit_code == 0, done.stderr
    page = (tmp_path / "walk.html").read_text(encoding="utf-8")
    assert "leaves closed, older than any zone" in page
    assert "1, closed" in page
    random = np.random.default_rng(0)
    plants = [
        (plant(10 * stop + k, int(stage), at=outline(SLOPE).degrees(x, y)), str(stop))
        for stop, (x, y) in enumerate([(200, 200), (230, 190), (250, 45), (270, 120)], start=1)
        for k, stage in enumerate(SLOPE.walk_to(x, y, 4, random))
    ]
    fill(tmp_path / "s.survey", "Slope", plants, FLOWN, boundary=geometry(SLOPE))
    found = run("field", tmp_path / "s.survey", "--day", FLOWN, "--above", tmp_path / "flight")
    said = " ".join(found.stdout.split())
    assert "No plant was counted where leaves close over the rows" in said
    assert "Enough by zones" not in said
