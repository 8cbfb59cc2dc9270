"""Whole file: there with all of its text, or as it was before."""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest
from command import run
from stand_in import DrawnPlant

from collarvision import wholefile, writing
from collarvision.survey import SurveyError, SurveyReader, SurveyWriter
from collarvision.wholefile import (
    GEOJSON,
    HTML,
    JSON_LINES,
    TEXT,
    Kind,
    TargetError,
    check_target,
    write_whole,
)
from collarvision.writing import OutputError, RecordWriter


def test_it_is_written_over_and_leaves_nothing_beside(tmp_path: Path) -> None:
    path = tmp_path / "plan.txt"
    write_whole(path, "one\n")
    write_whole(path, "zwölf\n")
    assert path.read_bytes() == "zwölf\n".encode()
    assert [p.name for p in tmp_path.iterdir()] == ["plan.txt"]


def test_a_failure_keeps_what_was_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "plan.txt"
    write_whole(path, "one\n")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(wholefile.os, "replace", full)
    with pytest.raises(OutputError, match=r"No space left on device.*free some space"):
        write_whole(path, "two\n")
    assert path.read_text() == "one\n"
    assert [p.name for p in tmp_path.iterdir()] == ["plan.txt"]


def test_room_is_asked_for_only_where_it_is_short(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def forbidden(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    said = f"{tmp_path / 'x.txt'} can't be written (Permission denied): choose another place."
    monkeypatch.setattr(writing, "open", forbidden, raising=False)
    for form in ("jsonl", "table"):
        with pytest.raises(OutputError) as found:
            RecordWriter(form, tmp_path / "x.txt")
        assert str(found.value) == said  # nor of lines, before there is one
    monkeypatch.setattr(Path, "write_text", forbidden)
    with pytest.raises(OutputError) as found:
        write_whole(tmp_path / "x.txt", "x")
    assert str(found.value) == said


def test_a_byte_that_is_no_text_is_written_as_a_question_mark(tmp_path: Path) -> None:
    path = tmp_path / "x.txt"
    write_whole(path, "a\udcff.jpg\n")
    assert path.read_bytes() == b"a?.jpg\n"
    assert [p.name for p in tmp_path.iterdir()] == ["x.txt"]


def test_an_interrupt_leaves_nothing_beside(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stopped(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(wholefile.os, "replace", stopped)
    with pytest.raises(KeyboardInterrupt):
        write_whole(tmp_path / "x.txt", "one\n")
    assert list(tmp_path.iterdir()) == []


def test_a_device_is_written_straight_into() -> None:
    write_whole(Path("/dev/null"), "gone")
    assert Path("/dev/null").exists()


def test_places_that_are_none(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="is a folder"):
        write_whole(tmp_path, "x")
    with pytest.raises(OutputError, match="make it first"):
        write_whole(tmp_path / "none" / "x", "x")


def test_an_input_is_never_written_over_whatever_it_is_called(tmp_path: Path) -> None:
    given = tmp_path / "given.html"
    given.write_text("mine")
    other = tmp_path / "other.html"
    os.link(given, other)
    (tmp_path / "link.html").symlink_to(given)
    for name in ("given.html", "other.html", "link.html", "../" + tmp_path.name + "/given.html"):
        with pytest.raises(TargetError, match="is your file: choose another name"):
            check_target("--out", tmp_path / name, HTML, [("your file", given)])
    # Nor one that isn't there yet: two outputs of one command.
    with pytest.raises(TargetError, match="is the map"):
        check_target("--out", tmp_path / "x.html", HTML, [("the map", tmp_path / "." / "x.html")])
    check_target("--out", tmp_path / "new.html", HTML, [("your file", given), ("none", None)])


def test_a_database_is_never_written_over_though_its_name_fits(tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    with sqlite3.connect(path) as store:
        store.execute("CREATE TABLE counts (who)")
    store.close()
    with pytest.raises(TargetError, match="a survey or another database"):
        check_target("--report", path, HTML)
    path.write_text("SQLite is only spoken of here")
    check_target("--report", path, HTML)


def test_outlines_are_not_written_over_and_points_of_ours_are(tmp_path: Path) -> None:
    square = {"type": "Polygon", "coordinates": [[[0, 0], [1, 0], [1, 1], [0, 0]]]}
    path = tmp_path / "f.geojson"
    for content in (square, {"type": "FeatureCollection", "features": [{"geometry": square}]}):
        path.write_text(json.dumps(content))
        with pytest.raises(TargetError, match="outlines of fields"):
            check_target("--to", path, None)
    zone = {"geometry": square, "properties": {"zone": "A"}}
    path.write_text(json.dumps({"features": [zone, {"geometry": None}]}))
    check_target("--to", path, None)
    path.write_text('{"features": [{"geometry": {"type": "Point"}}, 3]}')
    check_target("--to", path, None)
    path.write_text("[" * 10)
    check_target("--to", path, None)


@pytest.mark.parametrize(
    ("name", "kind", "said"),
    [
        ("out.pdf", HTML, "should end in .html or .htm"),
        ("out", HTML, "should end in .html"),
        ("out.csv", TEXT, "should end in .txt or .md"),
        ("out.html", GEOJSON, "should end in .geojson or .json"),
        ("out.csv", JSON_LINES, r"is JSON, a line a record\.$"),
    ],
)
def test_an_ending_that_says_another_kind(tmp_path: Path, name: str, kind: Kind, said: str) -> None:
    with pytest.raises(TargetError, match=said):
        check_target("--out", tmp_path / name, kind)


@pytest.mark.skipif(os.name == "nt", reason="needs POSIX")
@pytest.mark.parametrize("name", ["x" * 300, "short"])
def test_a_name_or_a_place_that_no_file_can_have_is_told_by_the_writer(
    stand_in: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    drawn_plant: DrawnPlant,
    save_jpeg: Callable[..., Path],
    name: str,
) -> None:
    photo = save_jpeg(drawn_plant.rgb)
    survey = tmp_path / "s.survey"
    SurveyWriter(survey, create=True).close()
    if name == "short":
        (tmp_path / "gone").mkdir()
        monkeypatch.chdir(tmp_path / "gone")
        (tmp_path / "gone").rmdir()
    said = "No such file" if name == "short" else "File name too long"
    for words in (
        ["export", survey, "--to", f"{name}.csv"],
        ["stage", photo, "--out", f"{name}.txt"],
        ["stage", photo, "--format", "jsonl", "--out", f"{name}.jsonl"],
        ["plan", "--area", "40ac", "--out", f"{name}.txt"],
    ):
        result = run(*words)
        assert result.exit_code == 3, words
        assert f"can't be written ({said}" in result.stderr
    assert run("card", "--out", f"{name}.pdf").exit_code == 3
    with pytest.raises(SurveyError):
        SurveyWriter(Path(f"{name}.survey"), create=True)
    with pytest.raises(SurveyError, match="There is no survey"):
        SurveyReader(Path(f"{name}.survey"))


def test_endings_that_fit_and_things_that_need_none(tmp_path: Path) -> None:
    for path, kind in (
        (tmp_path / "out.HTML", HTML),
        (tmp_path / "plan", TEXT),
        (Path("/dev/null"), HTML),
        (tmp_path, HTML),
    ):
        check_target("--out", path, kind)
