"""`walk`, `plan --above` and `field --above`: asked rightly and wrongly."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from command import run
from fields import LIMITS, fill, plant
from flights import FLOWN, METRES, ORIGIN, SLOPE, flown, geometry, outline
from surveys import MODEL
from test_report import parsed

from collarvision.above.summary import record_summary
from collarvision.abovereport.files import save_field
from collarvision.answer import Reading
from collarvision.survey import Place, SurveyWriter

WALKED = FLOWN + timedelta(days=1)
SPOTS = [(60.0, 190.0), (110.0, 160.0), (150.0, 120.0), (200.0, 190.0), (60.0, 60.0), (250.0, 45.0)]


@pytest.fixture(scope="module")
def flight(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("flight")
    save_field(flown(SLOPE, 24), folder)
    return folder


@pytest.fixture
def boundary(tmp_path: Path) -> Path:
    path = tmp_path / "slope.geojson"
    feature = {"type": "Feature", "properties": {"name": "Slope"}, "geometry": geometry(SLOPE)}
    path.write_text(json.dumps(feature), encoding="utf-8")
    return path


@pytest.fixture
def survey(tmp_path: Path) -> Path:
    """Two plants at each of six stops, staged by photo."""
    import numpy as np

    path = tmp_path / "season.survey"
    random = np.random.default_rng(0)
    plants = []
    for stop, (x, y) in enumerate(SPOTS, start=1):
        for k, stage in enumerate(SLOPE.walk_to(x, y, 3, random)):
            at = outline(SLOPE).degrees(x, y)
            plants.append((plant(10 * stop + k, int(stage), at=at), str(stop)))
    fill(path, "Slope", plants, WALKED, boundary=geometry(SLOPE))
    return path


def from_above(path: Path, photos: int = 24) -> None:
    """Put the flight's photos into the survey, as a batch of drone photos would."""
    with SurveyWriter(path, create=True) as store:
        for number, frame in enumerate(flown(SLOPE, photos).frames):
            found = Reading(
                photo=frame.photo,
                outcome="hand-count",
                reasons=("Taken from above.",),
                view="above",
                above=record_summary(frame),
                photo_size=frame.size_px,
                taken_at=frame.taken_at,
                sha256=f"{number + 7:064x}",
            )
            place = Place("Slope", FLOWN.isoformat(), None, "gps")
            store.add_reading(found, sha256=f"{number + 7:064x}", model=MODEL, place=place)


def test_a_walk_as_a_page_and_its_files(flight: Path, boundary: Path, tmp_path: Path) -> None:
    words = ["walk", flight, "--boundary", boundary, "--day", WALKED]
    page = run(*words, "--map", tmp_path / "map.html")
    assert page.exit_code == 0, page.stderr
    assert "Walk after a flight: Slope" in page.stdout
    assert max(map(len, page.stdout.splitlines())) <= 80
    stops = page.stdout.count("[  ]")
    assert stops >= 4
    html = (tmp_path / "map.html").read_text(encoding="utf-8")
    found = parsed(html)
    assert "script" not in found.tags
    # Nothing is fetched; a stop opens the phone's own map (RFC 5870).
    assert len(found.fetched) == stops
    assert all(link.startswith("geo:") for link in found.fetched)
    assert "url(" not in html
    for said in ("Where to walk: Slope", "label is the law", "Zones and stops", "<svg"):
        assert said in html
    out = tmp_path / "walk.geojson"
    for _ in range(2):  # an earlier walk may be written anew, though it holds polygons
        assert run(*words, "--format", "geojson", "--out", out).exit_code == 0
    assert (
        sum(f["geometry"]["type"] == "Point" for f in json.loads(out.read_text())["features"])
        == stops
    )
    record = json.loads(run(*words, "--format", "json", "--units", "ha").stdout)
    assert len(record["stops"]) == stops
    # Any file of the folder names it as well.
    assert run("walk", flight / "above.json", *words[2:]).stdout == page.stdout


def test_plan_takes_a_flight(flight: Path, boundary: Path) -> None:
    words = ["--boundary", boundary, "--seed", 3]
    ours = run("plan", "--above", flight, *words)
    # `plan` is for today, and the flight was in another year.
    assert ours.exit_code == 2
    assert "Fly again" in ours.stderr or "after" in ours.stderr


