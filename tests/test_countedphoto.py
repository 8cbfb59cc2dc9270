"""Counted photo: a plant of several photos is named by the one whose count decides."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from command import run
from fields import LIMITS, VISIT, fill, walk
from surveys import MODEL, check_sound, reading, sha

from collarvision.answer import Reading
from collarvision.countedphoto import named_by_count
from collarvision.decision import decide
from collarvision.fieldvisits import FieldVisits, visits_of
from collarvision.report.sheet import _shown_instead
from collarvision.survey import HandCount, Place, SurveyReader, SurveyWriter

DAY = VISIT.isoformat()
PLANT_3 = Place("North", DAY, "2", "folder", plant="3")
NAMES = {"owl-p1.jpg": 1, "owl-p2.jpg": 2}


def shown(name: str, sure: float) -> Reading:
    """A photo of plant 3; the surer one leads."""
    found = reading(name, stage=4, confidence=sure)
    return replace(found, stage_probabilities=(0, 0, 0, 0, sure, 1 - sure), outcome="staged")


@pytest.fixture
def survey(tmp_path: Path) -> Path:
    path = tmp_path / "season.survey"
    fill(path, "North", walk([4] * 12, height_in=12))
    with SurveyWriter(path, create=True) as store:
        for (name, number), sure in zip(NAMES.items(), (0.9, 0.98), strict=True):
            store.add_reading(shown(name, sure), sha256=sha(number), model=MODEL, place=PLANT_3)
    return path


def count(survey: Path, photo: str, at: str, **told: object) -> None:
    with SurveyWriter(survey) as store:
        made = HandCount("Ann", f"{DAY}T{at}", **told)  # type: ignore[arg-type]
        store.add_hand_count(sha(NAMES[photo]), made)


def named(survey: Path) -> FieldVisits:
    with SurveyReader(survey) as store:
        return named_by_count(store, visits_of(store, "North"))


def owls(visits: FieldVisits) -> list[str]:
    return [p.evidence.name for p in visits.chosen.plants if p.evidence.name.startswith("owl")]


def test_without_a_count_the_photo_that_shows_it_best_names_a_plant(survey: Path) -> None:
    with SurveyReader(survey) as store:
        found = visits_of(store, "North")
        assert named_by_count(store, found) is found
    assert owls(found) == ["owl-p2.jpg"]


@pytest.mark.parametrize(
    ("counts", "name"),
    [
        ([("owl-p1.jpg", "10:00", {"stage": 8})], "owl-p1.jpg"),
        ([("owl-p2.jpg", "10:00", {"stage": 8})], "owl-p2.jpg"),
        ([("owl-p1.jpg", "10:00", {"height_mm": 900})], "owl-p1.jpg"),
        # The last count of leaves stands, whatever was measured since.
        ([("owl-p2.jpg", "10:00", {"stage": 7}), ("owl-p1.jpg", "11:00", {"nodes": 4})],
         "owl-p1.jpg"),
        ([("owl-p1.jpg", "11:00", {"stage": 8}), ("owl-p2.jpg", "10:00", {"stage": 7})],
         "owl-p1.jpg"),
        ([("owl-p1.jpg", "10:00", {"stage": 8}), ("owl-p2.jpg", "11:00", {"height_mm": 300})],
         "owl-p1.jpg"),
    ],
)  # fmt: skip
def test_the_photo_whose_count_stands_names_the_plant(
    survey: Path, counts: list[tuple[str, str, dict[str, object]]], name: str
) -> None:
    for photo, at, told in counts:
        count(survey, photo, at, **told)
    assert owls(named(survey)) == [name]


def test_a_name_that_another_plant_has_is_not_given_twice(survey: Path) -> None:
    twin = reading("owl-p1.jpg", stage=3)
    with SurveyWriter(survey) as store:
        place = replace(PLANT_3, plant=None, stop="3")
        store.add_reading(twin, sha256=sha(9), model=MODEL, place=place)
    count(survey, "owl-p1.jpg", "10:00", stage=8)
    names = owls(named(survey))
    assert len(names) == len(set(names)) == 2


def test_the_verdict_names_the_photo_that_was_counted(survey: Path, tmp_path: Path) -> None:
    count(survey, "owl-p1.jpg", "10:00", stage=8)
    limits = tmp_path / "limits.toml"
    limits.write_text(LIMITS, encoding="utf-8")
    words = ["field", survey, "--field", "North", "--day", DAY, "--limits", limits]
    page = tmp_path / "north.html"
    result = run(*words, "--report", page)
    said = " ".join(result.stdout.split())
    assert "1 of 13 plants seen is past 6 collars or 20 in: owl-p1.jpg." in said
    assert "owl-p2" not in said
    assert "label is the law" in said
    check_sound(survey)


def test_an_earlier_visit_is_named_alike(survey: Path) -> None:
    fill(survey, "North", walk([4] * 12, height_in=12, first=40), VISIT.replace(day=9))
    count(survey, "owl-p1.jpg", "10:00", stage=8)
    visits = named(survey)
    (before,) = visits.earlier
    assert "owl-p1.jpg" in [plant.evidence.name for plant in before.plants]
    from collarvision.limitsfile import parse_limits

    first = decide(visits, VISIT.replace(day=9), limits=parse_limits(LIMITS)).verdicts[0]
    assert (first.word, first.deciding_plants) == ("past", ("owl-p1.jpg",))
    assert any("by the count of owl-p1.jpg (8 collars)" in one for one in first.reasons)


def test_a_picture_says_which_photo_it_is_and_which_was_counted(survey: Path) -> None:
    count(survey, "owl-p1.jpg", "10:00", stage=8)
    visits = named(survey)
    (owl,) = (p for p in visits.chosen.plants if p.evidence.name == "owl-p1.jpg")
    assert _shown_instead(owl) == "owl-p2.jpg"
    assert all(_shown_instead(p) is None for p in visits.chosen.plants if p is not owl)
