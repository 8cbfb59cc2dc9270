"""Plant photos: a survey's photos as plants, from the folder's name to the field's answer."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import pytest
from command import run
from surveys import MODEL, NORTH, check_sound, reading, sha

from collarvision.batch.filing import Filing
from collarvision.batch.folders import place_from_folders
from collarvision.fieldvisits import visits_of
from collarvision.plantphotos import counts_on, waiting_plants, whole_plant, whole_plants
from collarvision.survey import (
    FileFacts,
    HandCount,
    Place,
    SurveyError,
    SurveyReader,
    SurveyWriter,
)

PLANT_2 = replace(NORTH, plant="2")


def nearly(stage: int) -> tuple[float, ...]:
    """Most of the belief on a stage, and the rest on the next."""
    return tuple({stage: 0.93, stage + 1: 0.07}.get(k, 0.0) for k in range(13))


def unsure(name: str, stage: int = 4) -> object:
    return reading(
        name,
        stage=stage,
        outcome="hand-count",
        confidence=0.9,
        reasons=(f"Could be V{stage} or V{stage + 1}.",),
        stage_probabilities=nearly(stage),
        sha256=None,
    )


@pytest.fixture
def survey(tmp_path: Path) -> Path:
    """Two photos of plant 2, neither sure enough alone, between photos of plants of their own."""
    path = tmp_path / "s.survey"
    with SurveyWriter(path, create=True) as store:
        for number, (read, place) in enumerate(
            [
                (reading("IMG_1.jpg"), NORTH),
                (unsure("IMG_2.jpg"), PLANT_2),
                (unsure("IMG_3.jpg"), PLANT_2),
                (unsure("IMG_4.jpg"), NORTH),
            ],
            start=1,
        ):
            store.add_reading(read, sha256=sha(number), model=MODEL, place=place)  # type: ignore[arg-type]
    return path


def waiting(path: Path) -> list[str]:
    with SurveyReader(path) as store:
        return [one.photo for one in waiting_plants(store)]


def plants(path: Path) -> dict[str, tuple[str, int]]:
    with SurveyReader(path) as store:
        return {p.photo: (p.outcome, 1 + len(p.others)) for p in whole_plants(store.plants())}


def test_photos_of_one_plant_are_one_row_with_one_answer(survey: Path) -> None:
    assert plants(survey) == {
        "IMG_1.jpg": ("staged", 1),
        "IMG_2.jpg": ("staged", 2),
        "IMG_4.jpg": ("hand-count", 1),
    }
    assert waiting(survey) == ["IMG_4.jpg"]


def test_a_field_counts_the_plant_once_and_says_so(survey: Path) -> None:
    with SurveyReader(survey) as store:
        found = visits_of(store, "North")
    assert [one.evidence.name for one in found.chosen.plants] == [
        "IMG_1.jpg",
        "IMG_4.jpg",
        "IMG_2.jpg",
    ]
    (plant,) = (one.evidence for one in found.chosen.plants if one.evidence.name == "IMG_2.jpg")
    assert (plant.stage, plant.outcome) == (4, "staged")
    assert found.notes == (
        "One plant was taken in 2 photos: the photos of a plant count together.",
    )


def test_a_count_on_any_photo_of_a_plant_is_of_the_plant(survey: Path) -> None:
    with SurveyWriter(survey) as store:
        store.add_hand_count(sha(3), HandCount("Ann", "2027-05-20T10:00", stage=5))
        store.add_hand_count(sha(2), HandCount("Bo", "2027-05-20T09:00", height_mm=300))
        (row,) = (one for one in whole_plants(store.plants()) if one.others)
        found = visits_of(store, "North").chosen
    assert row.hand_count is not None
    assert row.hand_count.stage == 5
    (plant,) = (one.evidence for one in found.plants if one.evidence.name == "IMG_2.jpg")
    assert (plant.hand_count, plant.height_mm) == (5, 300)


@pytest.mark.parametrize(("first", "last"), [(2, 3), (3, 2)])
def test_the_last_count_stands_and_the_last_height_on_whichever_photo(
    survey: Path, first: int, last: int
) -> None:
    with SurveyWriter(survey) as store:
        at = "2027-05-20T{}:00".format
        store.add_hand_count(sha(first), HandCount("Ann", at("09"), stage=6, height_mm=350))
        store.add_hand_count(sha(last), HandCount("Bo", at("10"), stage=5, height_mm=330))
        (row,) = (one for one in whole_plants(store.plants()) if one.others)
        found = visits_of(store, "North").chosen
        (plant,) = (one.evidence for one in found.plants if one.evidence.name == "IMG_2.jpg")
        assert row.hand_count is not None
        assert (row.hand_count.stage, row.hand_count.height_mm) == (5, 330)
        assert (plant.hand_count, plant.height_mm) == (5, 330)
        # A height alone, entered last, is the height and leaves the count.
        store.add_hand_count(sha(first), HandCount("Cy", at("11"), height_mm=340))
        (row,) = (one for one in whole_plants(store.plants()) if one.others)
        found = visits_of(store, "North").chosen
        (plant,) = (one.evidence for one in found.plants if one.evidence.name == "IMG_2.jpg")
        assert row.hand_count is not None
        assert (row.hand_count.stage, row.hand_count.height_mm) == (5, 340)
        assert (plant.hand_count, plant.height_mm) == (5, 340)


def test_photos_that_do_not_settle_a_plant_wait_once(survey: Path) -> None:
    with SurveyWriter(survey) as store:
        other = reading(
            "IMG_3.jpg",
            stage=5,
            outcome="hand-count",
            confidence=0.6,
            reasons=("Could be V4 or V5.",),
            stage_probabilities=nearly(4)[:4] + (0.2, 0.8) + nearly(4)[6:],
        )
        store.add_reading(other, sha256=sha(3), model=MODEL, place=PLANT_2, again=True)
    assert waiting(survey) == ["IMG_2.jpg", "IMG_4.jpg"]
    with SurveyWriter(survey) as store:
        store.add_hand_count(sha(3), HandCount("Ann", "2027-05-20T10:00", nodes=1))
    assert waiting(survey) == ["IMG_4.jpg"]


def test_a_photo_set_aside_has_no_say(survey: Path) -> None:
    with SurveyWriter(survey) as store:
        store.set_aside(sha(2), "Ann", "several")
    assert plants(survey)["IMG_3.jpg"] == ("hand-count", 2)
    assert waiting(survey) == ["IMG_3.jpg", "IMG_4.jpg"]
    with SurveyWriter(survey) as store:
        store.set_aside(sha(3), "Ann", "several")
    assert waiting(survey) == ["IMG_4.jpg"]


def test_visits_without_a_date_are_asked_for_once(survey: Path) -> None:
    with SurveyWriter(survey) as store:
        undated = replace(PLANT_2, date=None)
        store.add_reading(unsure("IMG_9.jpg"), sha256=sha(9), model=MODEL, place=undated)  # type: ignore[arg-type]
    assert waiting(survey) == ["IMG_9.jpg", "IMG_4.jpg"]


def test_a_folder_named_plant_holds_photos_of_that_plant() -> None:
    found = place_from_folders(["North", "2027-05-20", "stop 3", "plant 2"])
    assert (found.field, found.date, found.stop, found.plant) == ("North", "2027-05-20", "3", "2")
    assert place_from_folders(["Plant_12b"]).plant == "12b"
    gate, headland = (
        place_from_folders(["North", place, "plant 2"]) for place in ("gate", "headland")
    )
    assert (gate.field, gate.plant, headland.plant) == ("North", "gate, 2", "headland, 2")
    assert place_from_folders(["Plant material"]).field == "Plant material"
    assert Filing().place(found).plant == "2"


def test_photos_can_be_said_to_show_one_plant_and_that_taken_back(survey: Path) -> None:
    done = run("together", survey, "IMG_1", "IMG_4")
    assert done.exit_code == 0, done.output
    assert done.stderr.startswith("Plant 3, 2 photos: V")
    assert sorted(photos for _, photos in plants(survey).values()) == [2, 2]
    more = run("together", survey, "IMG_2", "IMG_3", "IMG_4")
    assert more.stderr.startswith("Plant 2, 3 photos: V4, ")
    assert more.stderr.rstrip().endswith("staged.")
    apart = run("together", survey, "IMG_2", "IMG_3", "IMG_4", "--apart")
    assert (apart.exit_code, apart.stderr) == (0, "3 photos: each shows a plant of its own.\n")
    assert len(plants(survey)) == 4
    check_sound(survey)


@pytest.mark.parametrize(
    ("count", "said"),
    [
        ({"stage": 6}, "Plant 3, 2 photos: V6, counted by Ann.\n"),
        ({"stage": 0}, "Plant 3, 2 photos: VE, counted by Ann.\n"),
        (
            {"nodes": 2},
            "Plant 3, 2 photos: V6 from 2 nodes apart, with a 20% chance of one more, counted by "
            "Ann.\n",
        ),
    ],
)
def test_a_plant_that_was_counted_is_told_by_its_count(
    survey: Path, count: dict[str, int], said: str
) -> None:
    with SurveyWriter(survey) as store:
        store.add_reading(unsure("IMG_5.jpg", 9), sha256=sha(5), model=MODEL, place=NORTH)  # type: ignore[arg-type]
        store.add_hand_count(sha(5), HandCount("Ann", "2027-05-20T10:00", height_mm=300))
    doubted = run("together", survey, "IMG_4", "IMG_5")
    assert "count it by hand" in doubted.stderr  # a height alone is no count
    assert "see that they show the same plant" in doubted.stderr
    with SurveyWriter(survey) as store:
        store.add_hand_count(sha(4), HandCount("Ann", "2027-05-20T11:00", **count))
    assert run("together", survey, "IMG_4", "IMG_5").stderr == said


def test_counts_of_its_photos_that_differ_are_told_and_how_to_take_it_back(survey: Path) -> None:
    def counted(number: int, hour: int, stage: int, who: str = "Ann") -> None:
        with SurveyWriter(survey) as store:
            made = HandCount(who, f"2027-05-20T{hour}:00", stage=stage)
            store.add_hand_count(sha(number), made)

    counted(1, 10, 9)
    counted(4, 11, 3)
    done = run("together", survey, "IMG_1", "IMG_4", "--visit", "2027-05-20")
    assert done.stderr == (
        "Plant 3, 2 photos: V3, counted by Ann.\n"
        "Its photos were counted V9 (IMG_1.jpg) and V3 (IMG_4.jpg): only the last count stands. If "
        f"they show more plants than one, take it back: collarvision together {survey} IMG_1 IMG_4 "
        "--visit 2027-05-20 --apart\n"
    )
    counted(1, 12, 3)  # put right: each photo's last count is the same
    again = run("together", survey, "IMG_1", "IMG_4")
    assert again.stderr == "Plant 3, 2 photos: V3, counted by Ann.\n"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["IMG_1"], "Name two or more photos of the plant."),
        (["IMG_1", "IMG_1"], "Name two or more photos of the plant."),
        (["IMG_1", "IMG_77"], "IMG_77"),
        (["IMG_1", "stop 3"], "stop 3 (North, 2027-05-20) is no photo: name photos."),
        (["IMG_1", "IMG_8"], "must be of one field, one visit and one stop"),
    ],
)
def test_what_is_no_plant_is_told(survey: Path, words: list[str], said: str) -> None:
    with SurveyWriter(survey) as store:
        elsewhere = Place("North", "2027-05-20", "4", "folder")
        store.add_reading(reading("IMG_8.jpg"), sha256=sha(8), model=MODEL, place=elsewhere)
    before = plants(survey)
    result = run("together", survey, *words)
    assert result.exit_code in (2, 3)
    assert said in result.stderr
    assert plants(survey) == before
    if "IMG_8" in words:  # the command was asked wrongly; the survey is sound
        assert result.exit_code == 2
        assert "IMG_1.jpg (North, 2027-05-20, stop 3)" in result.stderr
        assert "IMG_8.jpg (North, 2027-05-20, stop 4)" in result.stderr


def test_what_was_said_of_a_plant_stands_when_its_photos_are_read_again(survey: Path) -> None:
    with SurveyWriter(survey) as store:
        store.say_one_plant([sha(1), sha(4)])
        for number, place in ((1, NORTH), (4, replace(NORTH, stop="5"))):
            name = f"IMG_{number}.jpg"
            store.add_reading(
                reading(name), sha256=sha(number), model=MODEL, place=place, again=True
            )
        said = {row.photo: row.plant for row in store.plants()}
    # A photo that was filed elsewhere shows another plant.
    assert said == {"IMG_1.jpg": "3", "IMG_2.jpg": "2", "IMG_3.jpg": "2", "IMG_4.jpg": None}


def test_photos_of_no_field_show_no_plant_together(tmp_path: Path) -> None:
    with SurveyWriter(tmp_path / "s.survey", create=True) as store:
        for number in (1, 2):
            name = f"IMG_{number}.jpg"
            store.add_reading(reading(name), sha256=sha(number), model=MODEL)
        with pytest.raises(SurveyError, match="one field"):
            store.say_one_plant([sha(1), sha(2)])


def test_an_export_has_a_row_a_plant(survey: Path, tmp_path: Path) -> None:
    import csv

    out = tmp_path / "plants.csv"
    assert run("export", survey, "--to", out).exit_code == 0
    rows = {row["photo"]: row for row in csv.DictReader(out.open(encoding="utf-8"))}
    assert len(rows) == 3
    shared = rows["IMG_2.jpg"]
    assert (shared["plant"], shared["photos"], shared["outcome"]) == ("2", "2", "staged")
    assert (rows["IMG_1.jpg"]["plant"], rows["IMG_1.jpg"]["photos"]) == ("", "1")


@pytest.mark.parametrize(("first", "last"), [(2, 3), (3, 2)])
def test_of_counts_of_one_moment_the_one_that_came_in_last_stands_everywhere(
    survey: Path, tmp_path: Path, first: int, last: int
) -> None:
    at, out = "2027-05-20T09:00", tmp_path / "plants.csv"
    with SurveyWriter(survey) as store:
        store.add_hand_count(sha(first), HandCount("Ann", at, stage=6, height_mm=350))
        store.add_hand_count(sha(last), HandCount("Bo", at, stage=5, height_mm=330))
        (row,) = (one for one in whole_plants(store.plants()) if one.others)
        assert [count.who for count, _ in counts_on(store, row)] == ["Ann", "Bo"]
        found = visits_of(store, "North").chosen
        (plant,) = (one.evidence for one in found.plants if one.evidence.name == "IMG_2.jpg")
        assert (plant.hand_count, plant.height_mm) == (5, 330)
    assert run("export", survey, "--to", out).exit_code == 0
    (line,) = (one for one in csv.DictReader(out.open()) if one["photos"] == "2")
    assert (line["hand_stage"], line["hand_by"], line["hand_height_mm"]) == ("5", "Bo", "330.0")


@pytest.mark.parametrize("stage", [3, 4])
def test_a_plant_is_shown_by_a_photo_whose_file_is_known(tmp_path: Path, stage: int) -> None:
    """Notes written into a file leave its earlier photo without one; the picture is the same."""
    path, notes = tmp_path / "s.survey", {"pixels_sha256": "p"}
    at = FileFacts("photos/IMG_1.jpg", 9, 9, 9)
    with SurveyWriter(path, create=True) as store:
        before = reading("IMG_1.jpg", stage=3, confidence=0.93)
        for number, read in enumerate((before, reading("IMG_1.jpg", stage=stage)), start=1):
            store.add_reading(
                read, sha256=sha(number), model=MODEL, place=PLANT_2, file=at, notes=notes
            )
        store.add_hand_count(sha(1), HandCount("Ann", "2027-05-20T09:00", height_mm=330))
        (row,) = whole_plants(store.plants())
        whole = whole_plant(store, row)
    # A photo that was read otherwise has points of another answer.
    assert row.sha256 == (sha(2) if stage == 3 else sha(1))
    assert row.path == (at.path if stage == 3 else None)
    # The answer stays that of the photo which has the say.
    assert (row.stage, row.confidence, row.outcome) == (3, 0.93, "staged")
    assert row.hand_count is not None
    assert [one.sha256 for one in row.others] == [sha(1) if stage == 3 else sha(2)]
    assert whole == row