def test_plan_is_the_walk(flight: Path, boundary: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import collarvision.walk.flight as room

    monkeypatch.setattr(room, "age_words", lambda *_: None)
    plan = run("plan", "--above", flight, "--boundary", boundary, "--units", "ha")
    walk = run("walk", flight, "--boundary", boundary, "--units", "ha")
    assert plan.exit_code == 0, plan.stderr
    assert plan.stdout == walk.stdout
    assert "--area" in run("plan", "--above", flight, "--area", "40ac").stderr


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["--day", "2027-06-20"], 2, "19 days before.*--oldest"),
        (["--day", "soon"], 2, "isn't a date"),
        (["--start", "here"], 2, "latitude,longitude"),
        (["--stops", "1"], 2, "can't see 3 zones"),
        (["--stops", "1"], 2, "^1 stop can't see 3 zones: give 3 or more"),
        (["--stops", "2"], 2, "^2 stops can't see 3 zones"),
        (["--stops", "61"], 2, "^Nobody walks to 61 stops in one field: give 60 or fewer"),
        (["--precision", "0.9"], 2, "precision"),
        (["--headland", "200"], 2, "left 200 m inside.*--headland"),
        (["--headland", "2000ft"], 2, "left 2,000 ft inside.*--headland"),
        (["--field", "Slop"], 2, "did you mean 'Slope'"),
        (["--out", "/nowhere/walk.txt"], 3, "make it first"),
        (["--out", "walk.html"], 2, "should end in .txt"),
        (["--map", "walk.txt"], 2, "should end in .html"),
        (["--out", "FLIGHT/above.json", "--format", "json"], 2, "is a file of the flight"),
        (["--out", "FLIGHT/plants.geojson", "--format", "geojson"], 2, "is a file of the flight"),
        (["--out", "BOUNDARY", "--format", "geojson"], 2, "is the field's outline"),
        (["--map", "BOUNDARY"], 2, "is the field's outline"),
        (["--out", "new", "--map", "new"], 2, "is what --out writes too"),
        (["--start", "41.7,95"], 2, "did you mean 41.7,-95"),
        (["--map", "/nowhere/walk.html"], 3, "make it first"),
    ],
)
def test_asked_wrongly(
    flight: Path, boundary: Path, words: list[str], status: int, said: str
) -> None:
    day = [] if "--day" in words else ["--day", WALKED]
    real = {"FLIGHT": str(flight), "BOUNDARY": str(boundary)}
    words = [re.sub("FLIGHT|BOUNDARY", lambda found: real[found[0]], word) for word in words]
    result = run("walk", flight, "--boundary", boundary, *day, *words)
    assert result.exit_code == status
    assert re.search(said, result.stderr)
    assert len(result.stderr.strip().splitlines()) == 1


def test_an_old_flight_when_asked_for(flight: Path, boundary: Path) -> None:
    late = run("walk", flight, "--boundary", boundary, "--day", "2027-06-20", "--oldest", 30)
    assert late.exit_code == 0


def test_a_flight_that_isnt_there_or_is_of_another_field(flight: Path, tmp_path: Path) -> None:
    assert "collarvision above" in run("walk", tmp_path / "none", "--day", WALKED).stderr
    far = json.loads(json.dumps(geometry(SLOPE)).replace("41.7", "41.9"))
    (tmp_path / "far.geojson").write_text(json.dumps(far))
    result = run("walk", flight, "--boundary", tmp_path / "far.geojson", "--day", WALKED)
    assert result.exit_code == 2
    assert "it is of another field" in result.stderr
    assert "can't be read" in run("walk", flight, "--boundary", tmp_path / "no.geojson").stderr


def test_a_photo_without_a_place(tmp_path: Path) -> None:
    field = replace(SLOPE, size_m=(60.0, 40.0)).fly(
        ORIGIN, METRES, FLOWN, photos=1, frame_m=(60.0, 40.0)
    )
    save_field(
        replace(field, frames=(replace(field.frames[0], georeference=None),)), tmp_path / "one"
    )
    words = ["walk", tmp_path / "one", "--day", WALKED]
    page = run(*words, "--map", tmp_path / "map.html")
    assert page.exit_code == 0, page.stderr
    assert "paces" in page.stdout
    assert "paces" in (tmp_path / "map.html").read_text(encoding="utf-8")
    assert "no points for a map" in run(*words, "--format", "geojson").stderr
    assert "no place on the earth" in run(*words, "--start", "41.7,-95").stderr


def test_a_field_shows_both_before_and_after(flight: Path, survey: Path, tmp_path: Path) -> None:
    limits = tmp_path / "limits.toml"
    limits.write_text(LIMITS, encoding="utf-8")
    words = ["field", survey, "--field", "Slope", "--day", WALKED, "--limits", limits]
    alone = json.loads(run(*words, "--format", "json").stdout)
    found = run(*words, "--above", flight, "--report", tmp_path / "slope.html")
    assert found.exit_code == 0, found.stderr
    for said in ("By zones, from above and after the walk", "From above on", "Corrected"):
        assert said in found.stdout
    both = json.loads(run(*words, "--above", flight, "--format", "json").stdout)
    # Stage, shares and verdicts stay those of the ground.
    for key in ("stage", "at_or_past", "verdicts", "enough_plants"):
        assert both[key] == alone[key]
    assert alone["above"] is None
    assert both["above"]["plants"] == 18
    page = (tmp_path / "slope.html").read_text(encoding="utf-8")
    parsed(page)
    assert "By zones, from above and after the walk" in page
    assert page.count('class="zone z') >= 3
    assert "url(" not in page
    # A folder without a flight is left out, and the answer stands.
    (tmp_path / "none").mkdir()
    away = run(*words, "--above", tmp_path / "none")
    assert away.exit_code == 0
    assert "The flight is left out." in away.stderr
    assert "By zones" not in away.stdout


