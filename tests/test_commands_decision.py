"""The commands `field`, `count` and `splitstalk`, asked rightly and wrongly."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest
from command import run
from fields import BOUNDARY, LIMITS, VISIT, fill, plant, walk, weather_csv
from surveys import check_sound

from collarvision.survey import SurveyReader, SurveyWriter

DAY = (VISIT + timedelta(days=1)).isoformat()


@pytest.fixture
def survey(tmp_path: Path) -> Path:
    path = tmp_path / "season.survey"
    fill(path, "North", walk([3] * 14, height_in=7), VISIT - timedelta(days=7), boundary=BOUNDARY)
    waiting = (plant(90, 2, sure=0.5, outcome="hand-count"), "2")
    fill(path, "North", [*walk([4] * 14, height_in=12), waiting])
    fill(path, "South", walk([7] * 12, height_in=25))
    return path


@pytest.fixture
def limits(tmp_path: Path) -> Path:
    path = tmp_path / "limits.toml"
    path.write_text(LIMITS, encoding="utf-8")
    return path


def judged(survey: Path, limits: Path, *more: object, field: str = "North") -> dict[str, str]:
    result = run(
        "field", survey, "--field", field, "--day", DAY, "--limits", limits,
        "--format", "json", *more,
    )  # fmt: skip
    assert result.exit_code == 0, result.stderr
    return {v["limit"]: v["verdict"] for v in json.loads(result.stdout)["verdicts"]}


def test_a_field_in_words_and_as_json(survey: Path, limits: Path, tmp_path: Path) -> None:
    weather = weather_csv(tmp_path / "t.csv")
    words = ["field", survey, "--field", "North", "--day", DAY, "--limits", limits]
    result = run(*words, "--temperatures", weather, "--units", "cm")
    assert result.exit_code == 0, result.stderr
    for said in ("V4", "OPEN", "°C-days", "cm", "label is the law", "IMG_0090.jpg"):
        assert said in result.stdout, said
    found = json.loads(run(*words, "--temperatures", weather, "--format", "json").stdout)
    assert found["stage"] == 4
    assert found["waiting"] == ["IMG_0090.jpg"]
    (earlier,) = found["earlier_visits"]
    assert (earlier["day"], earlier["plants"], earlier["stage"]) == ("2027-05-28", 14, 3)
    closes = found["verdicts"][0]["closes"]
    # One day of 17.5 °F-days at about 140 a leaf is an eighth of a leaf.
    expected = found["collars_expected"]
    assert expected["low"] < expected["middle"] < expected["high"]
    assert 4.0 <= expected["middle"] <= 4.5
    assert VISIT.isoformat() <= closes["early"] <= closes["middle"] <= closes["late"]


def test_a_report_beside_the_answer(survey: Path, limits: Path, tmp_path: Path) -> None:
    words = ["field", survey, "--field", "North", "--day", DAY, "--limits", limits]
    result = run(*words, "--report", tmp_path / "north.html")
    assert result.exit_code == 0
    assert "Wrote the report" in result.stderr
    assert "Product B" in (tmp_path / "north.html").read_text(encoding="utf-8")
    assert run(*words, "--report", tmp_path / "none" / "north.html").exit_code == 3


def test_a_report_replaces_nothing_that_was_read(
    survey: Path, limits: Path, tmp_path: Path
) -> None:
    weather = weather_csv(tmp_path / "t.csv")
    words = ["field", survey, "--field", "North", "--limits", limits, "--temperatures", weather]
    for path, said in (
        (survey, "is the survey itself"),
        (limits, "is your limits file"),
        (weather, "is the table of temperatures"),
        (tmp_path / "north.pdf", "should end in .html"),
    ):
        before = path.read_bytes() if path.exists() else None
        result = run(*words, "--report", path)
        assert result.exit_code == 2
        assert said in result.stderr
        assert result.stdout == ""
        assert (path.read_bytes() if path.exists() else None) == before
    check_sound(survey)


def test_no_dates_ahead_of_a_visit_that_tells_none(survey: Path, tmp_path: Path) -> None:
    weather = weather_csv(tmp_path / "t.csv")
    tomorrow = date.today() + timedelta(days=1)
    fill(survey, "Clock", walk([4] * 12), tomorrow)
    early = run("field", survey, "--field", "Clock", "--temperatures", weather)
    assert early.exit_code == 0
    assert "one in the future" in early.stderr
    fill(survey, "Waits", [(plant(1, 4, outcome="hand-count"), "1")])
    waits = run("field", survey, "--field", "Waits", "--day", DAY, "--temperatures", weather)
    assert "no plant of the visit has an answer" in waits.stderr
    assert "No stage yet" in waits.stdout


def test_open_past_and_cannot_tell(survey: Path, limits: Path) -> None:
    assert judged(survey, limits)["Product A, over the top"] == "open"
    assert judged(survey, limits, field="South")["Product A, over the top"] == "past"
    old = judged(survey, limits, "--visit", (VISIT - timedelta(days=7)).isoformat())
    assert set(old.values()) == {"can't tell"}
    assert set(judged(survey, limits, "--hail", VISIT.isoformat()).values()) == {"can't tell"}
    soon = judged(survey, limits, "--planned-harvest", "2027-07-18")
    assert soon["Product B"] == "past"


def test_photos_older_than_their_folder_answer_as_of_their_own_day(
    survey: Path, limits: Path, tmp_path: Path
) -> None:
    """Copied two days later they are no younger, neither for heat nor for a hail between."""
    weather = weather_csv(tmp_path / "t.csv")
    copied = VISIT + timedelta(days=2)
    photos = [
        (replace(one, taken_at=f"{VISIT}T10:00:00"), stop)
        for one, stop in walk([6] * 20, sure=0.999, height_in=12)
    ]
    for name, day in (("Then", VISIT), ("Copied", copied)):
        fill(survey, name, photos, day)

    def said(name: str, *more: object) -> list[dict[str, object]]:
        found = run(
            "field", survey, "--field", name, "--day", copied, "--limits", limits,
            "--temperatures", weather, "--format", "json", *more,
        )  # fmt: skip
        return json.loads(found.stdout)["verdicts"]

    for more in ((), ("--hail", VISIT - timedelta(days=2))):
        assert said("Copied", *more) == said("Then", *more)
    assert {one["verdict"] for one in said("Copied", *more)} == {"can't tell"}


def test_one_early_photo_puts_no_visit_too_soon_after_a_hail(survey: Path, limits: Path) -> None:
    photos = [
        (replace(one, taken_at=f"{VISIT - timedelta(days=0 if k else 2)}T10:00:00"), stop)
        for k, (one, stop) in enumerate(walk([4] * 20, height_in=12))
    ]
    fill(survey, "Early", photos)
    asked = ("field", survey, "--field", "Early", "--day", VISIT, "--limits", limits)
    hail = ("--hail", VISIT - timedelta(days=4), "--format", "json")
    damage = json.loads(run(*asked, *hail).stdout)["damage"]
    assert not damage["too_soon"]
    assert damage["sentence"].startswith("The visit was 4 days after the hail")


def test_undated_plants_are_told_and_hold_an_open_back(survey: Path, limits: Path) -> None:
    fill(survey, "North", walk([8] * 12, first=200), None)
    assert set(judged(survey, limits).values()) == {"can't tell"}
    said = "12 plants of this field have no date and are left out"
    words = ["field", survey, "--field", "North", "--day", DAY, "--limits", limits]
    report = limits.with_name("north.html")
    assert said in " ".join(run(*words, "--report", report).stdout.split())
    assert said in report.read_text(encoding="utf-8")
    notes = json.loads(run(*words, "--format", "json").stdout)["notes"]
    assert [said in note for note in notes] == [True]


def test_the_locale_chooses_units_and_the_flag_outranks_it(
    survey: Path, limits: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from typer.testing import CliRunner

    from collarvision.cli import app

    def text(locale: str, *more: str) -> str:
        words = ["field", str(survey), "--field", "North", "--day", DAY, *more]
        return CliRunner(env={"LC_ALL": locale}).invoke(app, words).stdout

    assert "Mean 11.9 in" in text("en_US.UTF-8")
    assert "Mean 11.9 in" in text("C")
    assert "Mean 30." in text("de_DE.UTF-8")
    assert "Mean 11.9 in" in text("de_DE.UTF-8", "--units", "in")
    said = text("de_DE.UTF-8", "--limits", str(limits))
    assert "inside 6 collars or 50.8 cm (20 in on the label)" in " ".join(said.split())


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--field", "Nort"], "did you mean 'North'"),
        (["--visit", "2027-06-30"], "its visits are"),
        (["--visit", "June 4"], "write it like 2027-06-04"),
        (["--precision", "0.7"], "between 0 and 0.5"),
        (["--save"], "add --who"),
        (["--save", "--who", "A"], "add --limits"),
        (["--forecast", "f.csv"], "add --temperatures"),
        (["--temperatures", "none.csv"], "can't be read"),
        (["--limits", "none.toml"], "can't be read"),
        (["--hail", "2027-06-30"], "check the date"),
        # A day before the visit that was asked for: the one before it, if there is one.
        (
            ["--visit", "2027-06-04", "--day", "2027-06-01"],
            "is before the visit of 2027-06-04: add --visit 2027-05-28.",
        ),
        (["--day", "2027-05-01"], "is before the visit of 2027-06-04: give 2027-06-04 or a later"),
    ],
)
def test_asked_wrongly(survey: Path, words: list[str], said: str) -> None:
    result = run("field", survey, *(["--field", "North"] if "--field" not in words else []),
                 *(["--day", DAY] if "--day" not in words else []), *words)  # fmt: skip
    assert result.exit_code == 2
    assert said in result.stderr
    assert "Traceback" not in result.stderr


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--who", "Me"], "--who is for --save"),
        (["--clamp", "mean"], "--clamp is for temperatures, and there are none: add --temper"),
        (["--temperature-unit", "C"], "--temperature-unit is for temperatures"),
    ],
)
def test_options_that_do_nothing_alone_are_told(survey: Path, words: list[str], said: str) -> None:
    result = run("field", survey, "--field", "North", "--day", DAY, *words)
    assert result.exit_code == 0
    assert said in result.stderr
    assert said not in run("field", survey, "--field", "North", "--day", DAY).stderr


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("max_leaves = 6", "max_leafs = 6", "line 10: the key 'max_leafs' isn't known"),
        ("max_leaves = 6", "max_leafs = 6", "did you mean 'max_leaves'?"),
        ("max_leaves = 6", "max_leaves = 1", "no plant fits"),
        ('"20 in"', '"2 in"', "no plant fits"),
        ('"20 in"', '"20"', "has no unit"),
    ],
)
def test_limits_that_make_no_sense(
    survey: Path, limits: Path, old: str, new: str, said: str
) -> None:
    limits.write_text(LIMITS.replace(old, new, 1), encoding="utf-8")
    result = run("field", survey, "--field", "North", "--limits", limits)
    assert result.exit_code == 2
    assert said in result.stderr


def test_temperatures_in_the_wrong_unit(survey: Path, tmp_path: Path) -> None:
    weather = weather_csv(tmp_path / "t.csv")
    weather.write_text(weather.read_text().replace("_F", "_C"))
    words = ["field", survey, "--field", "North", "--day", DAY, "--temperatures", weather]
    result = run(*words)
    assert result.exit_code == 2
    assert "looks like °F" in result.stderr
    assert "--temperature-unit" in result.stderr
    assert run(*words, "--temperature-unit", "F").exit_code == 0


def test_a_broken_file_of_the_network_ends_with_its_own_status(
    survey: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "known.json").write_text("[]")
    monkeypatch.setattr("collarvision.drift.models_folder", lambda: tmp_path)
    result = run("field", survey, "--field", "North")
    assert result.exit_code == 4
    assert "Install the package again" in result.stderr


def test_no_survey_and_an_empty_one(tmp_path: Path, survey: Path) -> None:
    result = run("field", tmp_path / "none.survey", "--field", "North")
    assert result.exit_code == 3
    assert "no survey" in result.stderr
    (tmp_path / "text.survey").write_text("nothing")
    assert run("field", tmp_path / "text.survey", "--field", "North").exit_code == 3
    empty = tmp_path / "empty.survey"
    from collarvision.survey import SurveyWriter

    SurveyWriter(empty, create=True).close()
    result = run("field", empty, "--field", "North")
    assert (result.exit_code, "holds no field" in result.stderr) == (2, True)


def test_the_only_field_needs_no_name(tmp_path: Path, survey: Path) -> None:
    path = tmp_path / "one.survey"
    fill(path, "Only", walk([4] * 12))
    assert "Only – visit of" in run("field", path, "--day", DAY).stdout
    result = run("field", survey)
    assert result.exit_code == 2
    assert "the survey has North, South" in result.stderr


def test_a_decision_is_kept_under_a_name(survey: Path, limits: Path) -> None:
    result = run(
        "field", survey, "--field", "North", "--day", DAY, "--limits", limits,
        "--save", "--who", "A. Adviser",
    )  # fmt: skip
    assert result.exit_code == 0
    assert "Kept 3 verdicts" in result.stderr
    with SurveyReader(survey) as store:
        assert {one.who for one in store.decisions("North")} == {"A. Adviser"}
        assert len(list(store.limits())) == 2
    check_sound(survey)


def test_a_survey_that_is_only_read_needs_no_rights(survey: Path, limits: Path) -> None:
    before = survey.read_bytes()
    os.chmod(survey, 0o444)
    assert judged(survey, limits)["Product A, over the top"] == "open"
    assert survey.read_bytes() == before


# Counts by hand


def counts(survey: Path, *words: object) -> str:
    result = run("count", survey, *words)
    assert result.exit_code == 0, result.stderr
    return result.stderr


def test_a_count_answers_for_a_waiting_plant(survey: Path, limits: Path) -> None:
    said = counts(survey, "img_0090", "--stage", "V7", "--who", "Ann", "--height", "20 in")
    assert "IMG_0090.jpg (North, 2027-06-04, stop 2): 7 collars, 20 in tall" in said
    assert "The reading had said V2. If that was a slip, count again" in said
    assert judged(survey, limits)["Product A, over the top"] == "past"


def test_a_height_far_from_the_reading_is_asked_again(survey: Path) -> None:
    with SurveyReader(survey) as store:
        row = next(r for r in store.plants("North", VISIT.isoformat()) if r.height_mm is not None)
    low, high = (mm / 25.4 for mm in row.record["height_interval_mm"])
    read = f"The reading had said {row.height_mm / 25.4:.1f} in. If that was a slip, count again"

    def told(height: float) -> str:
        words = ("--height", f"{height:.2f} in", "--who", "Ann")
        return counts(survey, row.sha256[:12], "--stage", row.stage, *words)

    for typed in (low / 1.6, high * 1.6):
        assert read in told(typed)
    for typed in (low / 1.4, high * 1.4):
        assert "The reading had said" not in told(typed)
    cm = counts(survey, row.sha256[:12], "--height", "5 cm", "--who", "Ann")
    assert f"The reading had said {row.height_mm / 10:.1f} cm. If" in cm
    both = counts(survey, row.sha256[:12], "--height", "60 in", "--stage", "9", "--who", "Ann")
    assert f"The reading had said V{row.stage} and {row.height_mm / 25.4:.1f} in. If" in both


def test_nodes_are_changed_to_collars_and_said(survey: Path) -> None:
    said = counts(survey, "IMG_0090.jpg", "--nodes", "2", "--who", "Ann")
    assert "6 collars from 2 nodes apart, with a 20% chance of one more" in said
    differ = counts(survey, "IMG_0090.jpg", "--nodes", "2", "--stage", "4", "--who", "Ann")
    assert "The nodes say 6 collars and you counted 4" in differ
    with SurveyReader(survey) as store:
        row = next(r for r in store.plants("North", "2027-06-04") if r.photo == "IMG_0090.jpg")
        assert [c.way for c in store.hand_counts(row.sha256)] == ["split-stalk", "on-plant"]


def test_a_plant_without_a_photo_counts_at_its_stop(survey: Path, limits: Path) -> None:
    assert "stop 3 (North, 2027-06-04): 4 collars" in counts(
        survey, "stop 3", "--field", "North", "--stage", "4", "--who", "Ann"
    )
    result = run("field", survey, "--field", "North", "--day", DAY, "--format", "json")
    assert json.loads(result.stdout)["hand_counted"] == 1


def test_a_plant_without_a_photo_makes_its_stop(survey: Path) -> None:
    words = ["--field", "North", "--stage", "4", "--who", "Ann"]
    for _ in range(2):  # the second plant counts at the stop of the first
        last = counts(survey, "stop 41", *words, "--visit", VISIT)
        assert "(North, 2027-06-04): 4 collars" in last
    assert "new" not in last
    with SurveyReader(survey) as store:
        made = [stop for stop in store.stops("North") if stop.name == "41"]
    assert [stop.date for stop in made] == [VISIT.isoformat()]
    answer = run("field", survey, "--field", "North", "--day", DAY, "--format", "json")
    assert json.loads(answer.stdout)["hand_counted"] == 2
    check_sound(survey)


def test_a_new_stop_is_of_a_visit_that_is_no_guess(tmp_path: Path) -> None:
    today = date.today()
    path = tmp_path / "s.survey"
    words = ["stop 1", "--stage", "5", "--who", "Me", "--field"]
    with SurveyWriter(path, create=True) as store:
        store.add_field("Test")
    # Nobody was there before, so the count is the first visit.
    assert f"stop 1, new (Test, {today}): 5 collars" in counts(path, *words, "Test")
    fill(path, "Old", walk([4] * 3), today - timedelta(days=7))
    asked = run("count", path, "stop 9", *words[1:], "Old")
    assert asked.exit_code == 2
    assert f"--visit {today - timedelta(days=7)} (its last one)" in asked.stderr
    assert f"--visit {today} for a count made today" in asked.stderr
    tomorrow = run("count", path, "stop 9", *words[1:], "Old", "--visit", today + timedelta(1))
    assert (tomorrow.exit_code, "still to come" in tomorrow.stderr) == (2, True)
    misspelt = run("count", path, *words, "test")
    assert misspelt.exit_code == 2
    assert "did you mean 'Test'?" in misspelt.stderr
    with SurveyReader(path) as store:
        assert [one.name for one in store.fields()] == ["Old", "Test"]
        assert "9" not in [stop.name for stop in store.stops()]


def test_the_beginning_of_a_hash_is_enough(survey: Path) -> None:
    with SurveyReader(survey) as store:
        key = next(iter(store.plants("South"))).sha256
    assert "South" in counts(survey, key[:8], "--stage", "7", "--who", "Ann")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["IMG_0001", "--stage", "4"], "say which with the beginning of its SHA-256"),
        (["IMG_0001", "--stage", "4", "--field", "North"], "say which"),  # two visits
        (["stop 3", "--stage", "4"], "say which with --field and --visit"),
        (["IMG_7777", "--stage", "4"], "no photo or stop"),
        (["IMG_0090", "--stage", "six"], "write 5 or V5"),
        (["IMG_0090", "--stage", "40"], "count again"),
        (["IMG_0090", "--nodes", "0"], "count the collars"),
        (["IMG_0090", "--nodes", "30"], "aren't a corn plant's"),
        (["IMG_0090", "--height", "20"], "has no unit"),
        (["IMG_0090", "--height", "200 m"], "check the unit"),
        (["IMG_0090"], "give --stage, --nodes or --height"),
        (["stop 3", "--field", "North", "--height", "20 in"], "tells no stage"),
        (["IMG_0090", "--stage", "4", "--visit", "soon"], "isn't a date"),
    ],
)
def test_counts_that_cannot_be_kept(survey: Path, words: list[str], said: str) -> None:
    result = run("count", survey, *words, "--who", "Ann")
    assert result.exit_code == 2
    assert said in result.stderr
    with SurveyReader(survey) as store:
        assert not list(store.counts())


def test_a_count_without_a_name_or_a_survey(survey: Path, tmp_path: Path) -> None:
    assert run("count", survey, "IMG_0090", "--stage", "4", "--who", " ").exit_code == 2
    result = run("count", tmp_path / "none.survey", "IMG_0090", "--stage", "4", "--who", "A")
    assert result.exit_code == 3
    assert not (tmp_path / "none.survey").exists()


def test_the_split_stalk_in_words_and_as_a_page(tmp_path: Path) -> None:
    text = run("splitstalk").stdout
    assert "nodes 1 to 4" in text
    assert "one leaf too low" in " ".join(text.split())
    assert max(map(len, text.splitlines())) <= 80
    out = tmp_path / "stalk.html"
    assert run("splitstalk", "--out", out).exit_code == 0
    page = out.read_text(encoding="utf-8")
    assert "<svg" in page
    assert "3 nodes apart + 4 = 7 collars" in page
    assert run("splitstalk", "--out", tmp_path / "none" / "x.html").exit_code == 3
