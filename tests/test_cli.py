"""Command line: words in, records and files out, and an exit status that is kept."""

from __future__ import annotations

import itertools
import json
import os
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from command import records, run
from PIL import Image
from stand_in import DrawnPlant

import collarvision
from collarvision.photo import Photo
from collarvision.photofile import PhotoError
from collarvision.record import Record, read_records

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture
def photo(stand_in: Path, drawn_plant: DrawnPlant, save_jpeg: Callable[..., Path]) -> Path:
    return save_jpeg(drawn_plant.rgb, "IMG_1.jpg")


def test_a_photo_becomes_a_row_of_the_table(photo: Path) -> None:
    result = run("stage", photo)
    assert result.exit_code == 0
    assert re.search(r"IMG_1\.jpg +V3\?? ", result.stdout)
    assert "1 photo:" in result.stdout
    assert "the label is the law" in " ".join(result.stdout.split())


def test_jsonl_gives_a_record_a_line_in_the_order_given(photo: Path, tmp_path: Path) -> None:
    got = records(tmp_path / "gone.jpg", photo)
    assert [r.photo for r in got] == ["gone.jpg", "IMG_1.jpg"]
    assert [r.outcome == "rejected" for r in got] == [True, False]


def test_json_is_one_document(photo: Path) -> None:
    result = run("stage", photo, "--format", "json")
    (record,) = json.loads(result.stdout)
    assert Record.model_validate(record).stage == 3


def test_out_holds_what_would_have_been_printed(photo: Path, tmp_path: Path) -> None:
    for form, ending in (("json", "json"), ("jsonl", "jsonl"), ("table", "txt")):
        out = tmp_path / f"r.{ending}"
        result = run("stage", photo, "--format", form, "--out", out)
        assert result.exit_code == 0
        assert result.stdout == ""
        assert "Wrote 1 record" in result.stderr
        assert out.read_text(encoding="utf-8") == run("stage", photo, "--format", form).stdout
    assert not list(tmp_path.glob("*.part"))
    assert not list(tmp_path.glob(".*.part"))


def test_records_read_back_from_the_file(photo: Path, tmp_path: Path) -> None:
    run("stage", photo, "--format", "jsonl", "--out", tmp_path / "r.jsonl")
    (record,) = read_records(tmp_path / "r.jsonl")
    assert record.model == "stand-in"
    assert record.version == collarvision.__version__


def test_overlays_get_a_name_each(photo: Path, tmp_path: Path, drawn_plant: DrawnPlant) -> None:
    twin = tmp_path / "stop 2" / "IMG_1.jpg"
    twin.parent.mkdir()
    Image.fromarray(drawn_plant.rgb[:, ::-1]).save(twin)
    result = run("stage", photo, twin, "--overlay", tmp_path / "marked" / "today")
    assert result.exit_code == 0
    made = sorted(path.name for path in (tmp_path / "marked" / "today").iterdir())
    assert made == ["IMG_1-2.overlay.jpg", "IMG_1.overlay.jpg"]


def test_overlays_of_photos_with_the_longest_names_are_written_too(
    photo: Path, tmp_path: Path
) -> None:
    stems = ["圃場" * 41 + "東", "圃場" * 41 + "西", "a" * 251, "短い名"]
    names = [photo.with_name(f"{stem}.jpg") for stem in stems]
    for name in names:
        shutil.copy(photo, name)
    result = run("stage", *names, "--overlay", tmp_path / "marked")
    assert result.exit_code == 0
    made = sorted(
        path.name.removesuffix(".overlay.jpg") for path in (tmp_path / "marked").iterdir()
    )
    expected = ["圃場" * 39 + "圃", "圃場" * 39 + "-2", "a" * 238, "短い名"]
    assert made == sorted(expected)


