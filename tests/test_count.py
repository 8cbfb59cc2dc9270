"""The command `count` at stops without photos: which plant was counted, and counting it again."""

from __future__ import annotations

import sqlite3
from datetime import timedelta
from pathlib import Path

import pytest
from command import run
from fields import VISIT, fill, plant, walk
from surveys import check_sound

from collarvision.fieldvisits import visits_of
from collarvision.pickplant import PickError, pick
from collarvision.survey import HandCount, Place, SurveyError, SurveyReader, SurveyWriter
from collarvision.survey.stopcounts import stop_counts

DAY = VISIT.isoformat()


@pytest.fixture
def survey(tmp_path: Path) -> Path:
    """Three stops on two visits of North, and a photo that waits."""
    path = tmp_path / "season.survey"
    fill(path, "North", walk([3] * 6, stops=3), VISIT - timedelta(days=7))
    waiting = (plant(90, 2, sure=0.5, outcome="hand-count"), "2")
    fill(path, "North", [*walk([4] * 6, stops=3), waiting])
    return path


def count(survey: Path, what: str, *words: object, field: str = "North") -> str:
    result = run("count", survey, what, "--field", field, "--who", "Ann", *words)
    assert result.exit_code == 0, result.stderr
    return " ".join(result.stderr.split())


def refused(survey: Path, what: str, *words: object) -> str:
    result = run("count", survey, what, "--field", "North", "--who", "Ann", *words)
    assert result.exit_code == 2, result.stderr
    return " ".join(result.stderr.split())


def counted(survey: Path) -> list[tuple[str, int | None]]:
    """What the field's answer takes of plants without a photo."""
    with SurveyReader(survey) as store:
        plants = visits_of(store, "North").chosen.plants
    return [(p.evidence.name, p.evidence.hand_count) for p in plants if p.sha256 is None]


def test_a_slip_at_a_stop_is_put_right_by_counting_the_same_plant_again(survey: Path) -> None:
    said = count(survey, "stop 3", "--stage", "16")
    assert "stop 3 (North, 2027-06-04): 16 collars, counted by Ann." in said
    assert "This is plant 1 of stop 3." in said
    assert 'count "stop 3, plant 1" again: the last count stands.' in said
    assert counted(survey)[0][0] == "stop 3, plant 1"  # as `field` prints it
    again = count(survey, "stop 3, plant 1", "--stage", "6")
    assert "stop 3, plant 1 (North, 2027-06-04): 6 collars" in again
    assert "It was V16, counted by Ann: the last count stands." in again
    assert counted(survey) == [("stop 3, plant 1", 6)]
    # Both counts are kept, and neither can be changed.
    connection = sqlite3.connect(survey)
    assert connection.execute("SELECT stage FROM hand_counts").fetchall() == [(16,), (6,)]
    with pytest.raises(sqlite3.IntegrityError, match="never changed"):
        connection.execute("UPDATE hand_counts SET stage = 7")
    connection.close()
    check_sound(survey)


def test_a_second_plant_is_told_to_be_one(survey: Path) -> None:
    count(survey, "stop 3", "--stage", "16")
    said = count(survey, "stop 3", "--stage", "6")
    assert "This is plant 2 of stop 3; plant 1 stays V16, counted by Ann." in said
    assert 'count "stop 3, plant 2" or "stop 3, plant 1" again' in said
    assert "This is plant 1 of stop 2." in count(survey, "stop 2", "--stage", "5")
    assert counted(survey) == [
        ("stop 3, plant 1", 16),
        ("stop 3, plant 2", 6),
        ("stop 2, plant 1", 5),
    ]
    for collars in (7, 5):
        count(survey, "stop 3, plant 1", "--stage", collars)
    assert counted(survey)[:2] == [("stop 3, plant 1", 5), ("stop 3, plant 2", 6)]


@pytest.mark.parametrize(
    "words", ["stop 3, plant 1", "Stop 3 plant 1", "3, plant 1", "stop3,plant 1"]
)
def test_a_plant_of_a_stop_is_known_however_it_is_written(survey: Path, words: str) -> None:
    count(survey, "stop 3", "--stage", "16")
    count(survey, words, "--stage", "6")
    assert counted(survey) == [("stop 3, plant 1", 6)]
    with SurveyReader(survey) as store:
        assert {stop.name for stop in store.stops()} == {"1", "2", "3"}


def test_a_height_alone_is_kept_for_a_plant_that_was_counted(survey: Path) -> None:
    count(survey, "stop 3", "--stage", "6")
    said = count(survey, "stop 3, plant 1", "--height", "20 in")
    assert "It stays V6, counted by Ann." in said
    with SurveyReader(survey) as store:
        (found,) = stop_counts(store, "North")
    assert (found.count.stage, found.count.height_mm) == (6, 508.0)
    assert len(found.counts) == 2


