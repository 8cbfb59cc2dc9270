"""The demo's own photos: small, true to their slots, and each field ends as its README says.

Truth here is that of the plant generator, which made the photos. What the shipped network makes of
them is only asked where the answer must not depend on the network: a spoiled photo is never staged.
"""

from __future__ import annotations

import json
import re
import shlex
from collections import Counter
from datetime import date, timedelta
from math import hypot
from pathlib import Path
from typing import Any

import pytest
from command import run
from PIL import Image

from collarvision.answer import CardMark, Reading
from collarvision.boundary import metres_a_degree
from collarvision.demo import farm, lay_out
from collarvision.demo.counts import COUNTED, handles_of_truth, read_truth
from collarvision.demo.flown import heron
from collarvision.demo.laying import photos_folder
from collarvision.handles import problems, stage_of
from collarvision.survey import ModelFacts, Place, SurveyWriter

TODAY = date(2027, 5, 21)
FOLDER = photos_folder()
FILES = sorted(path.name for path in FOLDER.glob("*.jpg"))
TRUTH = read_truth(FOLDER)


def test_the_photos_are_small_and_whole_and_each_has_its_truth() -> None:
    assert 80 <= len(FILES) <= 90
    assert set(FILES) == set(TRUTH)
    sizes = [(FOLDER / name).stat().st_size for name in FILES]
    assert max(sizes) <= 120_000
    assert sum(sizes) < 8_000_000
    for name in FILES:
        with Image.open(FOLDER / name) as image:
            assert image.size == (TRUTH[name]["width"], TRUTH[name]["height"])
            image.load()
    visits = Counter(name.rsplit("-", 2)[0] for name in FILES)
    assert len(visits) == 9
    for field in COUNTED:  # an answer needs ten plants (`collarvision.sampling.FEWEST_PLANTS`)
        assert visits[f"{field}-2"] >= 10


@pytest.mark.parametrize("name", FILES)
def test_what_a_person_would_mark_is_a_sound_count(name: str) -> None:
    line = TRUTH[name]
    if not line["usable"]:
        return
    handles = tuple(handles_of_truth(line))
    assert problems(handles, (line["width"], line["height"])) == ()
    assert stage_of(handles) == line["stage_v"]


def reading_of_truth(line: dict[str, Any], photo: farm.DemoPhoto) -> Reading:
    """A reading that knows the height, and of the stage only that somebody must count."""
    about = {
        "photo": photo.place.name,
        "photo_size": (line["width"], line["height"]),
        "taken_at": photo.taken_at.isoformat(),
        "gps": photo.gps,
    }
    if not line["usable"]:
        return Reading(outcome="rejected", reasons=("Spoiled.",), **about)
    height = line["height_arch_mm"] or line["plant_top_mm"]
    near = [0.0] * 13
    near[line["stage_v"]] = 0.6
    near[line["stage_v"] - 1] = near[line["stage_v"] + 1] = 0.2
    return Reading(
        outcome="hand-count",
        reasons=("Count it.",),
        stage=line["stage_v"],
        confidence=0.6,
        stage_probabilities=tuple(near),
        height_mm=height,
        height_interval_mm=(0.96 * height, 1.04 * height),
        card=CardMark(4, 0.0, 0.01, False, ()),
        **about,
    )


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo laid out, and a survey of it whose readings are made from the truth."""
    from hashlib import sha256

    folder = tmp_path_factory.mktemp("demo")
    lay_out(folder, TODAY)
    model = ModelFacts("a" * 64, "truth", "none")
    with SurveyWriter(folder / "farm.survey", create=True) as store:
        for photo in farm.photos_of(FILES, TODAY):
            store.add_reading(
                reading_of_truth(TRUTH[photo.file], photo),
                sha256=sha256((folder / photo.place).read_bytes()).hexdigest(),
                model=model,
                place=Place(
                    photo.field.name, photo.taken_at.date().isoformat(), str(photo.stop), "folder"
                ),
            )
    labels = folder / "hand_counts.coco.json"
    result = run("import", folder / "farm.survey", "--from", labels, "--who", "Demo")
    assert result.exit_code == 0, result.output
    usable = sum(
        TRUTH[name]["usable"] and name.startswith(tuple(f"{field}-2" for field in COUNTED))
        for name in FILES
    )
    assert f"Stored the labels of {usable} photos" in result.stderr
    return folder


@pytest.mark.parametrize(
    ("field", "word", "why"),
    [
        ("Owl Forty", "open", "inside 6 collars or 20 in"),
        ("Long Acre", "closing", "inside 6 collars or 20 in"),
        ("Mill Corner", "past", "past 6 collars or 20 in"),
        ("Creek Bottom", "can't tell", "at least"),
        ("Heron Slope", "past", "past 6 collars or 20 in"),
    ],
)
def test_each_field_ends_as_the_readme_says(demo: Path, field: str, word: str, why: str) -> None:
    result = run(
        *("field", demo / "farm.survey", "--field", field, "--limits", demo / "limits.toml"),
        *("--temperatures", demo / "temperatures.csv", "--day", TODAY, "--format", "json"),
    )
    assert result.exit_code == 0, result.output
    answer = json.loads(result.stdout)
    verdict = next(v for v in answer["verdicts"] if v["limit"].startswith("Product A"))
    assert verdict["verdict"] == word, verdict
    assert why in verdict["sentence"]
    assert f"{field} " in re.sub(r"\s+", " ", (demo / "README.md").read_text())


def test_the_flown_field_was_walked_where_the_walk_list_says(demo: Path) -> None:
    """Each stop of the list has photos within a phone's error, as many as it asks for."""
    walked = TODAY - timedelta(days=farm.VISIT_DAYS_AGO[2])
    result = run(
        *("walk", demo / "flight", "--boundary", demo / "fields.geojson"),
        *("--field", "Heron Slope", "--day", walked, "--format", "json"),
    )
    assert result.exit_code == 0, result.stderr
    stops = json.loads(result.stdout)["stops"]
    north, east = metres_a_degree(farm.ORIGIN[0])
    photos = [photo for photo in farm.photos_of(FILES, TODAY) if photo.field.key == "heron"]
    assert len(photos) == sum(stop["plants"] for stop in stops)
    for stop in stops:
        near = [
            photo
            for photo in photos
            if hypot((photo.gps[0] - stop["lat"]) * north, (photo.gps[1] - stop["lon"]) * east) < 12
        ]
        assert len(near) == stop["plants"], stop
        assert {photo.stop for photo in near} == {stop["stop"]}