def test_a_photo_whose_damage_shows_only_for_its_overlay_keeps_its_record(
    photo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def damaged(self: object) -> None:
        raise PhotoError("The JPEG file is damaged: copy it from the camera again.")

    monkeypatch.setattr(Photo, "rgb", property(damaged))
    result = run("stage", photo, "--overlay", tmp_path / "marked", "--format", "jsonl")
    assert result.exit_code == 3
    assert "No overlay of IMG_1.jpg: The JPEG file is damaged" in result.stderr
    assert '"outcome":' in result.stdout


def test_the_check_bar_and_the_rule_reach_the_height(photo: Path) -> None:
    (true,) = records(photo)
    (small,) = records(photo, "--check-bar", "95")
    (other,) = records(photo, "--check-bar", "95", "--height-rule", "tip-down")
    assert true.height_mm is not None
    assert small.height_mm is not None
    # A card printed at 95 % makes every length 95 % of what it looks like.
    assert small.height_mm / true.height_mm == pytest.approx(0.95, rel=0.01)
    assert (true.height_rule, other.height_rule) == ("half-out", "tip-down")


def test_units_of_the_table(photo: Path) -> None:
    assert re.search(r"\d cm ", run("stage", photo, "--units", "cm").stdout)
    assert re.search(r"\d mm ", run("stage", photo, "--units", "mm").stdout)


@pytest.mark.parametrize(
    "words",
    [
        ["stage"],
        ["stage", "x.jpg", "--format", "xml"],
        ["stage", "x.jpg", "--check-bar", "1000"],
        ["stage", "x.jpg", "--check-bar", "ten"],
        ["stage", "x.jpg", "--height-rule", "tallest"],
        ["stage", "x.jpg", "--no-such-option"],
        ["no-such-command"],
    ],
)
def test_words_not_understood_end_in_status_2_and_a_hint(words: list[str]) -> None:
    result = run(*words)
    assert result.exit_code == 2
    assert "Usage:" in result.stderr


def test_a_typo_in_every_source_is_status_2_and_an_unreadable_photo_is_not(
    photo: Path, tmp_path: Path
) -> None:
    (tmp_path / "empty").mkdir()
    (tmp_path / "empty" / "plant.cr2").write_bytes(b"x")
    out = tmp_path / "r.json"
    for word, said in (
        ("nowhere", "There is no file"),
        ("empty", "holds no photo"),
        ("*.png", "No file matches"),
    ):
        result = run("stage", tmp_path / word, "--format", "json", "--out", out)
        assert result.exit_code == 2
        assert said in result.stderr
        assert ("1 other file passed over (.cr2)" in result.stderr) == (word == "empty")
        assert not out.exists()
    photo.with_name("broken.jpg").write_bytes(b"x")
    assert run("stage", tmp_path / "broken.jpg").exit_code == 0
    assert run("stage", tmp_path / "nowhere", photo).exit_code == 0


def test_out_may_not_be_one_of_the_photos(photo: Path) -> None:
    before = photo.read_bytes()
    result = run("stage", photo, "--format", "json", "--out", photo)
    assert result.exit_code == 2
    assert "one of the photos" in result.stderr
    assert photo.read_bytes() == before


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("stage x.jpg --units feet", "'feet' isn't known here: use in, cm or mm."),
        ("card --out c.pdf --page A5", "'A5' isn't known here: use a4 or letter."),
        ("plan --area 40ac --headland wide", "isn't a length: write it like 10 (metres) or 30ft"),
        ("plan --area 40ac --headland=-3ft", "is no distance from an edge"),
        ("stage x.jpg --check-bar 20", "'20' is 20 mm, and the card's check bar is 100 mm"),
        ("batch x --survey s --check-bar 3.9", "in mm, such as 97.5"),
        ("above x.jpg --check-bar ten", "isn't a length: write it like 97.5 (mm)"),
        ("plan --area 40ac --precision 15%", "isn't a number: write it like 0.15."),
        ("plan --area 40ac --seed=-1", "isn't a whole number from 0 up: write it like 3."),
        ("handcount s --port 99999", "isn't a whole number from 0 to 65535"),
    ],
)
def test_what_an_option_cannot_take_is_a_sentence_of_our_own(words: str, said: str) -> None:
    result = run(*words.split())
    assert result.exit_code == 2
    assert said in " ".join(result.stderr.split())
    for foreign in ("Value error", "Input should be", "unable to parse"):
        assert foreign not in result.stderr


