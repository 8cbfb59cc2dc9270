"""Command line: names of files and answers to options, taken as a scout would type them."""

from __future__ import annotations

import os
import re
import typing
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from command import run
from PIL import Image
from stand_in import DrawnPlant
from typer.testing import CliRunner

from collarvision.cli import app
from collarvision.commandline import day_of


def test_no_path_is_refused_before_its_room_sees_it() -> None:
    """The parser's own words for a file that can't be read name no way out, and end the run."""
    readable = {
        f"{command.callback.__name__} {name}": hint.__metadata__[0].readable
        for command in app.registered_commands
        for name, hint in typing.get_type_hints(command.callback, include_extras=True).items()
        if typing.get_origin(hint) is typing.Annotated and "Path" in str(hint.__origin__)
    }
    assert len(readable) > len(app.registered_commands)
    assert [name for name, refused in readable.items() if refused] == []


def test_a_photo_that_may_not_be_read_gets_its_record_and_harms_no_other(
    stand_in: Path,
    drawn_plant: DrawnPlant,
    save_jpeg: Callable[..., Path],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    photo, locked = save_jpeg(drawn_plant.rgb, "a.jpg"), tmp_path / "b.jpg"
    locked.write_bytes(b"x")
    access = os.access

    def not_that(path: str | Path, *more: int, **options: bool) -> bool:
        return str(path) != str(locked) and access(path, *more, **options)

    monkeypatch.setattr(os, "access", not_that)
    result = run("stage", photo, locked)
    assert result.exit_code == 0
    assert "a.jpg" in result.stdout
    assert "b.jpg" in result.stdout


def test_heights_of_stage_follow_the_locale_as_those_of_a_field(
    stand_in: Path, drawn_plant: DrawnPlant, save_jpeg: Callable[..., Path]
) -> None:
    photo = str(save_jpeg(drawn_plant.rgb, "a.jpg"))
    for locale, unit in (("en_US.UTF-8", "in"), ("C.UTF-8", "in"), ("de_DE.UTF-8", "cm")):
        said = CliRunner(env={"LC_ALL": locale}).invoke(app, ["stage", photo]).stdout
        assert re.search(rf"a\.jpg .*\d {unit} ", said), said


@pytest.mark.parametrize("ending", [".csv", ".txt", ".JPG", ".coco.json", ".parquet"])
def test_a_new_survey_is_called_like_nothing_else(
    stand_in: Path, save_jpeg: Callable[..., Path], drawn_plant: DrawnPlant, ending: str
) -> None:
    photo = save_jpeg(drawn_plant.rgb, "a.jpg")
    survey = photo.with_name(f"plants{ending}")
    result = run("batch", photo, "--survey", survey)
    assert result.exit_code == 2
    assert "has the ending of a photo, a list or an export" in result.stderr
    assert ".survey" in result.stderr
    assert not survey.exists()


@pytest.mark.parametrize(
    "words",
    [
        ["stage", ""],
        ["stage", "PHOTO", "--overlay", ""],
        ["stage", "PHOTO", "--overlay="],
        ["stage", "PHOTO", "--out", ""],
        ["batch", "", "--survey", "x.survey"],
        ["batch", "PHOTO", "--survey", ""],
        ["card", "--out", ""],
        ["export", "x.survey", "--to", ""],
        ["above", ""],
        ["above", "PHOTO", "--out", ""],
        ["plan", "--area", "40ac", "--out", ""],
    ],
)
def test_an_empty_word_is_not_the_current_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, drawn_plant: DrawnPlant, words: list[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Image.fromarray(drawn_plant.rgb).save("plant.jpg")
    result = run(*[word.replace("PHOTO", "plant.jpg") for word in words])
    assert result.exit_code == 2
    assert "an empty word names nothing: give a name" in " ".join(result.stderr.split())
    assert [path.name for path in tmp_path.iterdir()] == ["plant.jpg"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (f"plan --area {'9' * 5000}ac", "has too many digits: write it like '40ac'"),
        (f"above x.jpg --height {'9' * 5000}m", "has too many digits: write it like '20 ft'"),
        (f"plan --area 40ac --seed {'9' * 4000}", "is too large: write it like 3."),
        (f"card --out c.pdf --stop {'9' * 4000}", "is too large: write it like 3."),
        (f"plan --area 40ac --seed {'9' * 5000}", "isn't a whole number from 0 up"),
        ("walk x --day 9999-12-31", "--day 9999-12-31 is too far from today: check the year."),
        ("field x --field N --hail 9998-12-31", "--hail 9998-12-31 is too far from today"),
        ("field x --field N --day 0001-01-01", "--day 0001-01-01 is too far from today"),
    ],
)
def test_numbers_and_days_that_nobody_means_are_one_sentence(words: str, said: str) -> None:
    result = run(*words.split())
    assert result.exit_code == 2
    assert said in " ".join(result.stderr.split())
    assert len(result.stderr) < 500


def test_a_day_some_seasons_off_is_taken() -> None:
    for day in (date(1999, 6, 1), date(date.today().year + 2, 12, 31)):
        assert day_of(str(day), "--day") == day


def test_where_nothing_is_a_photo_there_is_no_record_and_no_survey(tmp_path: Path) -> None:
    notes, survey = tmp_path / "README.md", tmp_path / "x.survey"
    notes.write_text("# Notes")
    for words in (["stage", notes], ["batch", notes, "--survey", survey]):
        result = run(*words)
        assert (result.exit_code, result.stdout) == (2, "")
        assert "README.md is text, not a photo: give a JPEG" in result.stderr
    assert not survey.exists()


@pytest.mark.parametrize("stop", ["-2", "three", "0", "1.5"])
def test_a_stop_on_a_card_is_a_whole_number(tmp_path: Path, stop: str) -> None:
    out = tmp_path / "card.pdf"
    result = run("card", "--out", out, "--field", "North", "--stop", stop)
    assert result.exit_code == 2
    assert f"'{stop}' isn't a whole number from 1 up: write it like 3." in " ".join(
        re.sub(r"[│╭╰─╮╯]", " ", result.stderr).split()
    )
    assert not out.exists()
    assert run("card", "--out", out, "--stop", "2").exit_code == 0  # of any field


def test_a_check_bar_far_from_its_length_is_asked_about(tmp_path: Path) -> None:
    """200 typed for a bar of 100 mm would double every height without a word."""
    said = " ".join(run("stage", tmp_path / "x.jpg", "--check-bar", "200").stderr.split())
    assert said.startswith(
        "Sure? A check bar of 200 mm means that the card came out at 200 % of its size: every "
        "length is told as 2 times what it would be by a true print."
    )
    for usual in ("95", "97.5", "105"):
        assert "Sure?" not in run("stage", tmp_path / "x.jpg", "--check-bar", usual).stderr


@pytest.mark.parametrize("command", ["plan --area 40ac", "walk flight", "plan --above flight"])
def test_a_precision_of_a_crowd_is_refused(command: str) -> None:
    asked = run(*command.split(), "--precision", "0.001")
    assert asked.exit_code == 2
    assert "asks for 960,365 plants, and nobody walks for so many" in " ".join(asked.output.split())
