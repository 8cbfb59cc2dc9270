"""Field history: what other visits say beside the one that is judged."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from surveys import MODEL, reading, sha

from collarvision.countedphoto import named_by_count
from collarvision.decision import FieldAnswer, answer_record, decide
from collarvision.fieldtable import format_answer
from collarvision.fieldvisits import visits_of
from collarvision.limitsfile import parse_limits
from collarvision.survey import Place, SurveyReader, SurveyWriter
from collarvision.units import shown_here


def farm(path: Path, visits: dict[str, list[int | None]]) -> Path:
    """One field; a stage is a staged plant, None one that waits."""
    number = 0
    with SurveyWriter(path, create=True) as store:
        for day, stages in visits.items():
            for stage in stages:
                number += 1
                one = reading(
                    f"IMG_{number}.jpg",
                    3 if stage is None else stage,
                    outcome="hand-count" if stage is None else "staged",
                    height_mm=100.0,
                    height_interval_mm=(95.0, 105.0),
                )
                place = Place("North", day, str(number), "folder")
                store.add_reading(one, sha256=sha(number), model=MODEL, place=place)
    return path


def answer(path: Path, visit: str | None = None) -> FieldAnswer:
    with SurveyReader(path) as store:
        chosen = date.fromisoformat(visit) if visit else None
        found = visits_of(store, "North", chosen)
    return decide(found, date(2027, 6, 10))


@pytest.fixture
def walked(tmp_path: Path) -> Path:
    return farm(
        tmp_path / "s.survey",
        {"2027-05-28": [3] * 4, "2027-06-07": [5] * 5 + [None] * 2, "2027-06-08": [5] * 3},
    )


def test_earlier_visits_are_told_in_short(walked: Path) -> None:
    found = answer(walked)
    assert [(one.day.day, one.plants, one.waiting, one.stage) for one in found.earlier] == [
        (28, 4, 0, 3),
        (7, 5, 2, 5),
    ]
    table = " ".join(format_answer(found, shown_here("cm"), width=100).split())
    assert "Earlier 2027-05-28: V3, 4 plants, mean 10.0 cm" in table
    assert "Earlier 2027-06-07: V5, 5 plants and 2 waiting, mean 10.0 cm" in table
    said = answer_record(found)["earlier_visits"][1]
    assert said == {
        "day": "2027-06-07",
        "plants": 5,
        "stage": 5,
        "waiting": 2,
        "mean_height_mm": 100.0,
    }


def test_a_walk_of_two_days_is_said_to_be_two_visits(walked: Path) -> None:
    (note,) = answer(walked).notes
    assert note == (
        "The visit of 2027-06-07 has 7 more plants: this answer rests on the visit of 2027-06-08 "
        "alone."
    )


def test_a_chosen_visit_says_that_there_is_a_later_one(walked: Path) -> None:
    found = answer(walked, "2027-05-28")
    assert found.stage.stage == 3
    assert found.earlier == ()
    assert found.notes == (
        "The field was visited again on 2027-06-08 (V5, 3 plants), 2027-06-07 (V5, 5 plants, 2 "
        "waiting): this answer rests on the visit of 2027-05-28 alone, unless another was surely "
        "past.",
    )
    assert found.told_first == found.notes


def test_a_stage_below_an_earlier_one_is_questioned(tmp_path: Path) -> None:
    path = farm(tmp_path / "s.survey", {"2027-05-28": [6] * 4, "2027-06-08": [4] * 6})
    (note,) = answer(path).notes
    assert note.startswith("The field was at V6 on 2027-05-28 and is at V4 now")


def test_visits_without_a_date_or_an_answer_say_nothing(tmp_path: Path) -> None:
    with SurveyWriter(tmp_path / "s.survey", create=True) as store:
        store.add_reading(
            reading(), sha256=sha(1), model=MODEL, place=Place("North", None, "1", "option")
        )
    assert answer(tmp_path / "s.survey").notes == ()
    path = farm(tmp_path / "t.survey", {"2027-05-28": [], "2027-06-08": [4]})
    assert answer(path).notes == ()


# A newer visit than the one that was asked for

TO_SIX = '[[limit]]\nname = "A"\nmethod = "b"\nleaf = "collars"\nmax_leaves = 6\n'


def words_of(path: Path, visit: str, day: str) -> tuple[str, str, tuple[str, ...]]:
    """Verdict and its sentence by the command's own way, and what is told first."""
    with SurveyReader(path) as store:
        today = date.fromisoformat(day)
        found = named_by_count(store, visits_of(store, "North", date.fromisoformat(visit), today))
    told = decide(found, today, limits=parse_limits(TO_SIX))
    (verdict,) = told.verdicts
    return verdict.word, verdict.sentence, told.told_first


def test_what_a_newer_visit_was_past_an_older_one_is_no_leave_for(tmp_path: Path) -> None:
    path = farm(tmp_path / "s.survey", {"2027-06-07": [3] * 12, "2027-06-09": [8] * 12})
    word, sentence, told = words_of(path, "2027-06-07", "2027-06-09")
    assert word == "past"
    assert "That was on 2027-06-09, and plants don't go back." in sentence
    assert told[0].startswith("The field was visited again on 2027-06-09 (V8, 12 plants)")
    # Only for the day of that visit, or one before the newer, may it be open.
    for day in ("2027-06-07", "2027-06-08"):
        assert words_of(path, "2027-06-07", day)[0] == "open"


def test_an_older_visit_tells_nothing_of_a_day_that_a_newer_one_tells(tmp_path: Path) -> None:
    path = farm(
        tmp_path / "s.survey",
        {"2027-06-07": [3] * 12, "2027-06-08": [4] * 2, "2027-06-09": [], "2028-06-09": [8] * 12},
    )
    word, sentence, _ = words_of(path, "2027-06-07", "2027-06-09")
    assert word == "can't tell"
    assert (
        "The field was visited again on 2027-06-08, and that tells what holds on 2027-06-09: leave "
        "--visit out, or say --day 2027-06-07 for what held on that day." in sentence
    )
    # Another year's crop is another one.
    again = farm(tmp_path / "t.survey", {"2027-06-07": [3] * 12, "2028-06-09": [8] * 12})
    assert "visited again" not in words_of(again, "2027-06-07", "2028-06-09")[1]


def test_a_cameras_days_make_no_earlier_visit_a_newer_one(tmp_path: Path) -> None:
    path = farm(tmp_path / "s.survey", {"2027-06-09": [3] * 12})
    with SurveyWriter(path) as store:
        for number in range(50, 62):  # in the folder of the 10th, and two days behind
            one = reading(f"IMG_{number}.jpg", 4, taken_at="2027-06-08T10:00:00")
            place = Place("North", "2027-06-10", str(number), "folder")
            store.add_reading(one, sha256=sha(number), model=MODEL, place=place)
    assert words_of(path, "2027-06-10", "2027-06-10")[0] == "open"
    word, sentence, _ = words_of(path, "2027-06-09", "2027-06-10")
    assert word == "can't tell"
    assert "visited again on 2027-06-10" in sentence