def test_options_are_taken_in_any_case_and_with_units(photo: Path, tmp_path: Path) -> None:
    assert run("card", "--out", tmp_path / "a.pdf", "--page", "A4").exit_code == 0
    assert re.search(r"\d cm ", run("stage", photo, "--units", "CM").stdout)
    assert re.search(r"\d in ", run("stage", photo, "--units", "inches").stdout)
    (true,) = records(photo, "--check-bar", "95")
    (same,) = records(photo, "--check-bar", "9.5cm")
    assert same.height_mm == true.height_mm
    assert run("plan", "--area", "40ac", "--headland", "30ft", "--units", "AC").exit_code == 0


def test_an_output_is_no_survey_and_ends_as_what_it_is(photo: Path, tmp_path: Path) -> None:
    survey = tmp_path / "season.survey"
    with sqlite3.connect(survey) as store:
        store.execute("CREATE TABLE counts (who)")
    store.close()
    before = survey.read_bytes()
    for words in (["stage", photo], ["card"], ["splitstalk"]):
        result = run(*words, "--out", survey)
        assert (result.exit_code, len(result.stderr.splitlines())) == (2, 1)
        assert "a survey" in result.stderr
        assert survey.read_bytes() == before
    for words, said in (
        (["stage", photo, "--out", tmp_path / "r.csv"], "should end in .txt"),
        (["stage", photo, "--format", "json", "--out", tmp_path / "r.csv"], "end in .json"),
        (["card", "--out", tmp_path / "card.png"], "should end in .pdf"),
        (["splitstalk", "--out", tmp_path / "stalk.pdf"], "should end in .html"),
    ):
        result = run(*words)
        assert result.exit_code == 2
        assert said in result.stderr
    assert sorted(path.name for path in tmp_path.iterdir()) == ["IMG_1.jpg", "season.survey"]


