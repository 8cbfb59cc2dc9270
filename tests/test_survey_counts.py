"""Survey: hand counts with the points they rest on, and photos that hold nothing to count."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from surveys import MODEL, NEWER, NORTH, reading, sha

from collarvision.handles import Handle, lost_leaf
from collarvision.survey import HandCount, SurveyError, SurveyWriter
from collarvision.survey.plantfolders import place_of, plant_names, was_named
from collarvision.survey.rows import as_known
from collarvision.survey.stopcounts import stop_counts

MARKED = (
    lost_leaf(1),
    Handle("collar", 10.5, 20.25, 2, occluded=True),
    Handle("tip", 1.0, 2.0, 3),
    Handle("soil", 10.0, 30.0),
)


@pytest.fixture
def survey(tmp_path: Path) -> Iterator[SurveyWriter]:
    with SurveyWriter(tmp_path / "s.survey", create=True) as opened:
        yield opened


def test_a_count_keeps_its_points_and_the_reading_that_was_shown(survey: SurveyWriter) -> None:
    survey.add_reading(reading(stage=3), sha256=sha(1), model=MODEL, place=NORTH)
    shown = survey.plant(sha(1))
    assert shown is not None
    survey.add_reading(reading(stage=5), sha256=sha(1), model=NEWER, place=NORTH)
    count = HandCount("Ann", "2027-05-20T10:00", stage=2, way="marked")
    survey.add_hand_count(sha(1), count, handles=MARKED, reading_id=shown.reading_id)
    typed = HandCount("Bo", "2027-05-21T10:00", stage=4, nodes=4, way="split-stalk")
    survey.add_hand_count(sha(1), typed)

    marked, split = survey.counts(sha(1))
    assert marked.handles == MARKED
    assert marked.count == count
    assert (marked.read_stage, marked.model_sha256) == (3, MODEL.sha256)
    assert (split.handles, split.count) == ((), typed)
    assert (split.read_stage, split.model_sha256) == (5, NEWER.sha256)  # the latest
    assert [c.id for c in survey.counts(field="North")] == [marked.id, split.id]
    assert not list(survey.counts(field="South"))


def test_a_save_that_is_sent_twice_is_stored_once(survey: SurveyWriter) -> None:
    survey.add_reading(reading(), sha256=sha(1), model=MODEL)
    count = HandCount("Ann", "2027-05-20T10:00", stage=2)
    first = survey.add_hand_count(sha(1), count, handles=MARKED, save_key="one")
    assert survey.add_hand_count(sha(1), count, handles=MARKED, save_key="one") == first
    assert survey.add_hand_count(sha(1), count) != survey.add_hand_count(sha(1), count)
    assert len(list(survey.counts())) == 3
    for _ in range(2):
        survey.set_aside(sha(1), "Ann", "no-plant", "two")
    assert [aside.reason for aside in survey.set_asides(sha(1))] == ["no-plant"]


def test_impossible_points_leave_no_half_a_count(survey: SurveyWriter) -> None:
    survey.add_reading(reading(), sha256=sha(1), model=MODEL)
    bad = (MARKED[0], Handle("collar", 1.0, 1.0, 99))
    with pytest.raises(SurveyError, match="can't be stored"):
        survey.add_hand_count(sha(1), HandCount("Ann", "2027", stage=2), handles=bad)
    assert not list(survey.counts())


def test_counts_and_labels_are_never_changed(survey: SurveyWriter) -> None:
    survey.add_reading(reading(), sha256=sha(1), model=MODEL)
    survey.add_hand_count(sha(1), HandCount("Ann", "2027", stage=2), handles=MARKED)
    connection = sqlite3.connect(survey.path)
    for words in (
        "UPDATE hand_counts SET stage = 4",
        "DELETE FROM hand_counts",
        "UPDATE labels SET rank = 4",
        "DELETE FROM labels",
    ):
        with pytest.raises(sqlite3.IntegrityError, match="is never"):
            connection.execute(words)
    connection.close()


def test_a_photo_with_nothing_to_count_waits_no_longer(survey: SurveyWriter) -> None:
    sent_back = reading(outcome="hand-count", reasons=("Blurred.",))
    survey.add_reading(sent_back, sha256=sha(1), model=MODEL, place=NORTH)
    assert len(list(survey.waiting())) == 1
    survey.set_aside(sha(1), "Ann", "no-plant")
    assert not list(survey.waiting())
    plant = survey.plant(sha(1))
    assert plant is not None
    assert plant.set_aside == "no-plant"
    survey.add_hand_count(sha(1), HandCount("Bo", "2999-01-01T00:00:00+00:00", stage=3))
    plant = survey.plant(sha(1))
    assert plant is not None
    assert plant.set_aside is None  # somebody saw a plant after all
    assert survey.plant(sha(2)) is None


def test_a_height_entered_alone_hides_no_count_and_ends_no_wait(survey: SurveyWriter) -> None:
    survey.add_reading(
        reading(outcome="hand-count", reasons=("Blurred.",)), sha256=sha(1), model=MODEL
    )
    survey.add_hand_count(sha(1), HandCount("Bo", "2020-05-20T09:00", height_mm=180.0))
    assert len(list(survey.waiting())) == 1  # nobody has said a stage
    plant = survey.plant(sha(1))
    assert plant is not None
    assert plant.hand_count == HandCount("Bo", "2020-05-20T09:00", height_mm=180.0)

    counted = HandCount("Ann", "2020-05-20T10:00", stage=4, way="on-plant", note="leaf 1 lost")
    survey.add_hand_count(sha(1), counted)
    survey.add_hand_count(sha(1), HandCount("Bo", "2020-05-20T11:00", height_mm=195.0))
    assert not list(survey.waiting())
    plant = survey.plant(sha(1))
    assert plant is not None
    assert plant.hand_count == replace(counted, height_mm=195.0)
    assert [c.height_mm for c in survey.hand_counts(sha(1))] == [180.0, None, 195.0]

    survey.set_aside(sha(1), "Ann", "no-plant")
    plant = survey.plant(sha(1))
    assert plant is not None
    assert plant.set_aside == "no-plant"
    # A height measured later is no count: whoever set the photo aside is answered by a stage alone.
    survey.add_hand_count(sha(1), HandCount("Bo", "2999-01-01T00:00:00+00:00", height_mm=200.0))
    plant = survey.plant(sha(1))
    assert plant is not None
    assert plant.set_aside == "no-plant"
    survey.add_hand_count(sha(1), HandCount("Bo", "2999-01-02T00:00:00+00:00", nodes=8))
    plant = survey.plant(sha(1))
    assert plant is not None
    assert plant.set_aside is None


def test_a_plant_set_aside_and_measured_is_set_aside_and_waits_nowhere(
    survey: SurveyWriter,
) -> None:
    survey.add_reading(
        reading(outcome="hand-count", reasons=("Blurred.",)), sha256=sha(1), model=MODEL
    )
    survey.set_aside(sha(1), "Ann", "no-plant")
    survey.add_hand_count(sha(1), HandCount("Bo", "2999-01-01T00:00:00+00:00", height_mm=200.0))
    plant = survey.plant(sha(1))
    assert plant is not None
    assert (plant.set_aside, list(survey.waiting())) == ("no-plant", [])


def test_the_last_count_is_the_one_made_last_whenever_it_came_in(survey: SurveyWriter) -> None:
    survey.add_reading(reading(), sha256=sha(1), model=MODEL)
    last = HandCount("Bo", "2026-05-20T10:00:00+00:00", stage=6, height_mm=210.0)
    for count in (
        last,
        HandCount("Ann", "2020-05-20T10:00:00+00:00", stage=4),
        HandCount("Ann", "2020-05-20T10:00:00+00:00", stage=5, height_mm=190.0),
    ):
        survey.add_hand_count(sha(1), count)
    plant = survey.plant(sha(1))
    assert plant is not None
    assert plant.hand_count == last
    assert [c.stage for c in survey.hand_counts(sha(1))] == [4, 5, 6]
    assert [c.count.stage for c in survey.counts(sha(1))] == [4, 5, 6]


def test_a_plant_counted_at_a_stop_keeps_the_way_it_was_counted(survey: SurveyWriter) -> None:
    survey.add_reading(reading(), sha256=sha(1), model=MODEL, place=NORTH)
    (stop,) = survey.stops("North")
    count = HandCount("Ann", "2027-05-20T10:00", nodes=6, way="split-stalk", note="stony")
    survey.add_stop_count(stop.id, count)
    (found,) = stop_counts(survey, "North")
    assert (found.stop, found.date, found.gps) == ("3", "2027-05-20", None)
    assert found.count == count


def test_a_field_keeps_its_first_spelling_for_all_that_differ_in_case_and_blanks(
    survey: SurveyWriter,
) -> None:
    first = survey.add_field("North  quarter")
    assert survey.add_field("north Quarter ") == first
    assert [one.name for one in survey.fields()] == ["North  quarter"]
    survey.add_reading(
        reading(),
        sha256=sha(1),
        model=MODEL,
        place=replace(NORTH, field="NORTH QUARTER", plant="2"),
    )
    there = replace(NORTH, field="north quarter")
    assert plant_names(survey, there) == {"2"}
    assert as_known("north QUARTER", ["South", "North quarter", "north quarter"]) == "North quarter"
    assert as_known("north quarter", ["North quarter", "north quarter"]) == "north quarter"
    assert as_known("East", ["North"]) == "East"


def test_where_a_photo_is_filed_and_whether_a_field_was_ever_named(survey: SurveyWriter) -> None:
    survey.add_field("South")
    survey.add_reading(reading(), sha256=sha(1), model=MODEL, place=NORTH)
    survey.add_reading(reading(), sha256=sha(2), model=MODEL)
    assert place_of(survey, sha(1)) == NORTH
    assert place_of(survey, sha(2)) is None
    assert [was_named(survey, field) for field in ("North", "South")] == [True, False]
