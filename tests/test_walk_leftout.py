"""Photos that no zone is told by: of another day, or of bare ground. They are said."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import timedelta

import numpy as np
import pytest
from flights import FLAT, FLOWN, METRES, ORIGIN, SLOPE, flown, outline

from collarvision.above.values import FieldAbove, FrameAbove, no_plants
from collarvision.boundary import Boundary
from collarvision.demo.invented import Patch
from collarvision.walk.cells import grid
from collarvision.walk.flight import Flight, FlightError, age_words, flight_of
from collarvision.walk.page import write_walk
from collarvision.walk.stops import plan_zone_walk
from collarvision.walk.zones import find_zones


def on(frame: FrameAbove, days_before: int) -> FrameAbove:
    day = FLOWN - timedelta(days=days_before)
    return replace(frame, taken_at=f"{day.isoformat()}T10:00:00")


def walked(*frames: FrameAbove) -> Flight:
    return flight_of(FieldAbove("f", frames), outline(SLOPE))


def test_photos_of_another_day_are_left_out_and_said() -> None:
    new, old = flown().frames[:30], flown().frames[30:]
    flight = walked(*new, *(on(one, 30) for one in old))
    assert len(flight.photos) == 30
    assert flight.day == FLOWN
    said = "12 of 42 photos were flown on other days than the newest, 2027-06-01 (2027-05-02)"
    assert any(note.startswith(said) for note in flight.notes)
    # Two evenings are one flight.
    both = walked(*new, *(on(one, 1) for one in old))
    assert len(both.photos) == 42
    assert not any("other days" in note for note in both.notes)


def test_a_month_old_flight_with_one_new_photo_is_no_flight_of_today() -> None:
    first, *others = flown().frames
    flight = walked(first, *(on(one, 30) for one in others))
    with pytest.raises(FlightError, match="41 of 42 photos were flown on other days"):
        grid(flight)
    old = walked(*(on(one, 30) for one in flown().frames))
    assert "30 days before" in (age_words(old, FLOWN) or "")


def test_photos_without_a_day_among_others_are_said() -> None:
    first, *others = flown().frames
    flight = walked(replace(first, taken_at=None), *others)
    assert len(flight.photos) == 42
    assert any(note.startswith("1 of 42 photos doesn't tell its day") for note in flight.notes)


def drowned(frame: FrameAbove) -> FrameAbove:
    return replace(frame, plants=no_plants(), stages=None, gaps=(), quality=("no-plants",))


def test_photos_that_show_no_corn_are_said_with_their_places() -> None:
    field = outline(SLOPE)
    frames = []
    bare = 0
    for one in flown().frames:
        assert one.georeference is not None
        low = field.metres(one.georeference.lat, one.georeference.lon)[1] < 100
        bare += low
        frames.append(drowned(one) if low else one)
    assert bare > 6
    flight = walked(*frames)
    note = next(note for note in flight.notes if "no corn" in note)
    assert note.startswith(f"{bare} photos from above show no corn (at 41.70")
    assert note.count("; ") == 5
    assert f"and {bare - 6} more" in note
    page = write_walk(plan_zone_walk(flight, find_zones(flight, grid(flight))))
    assert "show no corn" in " ".join(page.split())
    outside = drowned(flown().frames[0])
    assert outside.georeference is not None
    away = replace(outside.georeference, lat=outside.georeference.lat + 0.1)
    fine = walked(*flown().frames, replace(outside, georeference=away))
    assert not any("no corn" in note for note in fine.notes)


def thinned(frame: FrameAbove, plants: int) -> FrameAbove:
    seen = frame.plants
    assert seen is not None
    first = {one.name: getattr(seen, one.name)[:plants] for one in fields(seen)}
    first["tip_start"] = seen.tip_start[: plants + 1]
    return replace(frame, plants=replace(seen, **first), stages=None, gaps=())


@pytest.mark.parametrize("plants", [1, 7])
@pytest.mark.parametrize("area_m2", [300.0, 5.0])
def test_photos_that_show_hardly_any_corn_are_said_as_bare_ones_are(
    plants: int, area_m2: float
) -> None:
    """Fewer plants than tell of a place are left out of the zones, of a small photo too."""
    frames = flown().frames
    thin = [replace(thinned(one, plants), area_m2=area_m2) for one in frames[:3]]
    place = frames[0].georeference
    assert place is not None
    flight = walked(*thin, *frames[3:])
    (note,) = flight.notes
    assert note.startswith("3 photos from above show no corn or hardly any (at 41.70")
    assert f"{place.lat:.5f}, {place.lon:.5f}" in note


def test_other_photos_that_tell_nothing_of_plants_are_said() -> None:
    first, second, *others = flown().frames
    coarse = replace(first, plants=None, stages=None, gaps=(), quality=("coarse",))
    outside = replace(second, plants=None, stages=None, gaps=(), quality=("outside",))
    (note,) = walked(coarse, outside, *others).notes
    assert note.startswith("1 photo from above tells nothing of plants (at 41.70")


def test_a_flight_without_photos_says_what_to_do_in_whole_sentences() -> None:
    with pytest.raises(FlightError, match=r"fly again, lower\. Until then"):
        flight_of(FieldAbove("f", ()))


def test_gaps_of_the_field_beside_are_not_booked_on_this_ones_edge() -> None:
    gappy = replace(FLAT, patches=(Patch(260, 120, (60, 200), 0.0, 0.0, missing=0.5),))
    field = gappy.fly(ORIGIN, METRES, FLOWN, photos=60)
    corners = np.array([[0.0, 0.0], [205.0, 0.0], [205.0, 240.0], [0.0, 240.0]])
    west = Boundary("West", ORIGIN, ((corners,),))
    flight = flight_of(field, west)
    assert west.inside(np.column_stack([flight.gap_x_m, flight.gap_y_m])).all()
    assert len(flight.gap_missing) == len(flight.gap_x_m) < sum(len(f.gaps) for f in field.frames)
    assert len(find_zones(flight, grid(flight))) == 1