def test_a_missing_network_is_status_4_and_leaves_no_file(
    photo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLLARVISION_MODEL", str(tmp_path / "none.onnx"))
    result = run("stage", photo, "--format", "json", "--out", tmp_path / "r.json")
    assert result.exit_code == 4
    assert "none.onnx" in result.stderr
    assert sorted(path.name for path in tmp_path.iterdir()) == ["IMG_1.jpg"]


def test_a_fault_of_the_program_is_told_and_the_others_are_unharmed(
    photo: Path, save_jpeg: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    from collarvision import reading

    good = reading.assemble

    def assemble(parts: Any, *rest: Any) -> Any:
        if next(faults):
            raise ZeroDivisionError("by purpose")
        return good(parts, *rest)

    faults = itertools.chain([True], itertools.repeat(False))
    monkeypatch.setattr(reading, "assemble", assemble)
    second = save_jpeg(np.asarray(Image.open(photo)), "IMG_2.jpg")
    first_record, second_record = records(photo, second)
    assert first_record.outcome == "rejected"
    assert first_record.fault is not None
    assert "ZeroDivisionError: by purpose" in first_record.fault
    assert second_record.stage == 3


def test_version_and_help() -> None:
    assert run("--version").stdout.strip() == f"collarvision {collarvision.__version__}"
    listed = run("--help").stdout.partition("Commands")[2]
    assert "stage" in listed
    assert "..." not in listed  # each command is described in a line that isn't cut
    text = run("stage", "--help").stdout
    assert "Exit status" in text
    for option in ("--format", "--overlay", "--out", "--height-rule", "--check-bar", "--units"):
        assert option in text


@pytest.mark.parametrize("command", ["stage", "batch", "above", "walk", "field"])
def test_exit_statuses_fit_a_terminal(command: str) -> None:
    said = run(command, "--help").stdout.partition("Exit status:")[2]
    assert "the command" in said
    assert max(map(len, said.splitlines())) <= 80


def test_the_card_is_written(tmp_path: Path) -> None:
    for page in ("a4", "letter"):
        out = tmp_path / f"{page}.pdf"
        result = run("card", "--out", out, "--page", page, "--field", "Field 1", "--stop", "3")
        assert result.exit_code == 0
        assert out.read_bytes().startswith(b"%PDF-")
        assert "100 %" in result.stderr
        told = "with --check-bar to stage, batch, above and handcount."
        assert told in " ".join(result.stderr.split())


def test_a_card_that_cannot_be_written_is_status_3(tmp_path: Path) -> None:
    for out in (tmp_path / "missing" / "card.pdf", tmp_path):
        result = run("card", "--out", out)
        assert result.exit_code == 3
        assert str(out.parent) in result.stderr


def test_a_field_name_too_long_for_the_card_is_status_2(tmp_path: Path) -> None:
    result = run("card", "--out", tmp_path / "card.pdf", "--field", "x" * 300)
    assert result.exit_code == 2
    assert "shorten" in result.stderr
    assert not list(tmp_path.iterdir())


# ------------------------------------------------------------------ in a process of its own


def start(*words: object, env: dict[str, str], **options: Any) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "collarvision", *map(str, words)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env={**os.environ, **env},
        # A shell's background job hands on an ignored Ctrl-C; a person's terminal doesn't.
        preexec_fn=None
        if os.name == "nt"
        else partial(signal.signal, signal.SIGINT, signal.SIG_DFL),
        **options,
    )


@pytest.fixture
def many_photos(stand_in: Path, drawn_plant: DrawnPlant, tmp_path: Path) -> Path:
    """A folder of 120 photos, more than one can read before Ctrl-C arrives."""
    folder = tmp_path / "many"
    folder.mkdir()
    Image.fromarray(drawn_plant.rgb).save(folder / "0.jpg", quality=95)
    for number in range(1, 120):
        (folder / f"{number}.jpg").write_bytes((folder / "0.jpg").read_bytes())
    return folder


@pytest.mark.skipif(os.name == "nt", reason="needs POSIX signals")
def test_ctrl_c_keeps_what_was_read(many_photos: Path, stand_in: Path, tmp_path: Path) -> None:
    out = tmp_path / "r.jsonl"
    process = start(
        "stage", many_photos, "--format", "jsonl", "--out", out, env={}, start_new_session=True
    )
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline and (not out.exists() or out.stat().st_size == 0):
        time.sleep(0.02)
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=60)
    kept = list(read_records(out))
    assert process.returncode == 130, said
    assert 1 <= len(kept) < 120
    assert f"Stopped: {len(kept)} of 120 photos" in said
    assert "Traceback" not in said


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
@pytest.mark.parametrize("form", ["jsonl", "table"])
def test_a_full_disk_is_one_sentence_and_status_3(photo: Path, stand_in: Path, form: str) -> None:
    process = start("stage", photo, "--format", form, "--out", "/dev/full", env={})
    _, said = process.communicate(timeout=60)
    assert process.returncode == 3
    assert "/dev/full can't be written (No space left on device)" in said
    assert "Traceback" not in said


@pytest.mark.skipif(os.name == "nt", reason="needs POSIX pipes")
def test_a_reader_that_closes_early_meets_no_traceback(many_photos: Path, stand_in: Path) -> None:
    process = start("stage", many_photos, "--format", "jsonl", env={})
    assert process.stdout is not None
    process.stdout.readline()
    process.stdout.close()
    assert process.stderr is not None
    said = process.stderr.read()
    process.wait(timeout=60)
    assert "Traceback" not in said
    assert "Exception" not in said