def test_the_flown_field_is_known_by_its_zones(demo: Path) -> None:
    words = ["field", demo / "farm.survey", "--field", "Heron Slope", "--day", TODAY]
    result = run(
        *words, "--limits", demo / "limits.toml", "--above", demo / "flight", "--format", "json"
    )
    answer = json.loads(result.stdout)
    above = answer["above"]
    # More plants stand where the field is ahead: all together they make V6.
    assert (answer["stage_name"], above["stage"]) == ("V6", "V5")
    assert above["plants"] == 19
    assert above["enough"]
    assert not answer["enough_plants"]["enough"]
    zones = {zone["zone"]: zone for zone in above["zones"]}
    assert zones["A"]["stage"] == "V6"
    assert zones["C"]["stage"] == "V3"
    # Against the invention's own shares of the field.
    truth = heron().shares()
    for one in above["at_or_past"]:
        low, high = one["interval"]
        assert low - 0.02 <= truth[int(one["stage"][1:])] <= high + 0.02, one


def test_the_window_lies_ahead_and_the_second_product_allows_more(demo: Path) -> None:
    result = run(
        *("field", demo / "farm.survey", "--field", "Owl Forty"),
        *("--limits", demo / "limits.toml", "--temperatures", demo / "temperatures.csv"),
        *("--day", TODAY, "--report", demo / "report.html"),
    )
    assert result.exit_code == 0, result.output
    assert "Product B" in result.stdout
    assert (demo / "report.html").stat().st_size > 1000


@pytest.mark.usefixtures("trained_network")
def test_photos_that_are_spoiled_are_never_staged(tmp_path: Path) -> None:
    spoiled = [name for name in FILES if not TRUTH[name]["usable"]]
    assert {TRUTH[name]["reason"] for name in spoiled} >= {"blurred", "cut_off", "dark"}
    fine = [f"{field}-2-s{k}-p2.jpg" for field in ("owl", "acre", "mill") for k in (1, 3)]
    result = run("stage", "--format", "jsonl", *(FOLDER / name for name in (*spoiled, *fine)))
    assert result.exit_code == 0
    said = {row["photo"]: row for row in map(json.loads, result.stdout.splitlines())}
    assert all(row["fault"] is None for row in said.values())
    assert all(said[name]["outcome"] != "staged" for name in spoiled)
    assert sum(said[name]["outcome"] == "rejected" for name in fine) <= 1
    assert sum(said[name]["card"] is not None for name in fine) >= 5


def said_in(text: str) -> dict[str, str]:
    """What the demo's README says of fields, by name."""
    found = re.findall(rf"({'|'.join(f.name for f in farm.FIELDS)}) (?:is|can't) (\w+)", text)
    return {name: "can't tell" if word == "be" else word for name, word in found}


@pytest.mark.usefixtures("trained_network")
def test_the_printed_commands_answer_as_the_readme_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In their order, by the shipped network, without and with the temperatures."""
    lay_out(tmp_path, TODAY)
    monkeypatch.chdir(tmp_path)
    readme = (tmp_path / "README.md").read_text()
    lines = readme.split("```sh")[1].split("```")[0].replace("\\\n", " ").strip().splitlines()
    commands = [shlex.split(line)[1:] for line in lines]
    counted = [words[0] for words in commands].index("import")
    for words in commands[: counted + 1]:
        assert run(*words, *(["--day", TODAY] if words[0] == "field" else [])).exit_code == 0
    told = re.sub(r"\s+", " ", readme.split("With the hand counts in")[1])
    plain, by_heat = (said_in(part) for part in told.split("With the temperatures"))
    assert set(plain) == {field.name for field in farm.FIELDS}
    asked = [words for words in commands[counted:] if words[0] == "field"]
    assert len(asked) == 2
    for name in plain:
        one = ["field", "farm.survey", "--field", name, "--limits", "limits.toml"]
        asked += [one, [*one, "--temperatures", "temperatures.csv"]]
    for words in asked:
        answer = json.loads(run(*words, "--day", TODAY, "--format", "json").stdout)
        verdict = next(v for v in answer["verdicts"] if v["limit"].startswith("Product A"))
        said = plain | (by_heat if "--temperatures" in words else {})
        assert verdict["verdict"] == said[words[words.index("--field") + 1]], words
