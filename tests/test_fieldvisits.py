"""Field visits: plants out of a survey, with the last word of whoever counted them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest
from fields import BOUNDARY, VISIT, fill, plant, walk
from surveys import MODEL, reading, sha

from collarvision.field import summarise
from collarvision.fieldvisits import FieldVisitsError, visits_of
from collarvision.seenplants import SeenPlant
from collarvision.survey import HandCount, Place, PlantRow, SurveyReader, SurveyWriter


@pytest.fixture
def survey(tmp_path: Path) -> Path:
    path = tmp_path / "season.survey"
    fill(path, "North", walk([3] * 12, height_in=7), VISIT - timedelta(days=7), boundary=BOUNDARY)
    waiting = (plant(90, 5, sure=0.5, outcome="hand-count"), "2")
    fill(path, "North", [*walk([4] * 12, height_in=12), waiting])
    fill(path, "South", walk([6] * 3))
    return path


def seen(survey: Path, name: str, field: str = "North") -> SeenPlant:
    with SurveyReader(survey) as store:
        found = visits_of(store, field).chosen.plants
    return next(p for p in found if p.evidence.name == name)


def row(survey: Path, photo: str, day: date = VISIT) -> PlantRow:
    with SurveyReader(survey) as store:
        return next(r for r in store.plants("North", day.isoformat()) if r.photo == photo)


def count(survey: Path, photo: str, who: str = "A. Scout", **counted: object) -> None:
    with SurveyWriter(survey, create=True) as store:
        made = HandCount(who, "2027-06-04T15:00:00+00:00", **counted)  # type: ignore[arg-type]
        store.add_hand_count(row(survey, photo).sha256, made)


def test_the_last_visit_and_those_before_it(survey: Path) -> None:
    with SurveyReader(survey) as store:
        found = visits_of(store, "North")
        first = visits_of(store, "North", VISIT - timedelta(days=7))
    assert found.chosen.day == VISIT
    assert len(found.chosen.plants) == 13
    assert [visit.day for visit in found.earlier] == [VISIT - timedelta(days=7)]
    assert found.boundary == BOUNDARY
    assert found.models == ("first",)
    assert (first.chosen.day, first.earlier) == (VISIT - timedelta(days=7), ())
    one = found.chosen.plants[0].evidence
    assert (one.stage, one.stop, one.taken_at) == (4, "1", VISIT)
    assert one.stage_probabilities[4] == pytest.approx(0.97)
    assert one.height_interval_mm is not None


def test_plants_without_a_date_are_left_out_and_named(survey: Path) -> None:
    fill(survey, "North", walk([8] * 12, first=200), None)
    with SurveyReader(survey) as store:
        found = visits_of(store, "North")
        first = visits_of(store, "North", VISIT - timedelta(days=7))
    assert [plant.stage for plant in found.undated] == [8] * 12
    assert [plant.taken_at for plant in found.undated] == [None] * 12
    assert len(found.chosen.plants) == 13
    (said,) = found.notes
    assert said.startswith("12 plants of this field have no date and are left out: IMG_0200.jpg, ")
    assert "IMG_0202.jpg and 9 more. Put the photos into a folder named" in said
    assert "like 2027-06-04, and run `collarvision batch` again with --restage" in said
    assert len(first.undated) == 12


def test_a_field_without_any_date_is_judged_by_what_it_has(survey: Path) -> None:
    fill(survey, "Undated", walk([5] * 4), None)
    with SurveyReader(survey) as store:
        found = visits_of(store, "Undated")
    assert (found.chosen.day, len(found.chosen.plants), found.undated) == (None, 4, ())
    assert found.notes == ()


@pytest.mark.parametrize(
    ("field", "visit", "said"),
    [
        ("north", None, "did you mean 'North'"),
        ("Elsewhere", None, "it has North, South"),
        ("North", date(2027, 6, 1), "its visits are 2027-05-28, 2027-06-04"),
    ],
)
def test_fields_and_visits_that_are_not_there(
    survey: Path, field: str, visit: date | None, said: str
) -> None:
    with SurveyReader(survey) as store, pytest.raises(FieldVisitsError, match=said):
        visits_of(store, field, visit)


def test_a_survey_without_fields_and_a_field_without_photos(tmp_path: Path) -> None:
    path = tmp_path / "empty.survey"
    with SurveyWriter(path, create=True) as store:
        with pytest.raises(FieldVisitsError, match="holds no field"):
            visits_of(store, "North")
        store.add_field("North")
        with pytest.raises(FieldVisitsError, match="North has no photo yet"):
            visits_of(store, "North")


def test_a_field_whose_photos_were_filed_elsewhere_since_is_told(tmp_path: Path) -> None:
    path = tmp_path / "s.survey"
    south, north = (Place(field, "2027-05-20", None, "folder") for field in ("South", "North"))
    with SurveyWriter(path, create=True) as store:
        for number in range(3):
            said = reading(f"{number}.jpg")
            store.add_reading(said, sha256=sha(number), model=MODEL, place=south)
            store.add_reading(said, sha256=sha(number), model=MODEL, place=north, again=True)
        store.add_field("East")
        with pytest.raises(FieldVisitsError) as caught:
            visits_of(store, "South")
        said = "South holds no photo now: those that were found for it are filed under another"
        assert str(caught.value) == f"{said} field. Fields with photos: North (3)."
        with pytest.raises(FieldVisitsError, match="East has no photo yet: fill the survey"):
            visits_of(store, "East")


def test_a_hand_count_outranks_and_its_height_too(survey: Path) -> None:
    count(survey, "IMG_0090.jpg", stage=6, height_mm=410.0)
    found = seen(survey, "IMG_0090.jpg")
    assert (found.evidence.hand_count, found.evidence.height_mm) == (6, 410.0)
    assert found.evidence.decided
    assert found.counted_by == "A. Scout"


def test_a_height_entered_later_leaves_the_count(survey: Path) -> None:
    count(survey, "IMG_0090.jpg", stage=6)
    count(survey, "IMG_0090.jpg", height_mm=400.0)
    found = seen(survey, "IMG_0090.jpg").evidence
    assert (found.hand_count, found.height_mm) == (6, 400.0)


def test_a_height_alone_decides_no_stage(survey: Path) -> None:
    count(survey, "IMG_0090.jpg", height_mm=400.0)
    found = seen(survey, "IMG_0090.jpg").evidence
    assert (found.hand_count, found.height_mm, found.waiting) == (None, 400.0, True)


def test_people_who_differ_by_nodes_are_told_by_their_collars(survey: Path) -> None:
    count(survey, "IMG_0090.jpg", "Ann", stage=5)
    count(survey, "IMG_0090.jpg", "Bob", nodes=12)
    with SurveyReader(survey) as store:
        (note,) = visits_of(store, "North").notes
    assert note == (
        "IMG_0090.jpg was counted 5 by Ann and 16 from 12 nodes by Bob: the last count stands."
    )
    # One who told the same another way doesn't differ.
    count(survey, "IMG_0090.jpg", "Ann", stage=16)
    with SurveyReader(survey) as store:
        assert visits_of(store, "North").notes == ()


def test_nodes_become_collars(survey: Path) -> None:
    # The first node apart is leaf 5's (Purdue Univ. Extension; Univ. of Tennessee 2025).
    count(survey, "IMG_0090.jpg", nodes=2)
    found = seen(survey, "IMG_0090.jpg")
    assert (found.evidence.hand_count, found.from_nodes) == (6, True)
    assert found.evidence.one_more > 0


def test_two_people_who_differ_are_named(survey: Path) -> None:
    count(survey, "IMG_0090.jpg", "Ann", stage=5)
    count(survey, "IMG_0090.jpg", "Bo", stage=6)
    with SurveyReader(survey) as store:
        found = visits_of(store, "North")
    assert found.notes == ("IMG_0090.jpg was counted 5 by Ann and 6 by Bo: the last count stands.",)
    assert seen(survey, "IMG_0090.jpg").evidence.hand_count == 6


def test_a_plant_counted_at_a_stop_without_a_photo(survey: Path) -> None:
    with SurveyWriter(survey, create=True) as store:
        stop = next(s for s in store.stops("North") if s.date == "2027-06-04" and s.name == "3")
        store.add_stop_count(stop.id, HandCount("Ann", "2027-06-04T15:00:00+00:00", 5))
        found = visits_of(store, "North").chosen
    assert len(found.plants) == 14
    extra = found.plants[-1]
    assert extra.evidence.name.startswith("stop 3, plant ")
    assert (extra.evidence.hand_count, extra.evidence.stop) == (5, "3")
    assert extra.gps is not None
    assert summarise(found.evidence).hand_counted == 1


def test_a_photo_set_aside_counts_for_nothing(survey: Path) -> None:
    with SurveyWriter(survey, create=True) as store:
        store.set_aside(row(survey, "IMG_0090.jpg").sha256, "Ann", "several")
    assert seen(survey, "IMG_0090.jpg").evidence.outcome == "rejected"


@pytest.mark.parametrize(
    ("stops", "spelt"),
    [(("7", "07"), {"7"}), (("07", "7"), {"07"}), (("7", "70"), {"7", "70"})],
)
def test_a_stop_spelt_in_two_ways_is_one_in_surveys_of_earlier_versions(
    tmp_path: Path, stops: tuple[str, str], spelt: set[str]
) -> None:
    path = tmp_path / "old.survey"
    fill(path, "North", [(plant(k, 3 + (k % 3 > 0)), stops[k % 2]) for k in range(30)])
    with SurveyWriter(path) as store:
        place = Place("North", VISIT.isoformat(), stops[1])
        store.add_stop_count(place, HandCount("Ann", "2027-06-04T15:00:00+00:00", 4))
        found = visits_of(store, "North").chosen
    assert {one.evidence.stop for one in found.plants} == spelt
    assert summarise(found.evidence).stops == len(spelt)
    # The plant keeps the name that it was counted by.
    assert found.plants[-1].evidence.name.startswith(f"stop {stops[1]}, plant ")


def test_a_height_alone_at_a_stop_counts_by_its_height(survey: Path) -> None:
    with SurveyWriter(survey, create=True) as store:
        stop = next(s for s in store.stops("North") if s.date == "2027-06-04" and s.name == "3")
        at = "2027-06-04T15:00:00+00:00"
        store.add_stop_count(stop.id, HandCount("Ann", at, height_mm=800.0))
        found = visits_of(store, "North").chosen
    extra = found.plants[-1].evidence
    assert extra.name.startswith("stop 3, plant ")
    assert (extra.height_mm, extra.hand_count, extra.waiting) == (800.0, None, False)
    assert extra.height_only
    stage = summarise(found.evidence)
    assert (stage.plants, stage.waiting, stage.rejected, stage.height_only) == (12, 1, 0, 1)
    assert stage.heights is not None
    assert stage.heights.tallest_tenth_mm == 800.0


def test_a_tape_height_on_a_rejected_photo_counts_by_its_height(survey: Path) -> None:
    fill(survey, "North", [(replace(plant(96, 4, height_in=12), outcome="rejected"), "1")])
    assert not seen(survey, "IMG_0096.jpg").evidence.height_only
    count(survey, "IMG_0096.jpg", height_mm=800.0)
    found = seen(survey, "IMG_0096.jpg").evidence
    assert (found.height_mm, found.decided, found.height_only) == (800.0, False, True)


@pytest.mark.parametrize(
    ("reason", "kept"),
    [("cannot-tell", True), ("several", True), ("no-plant", False), ("not-corn", False)],
)
def test_a_tape_height_outlives_a_photo_set_aside_if_it_is_of_corn(
    survey: Path, reason: str, kept: bool
) -> None:
    with SurveyWriter(survey, create=True) as store:
        made = HandCount("Ann", "2020-06-04T15:00:00+00:00", 6, height_mm=800.0)
        store.add_hand_count(row(survey, "IMG_0090.jpg").sha256, made)
        store.set_aside(row(survey, "IMG_0090.jpg").sha256, "Ann", reason)  # type: ignore[arg-type]
    found = seen(survey, "IMG_0090.jpg").evidence
    assert (found.decided, found.waiting, found.height_only) == (False, False, kept)


def test_an_undated_height_alone_is_not_lost(survey: Path) -> None:
    fill(survey, "North", walk([8], first=200), None)
    with SurveyWriter(survey, create=True) as store:
        stop = next(s for s in store.stops("North") if s.date is None)
        store.add_stop_count(
            stop.id, HandCount("Ann", "2027-06-04T15:00:00+00:00", height_mm=800.0)
        )
        found = visits_of(store, "North").undated
    assert [one.height_only for one in found] == [False, True]


def test_photos_from_above_are_left_out(survey: Path) -> None:
    fill(survey, "North", [(plant(95, 9, view="above"), "1")])
    with SurveyReader(survey) as store:
        found = visits_of(store, "North")
    assert found.from_above == 1
    assert len(found.chosen.plants) == 13
    assert "from above" in found.notes[0]
    assert found.notes == ("1 photo from above tells no collars and is left out.",)
    fill(survey, "North", [(plant(96, 9, view="above"), "1")])
    with SurveyReader(survey) as store:
        found = visits_of(store, "North")
    assert found.notes == ("2 photos from above tell no collars and are left out.",)


def test_two_photos_of_one_name_are_told_apart(survey: Path) -> None:
    fill(survey, "Twins", [(plant(1, 4), "1")])
    from surveys import MODEL, sha

    from collarvision.survey import Place

    with SurveyWriter(survey, create=True) as store:
        store.add_reading(
            plant(1, 5), sha256=sha(77), model=MODEL, place=Place("Twins", "2027-06-04", "2")
        )
        names = [p.evidence.name for p in visits_of(store, "Twins").chosen.plants]
    assert len(set(names)) == 2
    assert names[1] == "IMG_0001.jpg (000000, stop 2)"


def test_a_record_that_contradicts_itself_is_left_out_and_named(survey: Path) -> None:
    odd = replace(plant(97, 4), height_mm=300.0, height_interval_mm=(310.0, 320.0))
    fill(survey, "North", [(odd, "1")])
    with SurveyReader(survey) as store:
        (note,) = visits_of(store, "North").notes
    assert note == "IMG_0097.jpg: the height must lie in its interval: its reading is left out."
    assert seen(survey, "IMG_0097.jpg").evidence.outcome == "rejected"


def test_a_visit_without_a_date(tmp_path: Path) -> None:
    path = tmp_path / "season.survey"
    fill(path, "Undated", walk([4] * 4), None)
    with SurveyReader(path) as store:
        found = visits_of(store, "Undated")
    assert found.chosen.day is None
    assert all(p.evidence.taken_at is None for p in found.chosen.plants)


def test_a_photo_older_than_its_visit_counts_from_its_own_day(tmp_path: Path) -> None:
    """A folder is dated by the day that the photos were copied."""
    path = tmp_path / "s.survey"
    taken = f"{VISIT - timedelta(days=9)}T10:00:00"
    night = f"{VISIT - timedelta(days=1)}T23:30:00"
    old = [
        (replace(one, taken_at=taken if k < 12 else night), stop)
        for k, (one, stop) in enumerate(walk([4] * 14))
    ]
    fill(path, "North", old)
    with SurveyReader(path) as store:
        found = visits_of(store, "North")
    days = [p.taken_at for p in found.chosen.evidence]
    assert days == [VISIT - timedelta(days=9)] * 12 + [VISIT] * 2
    (note,) = found.notes
    assert note.startswith(
        "12 plants were taken before the visit of 2027-06-04 by the camera, on 2027-05-26, and "
        "count from there: IMG_0001.jpg, "
    )
    lost = tmp_path / "lost.survey"
    fill(lost, "North", [(replace(plant(1, 4), taken_at="1980-01-01T00:00:00"), "1")])
    with SurveyReader(lost) as store:
        found = visits_of(store, "North")
    assert (found.chosen.evidence[0].taken_at, found.notes) == (VISIT, ())


@pytest.mark.parametrize(
    ("way", "days"),
    [("on-plant", 0), ("split-stalk", 0), (None, 0), ("agreed", 30), ("marked", 30)],
)
def test_a_count_in_the_field_is_of_the_visits_day_whatever_the_cameras_clock(
    tmp_path: Path, way: str | None, days: int
) -> None:
    path = tmp_path / "s.survey"
    taken = f"{VISIT - timedelta(days=30)}T10:00:00"
    fill(path, "North", [(replace(one, taken_at=taken), stop) for one, stop in walk([4] * 3)])
    count(path, "IMG_0001.jpg", stage=4, way=way)
    assert seen(path, "IMG_0001.jpg").evidence.taken_at == VISIT - timedelta(days=days)
    assert seen(path, "IMG_0002.jpg").evidence.taken_at == VISIT - timedelta(days=30)
    with SurveyReader(path) as store:
        (note,) = visits_of(store, "North").notes
    assert "Where the clock was wrong, set it, and count these plants by hand in the field" in note
