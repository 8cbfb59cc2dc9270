"""Field visits: days that can't be right, ahead of today or of another season."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest
from command import run
from fields import BOUNDARY, LIMITS, VISIT, fill, plant, walk

from collarvision.boundary import read_boundary
from collarvision.evidence import SAME_CROP_DAYS
from collarvision.fieldvisits import visits_of
from collarvision.pickplant import PickError, pick
from collarvision.survey import HandCount, SurveyReader, SurveyWriter

AHEAD = VISIT.replace(year=VISIT.year + 1)


@pytest.fixture
def survey(tmp_path: Path) -> Path:
    """Twelve plants at V4, and one of V8 whose year is a slip."""
    path = tmp_path / "season.survey"
    fill(path, "North", walk([4] * 12))
    fill(path, "North", [(plant(90, 8), "1")], AHEAD)
    return path


def old_photo(number: int, stage: int, days: int) -> tuple[object, str]:
    return replace(plant(number, stage), taken_at=f"{VISIT - timedelta(days=days)}T10:00:00"), "1"


def test_a_visit_ahead_hides_no_other(survey: Path) -> None:
    with SurveyReader(survey) as store:
        found = visits_of(store, "North", today=VISIT)
    assert (found.chosen.day, len(found.chosen.plants), found.ahead) == (VISIT, 12, (AHEAD,))
    assert found.told_first == (
        "The visit of 2028-06-04 (1 plant) is after 2027-06-04, the day of this answer, and left "
        "out: it rests on the visit of 2027-06-04. If that is of an earlier day, check the phone's "
        "clock, and the year in the folder's name.",
    )
    shown = run("field", survey, "--day", VISIT).stdout
    assert "North – visit of 2027-06-04, today\nV4" in shown
    assert "again on" not in shown  # nobody has been there yet
    before_plants = " ".join(shown.split("Stage")[0].split())
    assert "Mind: The visit of 2028-06-04 (1 plant) is after 2027-06-04" in before_plants
    assert shown.count("check the") == 1


def test_several_visits_ahead_and_no_other(survey: Path) -> None:
    fill(survey, "North", walk([5] * 3), AHEAD + timedelta(days=1))
    with SurveyReader(survey) as store:
        (several,) = visits_of(store, "North", today=VISIT).told_first
        none = visits_of(store, "North", today=VISIT - timedelta(days=1))
        asked = visits_of(store, "North", AHEAD, today=VISIT)
    assert several.startswith("Visits of 2028-06-04 (1 plant), 2028-06-05 (3 plants) are after")
    # All are ahead: a season laid out for practice, or a computer whose clock is behind.
    assert none.chosen.day == AHEAD + timedelta(days=1)
    assert none.told_first[0].startswith("The visit of 2028-06-05 is after 2027-06-03, the day")
    assert asked.chosen.day == AHEAD
    assert "check the phone's clock" in asked.told_first[0]


def test_a_day_asked_for_judges_the_last_visit_up_to_it(tmp_path: Path) -> None:
    path = tmp_path / "s.survey"
    fill(path, "North", walk([3] * 12), VISIT - timedelta(days=7))
    fill(path, "North", walk([4] * 12))
    shown = run("field", path, "--day", VISIT - timedelta(days=3)).stdout
    assert "visit of 2027-05-28, 4 days old" in shown
    assert "Mind: The visit of 2027-06-04 (12 plants) is after 2027-06-01" in " ".join(
        shown.split()
    )


def test_photos_of_another_season_are_left_out_and_said_at_the_top(tmp_path: Path) -> None:
    path, limits = tmp_path / "s.survey", tmp_path / "limits.toml"
    limits.write_text(LIMITS, encoding="utf-8")
    fill(path, "North", [*walk([4] * 12, height_in=12), old_photo(90, 8, 373)])
    with SurveyReader(path) as store:
        found = visits_of(store, "North")
    assert len(found.chosen.plants) == 12
    assert found.notes == ()
    (said,) = found.told_first
    assert said == (
        "One plant was taken over 120 days before the visit of 2027-06-04 by the camera, on "
        "2026-05-27, and can't be of this crop: it is left out of the stage and of every verdict: "
        "IMG_0090.jpg. If the camera's clock was wrong, count it by hand in the field; else see "
        "that the photo is in the right folder."
    )
    page = tmp_path / "field.html"
    result = run("field", path, "--limits", limits, "--day", VISIT, "--report", page)
    assert "PAST" not in result.stdout
    assert "Mind: One plant was taken over 120 days" in result.stdout.split("Limit ")[0]
    told = page.read_text(encoding="utf-8")
    assert told.count("can&#39;t be of this crop") == 1
    assert told.index("of this crop") < told.index("The plants</h2>")


def test_the_same_crops_photos_stay_and_so_does_a_count_in_the_field(tmp_path: Path) -> None:
    path = tmp_path / "s.survey"
    edge = [old_photo(1, 4, SAME_CROP_DAYS), old_photo(2, 4, SAME_CROP_DAYS + 1)]
    fill(path, "North", [*edge, old_photo(3, 5, 400)])
    with SurveyWriter(path) as store:
        rows = {row.photo: row.sha256 for row in store.plants("North")}
        counted = HandCount("Ann", "2027-06-04T15:00:00+00:00", 5, way="on-plant")
        store.add_hand_count(rows["IMG_0003.jpg"], counted)
        found = visits_of(store, "North")
    assert [p.evidence.name for p in found.chosen.plants] == ["IMG_0001.jpg", "IMG_0003.jpg"]
    assert found.chosen.plants[1].evidence.taken_at == VISIT
    assert "IMG_0002.jpg" in found.told_first[0]


def test_another_seasons_stage_is_no_contradiction(tmp_path: Path) -> None:
    path = tmp_path / "s.survey"
    fill(path, "North", walk([8] * 12), date(2026, 6, 20))
    fill(path, "North", walk([4] * 12))
    shown = run("field", path, "--day", VISIT).stdout
    assert "Earlier" in shown
    assert "plants lose no stage" not in shown
    fill(path, "North", walk([8] * 12), VISIT - timedelta(days=9))
    assert "plants lose no stage" in " ".join(run("field", path, "--day", VISIT).stdout.split())


@pytest.mark.parametrize("typed", ["No\u0308rdfeld", "N\u00f6rdfeld", " N\u00f6rdfeld "])
def test_a_field_is_known_however_its_accents_are_composed(tmp_path: Path, typed: str) -> None:
    path = tmp_path / "s.survey"
    fill(path, "N\u00f6rdfeld", walk([4] * 3))
    fill(path, "South", walk([4] * 3))
    assert "V4" in run("field", path, "--field", typed, "--day", VISIT).stdout
    counted = run("count", path, "stop 1", "--field", typed, "--who", "Ann", "--stage", "4",
                  "--visit", VISIT)  # fmt: skip
    assert counted.exit_code == 0, counted.stderr
    table = tmp_path / "plants.csv"
    exported = run("export", path, "--field", typed, "--to", table)
    assert exported.exit_code == 0, exported.stderr
    rows = table.read_text(encoding="utf-8")
    assert rows.count("\nN\u00f6rdfeld,") == 4
    assert "South" not in rows


def test_an_outline_is_known_however_its_accents_are_composed(tmp_path: Path) -> None:
    path = tmp_path / "fields.geojson"
    features = [
        {"type": "Feature", "properties": {"name": name}, "geometry": BOUNDARY}
        for name in ("N\u00f6rdfeld", "South")
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}), "utf-8")
    assert read_boundary(path, "No\u0308rdfeld").name == "N\u00f6rdfeld"


@pytest.mark.parametrize("day", ["1999-01-01", "2026-06-04"])
def test_a_count_of_another_year_begins_no_visit_unseen(survey: Path, day: str) -> None:
    words = ["--field", "North", "--who", "Ann", "--stage", "5", "--visit", day]
    asked = run("count", survey, "stop 7", *words)
    if abs((date.today() - date.fromisoformat(day)).days) > SAME_CROP_DAYS:
        assert asked.exit_code == 2
        said = f"--visit {day} is more than 120 days from today and from every visit of North "
        assert asked.stderr.startswith(said + "(its last one is of 2028-06-04): check the year.")
        with SurveyReader(survey) as store:
            assert all(visit.date != day for visit in store.visits("North"))
    # On purpose: a photo of that season makes its visit.
    fill(survey, "North", [(plant(300, 5), "1")], date.fromisoformat(day))
    assert run("count", survey, "stop 7", *words).exit_code == 0


def test_a_count_of_this_season_begins_a_visit(survey: Path) -> None:
    with SurveyReader(survey) as store:
        for back in (SAME_CROP_DAYS, 3):
            day = (VISIT - timedelta(days=back)).isoformat()
            made = pick(store, "stop 7", field="North", date=day, today=VISIT)
            assert made.new_stop is not None
        # A new season's first walk without photos, written down within its weeks.
        today = date(2032, 6, 1)
        assert pick(store, "stop 7", field="North", date="2032-05-20", today=today).new_stop
        with pytest.raises(PickError, match="check the year"):
            pick(store, "stop 7", field="North", date="2031-05-20", today=today)


@pytest.mark.parametrize("words", ["stop -3", "Stop - 3", "stop -1.5"])
def test_a_stop_is_no_number_below_zero(survey: Path, words: str) -> None:
    asked = run("count", survey, words, "--field", "North", "--who", "Ann", "--stage", "5",
                "--visit", VISIT)  # fmt: skip
    assert asked.exit_code == 2
    assert asked.stderr == (
        f"{words!r} is no stop: call it by a number or a letter, like 'stop 3'.\n"
    )
    with SurveyReader(survey) as store:
        assert pick(store, "stop-3", field="North", date=VISIT.isoformat()).stop is not None
