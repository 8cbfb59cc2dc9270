"""Stops whose names differ in spelling alone: one visit has one stop of a number."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest
from surveys import MODEL, reading, sha
from test_batch import InThisProcess, save_board, stage, summary
from test_batch_again import drawn, plants_of, put  # noqa: F401

from collarvision.batch.filing import Filing
from collarvision.batch.result import JoinedStop
from collarvision.batch.worker import Done, Options, Task, stage_file
from collarvision.survey import HandCount, ModelFacts, Place, SurveyReader, SurveyWriter

DAY = "2027-05-20"
AT = f"{DAY}T10:00:00+00:00"


def boards_at(root: Path, *stops: str) -> None:
    """A photo at each of the stops, each another one."""
    for stop in stops:
        folder = root / "North" / DAY / f"stop {stop}"
        folder.mkdir(parents=True, exist_ok=True)
        number = len(list(root.rglob("*.png")))
        save_board(folder / f"{number}.png", number)


def photos_at(survey: Path) -> Counter[tuple[str | None, str | None]]:
    with SurveyReader(survey) as store:
        return Counter((row.date, row.stop) for row in store.plants())


@pytest.fixture
def root(stand_in: Path, tmp_path: Path) -> Path:
    return tmp_path / "photos"


def test_two_folders_of_one_stop_are_one_and_that_is_told(root: Path, tmp_path: Path) -> None:
    boards_at(root, "07", "7", "7", "8", "Gate 1", "gate 01")
    later = root / "North" / "2027-06-20" / "stop 7"
    later.mkdir(parents=True)
    save_board(later / "later.png", 40)
    result = stage(root)
    survey = tmp_path / "s.survey"
    assert photos_at(survey) == {
        (DAY, "07"): 3, (DAY, "8"): 1, (DAY, "Gate 1"): 2, ("2027-06-20", "7"): 1,
    }  # fmt: skip
    assert result.joined_stops == (
        JoinedStop(Place("North", DAY, "07"), "7", 2),
        JoinedStop(Place("North", DAY, "Gate 1"), "gate 01", 1),
    )
    said = " ".join(summary(root, result).split())
    assert (
        "2 photos of stop 7 are filed at stop 07 of North, 2027-05-20: both names mean one stop. "
        "If they are two stops, give one of them another number and run this again with --restage."
    ) in said
    assert "1 photo of stop gate 01 is filed at stop Gate 1 of North," in said
    with SurveyReader(survey) as store:
        assert len(list(store.stops("North"))) == 4
    # It is told of photos as they are filed, not in every run; another network files nothing.
    assert stage(root).joined_stops == ()
    assert stage(root, model=ModelFacts("b" * 64, None, "guesses")).joined_stops == ()
    assert stage(root, restage=True).joined_stops == result.joined_stops
    assert photos_at(survey)[DAY, "07"] == 3


def test_what_is_said_to_do_about_two_stops_does_it(root: Path, tmp_path: Path) -> None:
    boards_at(root, "07", "7")
    stage(root)
    (root / "North" / DAY / "stop 7").rename(root / "North" / DAY / "stop 17")
    assert stage(root, restage=True).joined_stops == ()
    assert photos_at(tmp_path / "s.survey") == {(DAY, "07"): 1, (DAY, "17"): 1}
    # A name that holds nothing any more is nobody's spelling.
    (root / "North" / DAY / "stop 07").rename(root / "North" / DAY / "stop 20")
    stage(root, restage=True)
    boards_at(root, "7")
    assert stage(root).joined_stops == ()
    assert photos_at(tmp_path / "s.survey")[DAY, "7"] == 1


def test_a_survey_that_has_both_names_keeps_them_and_takes_more(root: Path, tmp_path: Path) -> None:
    survey = tmp_path / "s.survey"
    with SurveyWriter(survey, create=True) as store:
        for number, stop in enumerate(("07", "7")):
            at = Place("North", DAY, stop, "folder")
            store.add_reading(reading(f"{stop}.jpg"), sha256=sha(number), model=MODEL, place=at)
    boards_at(root, "7", "07", "007")
    result = stage(root)
    assert photos_at(survey) == {(DAY, "07"): 3, (DAY, "7"): 2}
    assert [(one.called, one.at.stop) for one in result.joined_stops] == [("007", "07")]


def test_photos_join_a_stop_that_was_counted_without_any(root: Path, tmp_path: Path) -> None:
    survey = tmp_path / "s.survey"
    with SurveyWriter(survey, create=True) as store:
        store.add_stop_count(Place("North", DAY, "7"), HandCount("Ann", AT, 5))
    (root / "north" / DAY / "stop 07").mkdir(parents=True)  # the field as somebody else spells it
    save_board(root / "north" / DAY / "stop 07" / "a.png", 1)
    (one,) = stage(root).joined_stops
    assert (one.at.stop, one.called) == ("7", "07")
    assert photos_at(survey) == {(DAY, "7"): 1}


def test_unfiled_photos_and_a_card_s_code_join_too(root: Path) -> None:
    day = root / DAY
    (day / "stop 01").mkdir(parents=True)
    save_board(day / "stop 01" / "a.png", 1)
    # Photos of no field have no stop, and nothing to join.
    assert stage(day).unfiled == 1
    (day / "stop 2").mkdir()
    save_board(day / "stop 2" / "b.png", 2)

    def with_code(task: Task, options: Options) -> Done:
        return replace(stage_file(task, options), code_field="North", code_stop="1")

    assert stage(day, InThisProcess(with_code)).joined_stops == ()
    found = stage(day, filing=Filing(field="North")).joined_stops
    assert [(one.at.stop, one.called, one.photos) for one in found] == [("1", "01", 1)]
    (day / "stop 3").mkdir()
    save_board(day / "stop 3" / "c.png", 3)

    def with_zero(task: Task, options: Options) -> Done:
        return replace(stage_file(task, options), code_field="North", code_stop="001")

    found = stage(day, InThisProcess(with_zero)).joined_stops
    assert [(one.at.stop, one.called, one.photos) for one in found] == [("1", "001", 1)]


def test_plants_of_two_folders_of_one_stop_stay_two(
    drawn: bytes,  # noqa: F811
    root: Path,
) -> None:
    day = root / "North" / DAY
    for stop in ("07", "7"):
        for k in (1, 2):
            put(day / f"stop {stop}" / "plant 1" / f"{k}.jpg", drawn, f"{stop} {k}")
    stage(root)
    plants = plants_of(root)
    assert sorted(len(photos) for photos in plants.values()) == [2, 2]
    assert {len({way[2] for way in ways}) for ways in plants.values()} == {1}
    # A third photo of the second folder is of its own plant.
    put(day / "stop 7" / "plant 1" / "3.jpg", drawn, "7 3")
    stage(root)
    sizes = {ways[0][2]: len(ways) for ways in plants_of(root).values()}
    assert sizes == {"stop 07": 2, "stop 7": 3}