def test_a_flight_that_isnt_there_ends_it_and_a_survey_in_its_place_is_named(
    survey: Path, flight: Path
) -> None:
    words = ["field", survey, "--field", "Slope", "--day", WALKED]
    typed = run(*words, "--above", survey.with_name("nope"))
    assert typed.exit_code == 2
    assert typed.stdout == ""
    said = (
        f"There is no folder or file {survey.with_name('nope')}: check the name. A flight's folder "
        "is made by 'collarvision above PHOTOS --out FOLDER'.\n"
    )
    assert typed.stderr.startswith(said)
    assert run("walk", survey.with_name("nope"), "--day", WALKED).stderr.startswith(said)
    swapped = run(*words, "--above", survey)
    assert swapped.exit_code == 0
    assert swapped.stderr == (
        f"The flight is left out. {survey} is a survey: its photos from above are used without "
        "--above.\n"
    )
    # Any file of a flight's folder names it; one of another folder is named itself.
    assert run(*words, "--above", flight / "plants.npz").stderr == ""
    notes = survey.with_name("notes.json")
    notes.write_text("{}")
    other = run(*words, "--above", notes)
    assert f"{notes} is no file of a field seen from above: give the folder that" in other.stderr


def test_the_most_stops_can_be_walked(flight: Path, boundary: Path) -> None:
    words = ["walk", flight, "--boundary", boundary, "--day", WALKED, "--stops", 60]
    assert run(*words).stdout.count("[  ]") == 60


def test_more_plants_in_one_zone_dont_move_the_fields_stage(flight: Path, tmp_path: Path) -> None:
    """Twelve plants of the part ahead and three of each other part: together they mislead."""
    import numpy as np

    random = np.random.default_rng(1)
    path = tmp_path / "s.survey"
    spots = [(60.0, 190.0, 12), (150.0, 120.0, 3), (200.0, 190.0, 3), (250.0, 45.0, 3)]
    plants = [
        (plant(100 * stop + k, int(stage), at=outline(SLOPE).degrees(x, y)), str(stop))
        for stop, (x, y, each) in enumerate(spots, start=1)
        for k, stage in enumerate(SLOPE.walk_to(x, y, each, random))
    ]
    fill(path, "Slope", plants, WALKED, boundary=geometry(SLOPE))
    said = run("field", path, "--day", WALKED, "--above", flight).stdout
    assert " ".join(said.split()).count("Taken together the 21 plants at 4 stops make V6") == 1
    found = json.loads(run("field", path, "--day", WALKED, "--above", flight,
                           "--format", "json").stdout)  # fmt: skip
    truth = SLOPE.shares()
    assert found["stage_name"] == "V6"
    assert found["above"]["stage"] == f"V{int((truth >= 0.5).sum()) - 1}" == "V5"


def test_the_surveys_own_photos_from_above(flight: Path, survey: Path) -> None:
    words = ["--field", "Slope"]
    assert "no photos from above" in run("walk", survey, *words, "--day", WALKED).stderr
    from_above(survey)
    page = run("walk", survey, *words, "--day", WALKED)
    assert page.exit_code == 0, page.stderr
    assert "3 zones" in page.stdout
    found = run("field", survey, *words, "--day", WALKED, "--visit", WALKED)
    assert "By zones, from above and after the walk" in found.stdout
    late = run("walk", survey, *words, "--day", "2027-07-01")
    assert "not over 7 days old" in " ".join(late.stderr.split())
    assert "no field" in run("walk", survey, "--field", "East").stderr
    assert run("walk", survey.with_name("fields.toml"), *words).exit_code == 2


def test_a_survey_whose_photos_hold_too_many_plants_to_list(
    survey: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collarvision.above.summary.MOST_PLANTS", 50)
    from_above(survey)
    walk = run("walk", survey, "--field", "Slope", "--day", WALKED)
    assert walk.exit_code == 2
    said = "photos from above hold too many plants to be listed in a survey"
    assert said in walk.stderr
    assert "`collarvision above --out` wrote instead" in walk.stderr
    assert "holds no photos from above" not in walk.stderr
    field = run("field", survey, "--field", "Slope", "--day", WALKED, "--visit", WALKED)
    assert field.exit_code == 0
    assert said in field.stderr
    assert "By zones" not in field.stdout


def test_a_flight_without_a_day_says_so_in_walk_and_field(survey: Path, tmp_path: Path) -> None:
    field = flown(SLOPE, 24)
    undated = tuple(replace(one, taken_at=None) for one in field.frames)
    save_field(replace(field, frames=undated), tmp_path / "undated")
    said = "flight's day isn't known: see that it was flown within a week of the walk."
    walk = run("walk", tmp_path / "undated", "--map", tmp_path / "map.html")
    assert said in " ".join(walk.stdout.split())
    assert "day isn&#39;t known" in (tmp_path / "map.html").read_text(encoding="utf-8")
    found = run("field", survey, "--day", WALKED, "--above", tmp_path / "undated")
    assert said in " ".join(found.stdout.split())


def test_a_file_that_is_no_survey(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("hello")
    assert run("walk", tmp_path / "notes.txt", "--field", "Slope").exit_code == 3