def test_two_people_who_differ_on_a_plant_of_a_stop_are_named(survey: Path) -> None:
    count(survey, "stop 3", "--stage", "5")
    run("count", survey, "stop 3, plant 1", "--field", "North", "--stage", "6", "--who", "Bo")
    with SurveyReader(survey) as store:
        notes = visits_of(store, "North").notes
    assert "stop 3, plant 1 was counted 5 by Ann and 6 by Bo: the last count stands." in notes


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("stop three", "North has no stop 'three': its stops are 1, 2, 3."),
        ("stop three", "it is made by a number, like 'stop 4'"),
        ("stop 3, plnat 1", "North has no stop '3, plnat 1'"),
        ("stop 9, plant 1", "North has no stop '9': its stops are 1, 2, 3."),
        ("stop 9, plant 1", "like 'stop 9'"),
        ("stop 3, plant 1", "stop 3 (North, 2027-06-04) has no plant 1 without a photo: none was"),
        ("stop 3, plant 1", "'stop 3' counts another"),
    ],
)
def test_words_that_name_no_stop_make_none(survey: Path, words: str, said: str) -> None:
    assert said in refused(survey, words, "--stage", "6", "--visit", DAY)
    with SurveyReader(survey) as store:
        assert {stop.name for stop in store.stops()} == {"1", "2", "3"}
        assert not list(stop_counts(store))


def test_a_stop_of_another_visit_is_known_by_its_name(survey: Path) -> None:
    with SurveyWriter(survey) as store:
        made = Place("North", (VISIT - timedelta(days=7)).isoformat(), "Gate")
        store.add_stop_count(made, HandCount("Ann", "2027-05-28T10:00:00+00:00", 3))
        assert pick(store, "stop gate", field="North", date=DAY).new_stop == Place(
            "North", DAY, "Gate"
        )
        for name in ("4", "12b", "B", "B3"):
            picked = pick(store, f"stop {name}", field="North", date=DAY)
            assert picked.new_stop == Place("North", DAY, name)
        with pytest.raises(PickError, match="its stops are 1, 2, 3, Gate"):
            pick(store, "stop gtae", field="North", date=DAY)


def test_a_stop_that_an_earlier_version_made_of_a_plants_name_is_still_found(survey: Path) -> None:
    with SurveyWriter(survey) as store:
        made = Place("North", DAY, "3, plant 1")
        store.add_stop_count(made, HandCount("Ann", "2025-06-04T10:00:00+00:00", 6))
    assert counted(survey) == [("stop 3, plant 1, plant 1", 6)]
    count(survey, "stop 3, plant 1, plant 1", "--stage", "5")
    assert counted(survey) == [("stop 3, plant 1, plant 1", 5)]


def test_what_is_no_plant_of_a_stop_is_not_counted_again(survey: Path) -> None:
    with SurveyWriter(survey) as store:
        (stop,) = (one for one in store.stops("North") if (one.date, one.name) == (DAY, "3"))
        made = HandCount("Ann", "2027-06-04T10:00:00+00:00", 6)
        first = store.add_stop_count(stop.id, made)
        again = store.count_stop_plant_again(first, made)
        photo = store.add_hand_count(next(store.plants("North")).sha256, made)
        for number in (again, photo, 99):
            with pytest.raises(SurveyError, match="count it there first"):
                store.count_stop_plant_again(number, made)
        assert [len(one.counts) for one in stop_counts(store)] == [2]


def test_the_last_count_at_a_stop_is_the_one_made_last_whenever_it_came_in(survey: Path) -> None:
    with SurveyWriter(survey) as store:
        made = Place("North", DAY, "3")
        first = store.add_stop_count(made, HandCount("Ann", "2027-06-04T12:00:00+00:00", 6))
        store.count_stop_plant_again(first, HandCount("Bo", "2027-06-04T11:00:00+00:00", 5))
        (found,) = stop_counts(store, "North")
    assert (found.count.stage, [one.stage for one in found.counts]) == (6, [5, 6])


def test_stops_that_are_called_alike_keep_their_plants_apart(survey: Path) -> None:
    with SurveyWriter(survey) as store:
        for name in ("3", "stop 3"):
            made = Place("North", DAY, name)
            store.add_stop_count(made, HandCount("Ann", "2027-06-04T10:00:00+00:00", 6))
    names = [name for name, _ in counted(survey)]
    assert names == ["stop 3, plant 1 (stop 3)", "stop 3, plant 1 (stop stop 3)"]


def test_nodes_far_from_the_reading_are_asked_again(survey: Path) -> None:
    # The first node apart is leaf 5's (Purdue Univ. Extension): two are V6, and the photo says V2.
    said = count(survey, "IMG_0090", "--nodes", "2")
    assert "The reading had said V2. If that was a slip, count again" in said
    with SurveyReader(survey) as store:
        key = next(row.sha256 for row in store.plants("North", DAY) if row.stage == 4)
    near = count(survey, key, "--nodes", "1")
    assert "The reading had said V4." in near
    assert "slip" not in near
