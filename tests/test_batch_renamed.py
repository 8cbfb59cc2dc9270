"""Renamed folders: of which photos a batch says that they are filed otherwise, and of which not."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import fsspec
import pytest
from PIL import Image
from test_batch import InThisProcess, save_board, square_field, stage, summary
from test_batch_again import boards

from collarvision.batch import BatchResult, Job, run_batch
from collarvision.batch.filing import Filing
from collarvision.batch.result import FiledOtherwise
from collarvision.batch.sources import find_photos
from collarvision.batch.worker import model_hash
from collarvision.outlines import read_outlines
from collarvision.survey import HandCount, ModelFacts, Place, SurveyReader, SurveyWriter

DAY = "2026-11-28"


def stage_from(
    survey: Path,
    source: Path | str,
    restage: bool = False,
    filing: Filing | None = None,
    model: ModelFacts | None = None,
) -> BatchResult:
    """A batch of some level of the tree into a survey."""
    model = model or ModelFacts(model_hash(), None, "guesses")
    with SurveyWriter(survey, create=True) as store:
        job = Job(find_photos([source]), model, filing or Filing(), restage)
        return run_batch(job, store, InThisProcess())


def told(result: BatchResult) -> list[tuple[int, str | None, str, str | None]]:
    return [(one.photos, one.was.field, one.tells, one.now.field) for one in result.filed_otherwise]


def said(root: Path, result: BatchResult) -> str:
    return " ".join(summary(root, result).split())


def fields(survey: Path) -> set[tuple[str | None, str | None]]:
    with SurveyReader(survey) as store:
        return {(row.field, row.date) for row in store.plants()}


@pytest.fixture
def season(stand_in: Path, tmp_path: Path) -> Path:
    """A season of one field whose photos lie in a block's folder, in no folder of a day."""
    block = tmp_path / "t" / "season" / "North" / "block3"
    block.mkdir(parents=True)
    save_board(block / "a.png", 1)
    return tmp_path / "t" / "season"


# ------------------------------------------------------------------ renamed


def test_photos_whose_folder_was_renamed_stay_and_are_told(stand_in: Path, tmp_path: Path) -> None:
    root = tmp_path / "photos"
    boards(root, 3, DAY)
    assert stage(root).filed_otherwise == ()
    assert stage(root).filed_otherwise == ()
    (root / "North").rename(root / "South")
    (root / "South" / DAY).rename(root / "South" / "2026-11-27")
    result = stage(root)
    assert result.steps == {"known": 3}
    words = "3 photos are filed under North, 2026-11-28; their folder now says South, 2026-11-27."
    assert words in said(root, result)
    assert fields(tmp_path / "s.survey") == {("North", DAY)}
    # Another network reads them anew and leaves them where they are, too, in every run.
    newer = ModelFacts("b" * 64, None, "guesses")
    for _ in range(2):
        assert stage(root, model=newer).filed_otherwise == result.filed_otherwise
    # --restage does what it is said to do.
    assert stage(root, restage=True).filed_otherwise == ()
    assert fields(tmp_path / "s.survey") == {("South", "2026-11-27")}
    assert stage(root).filed_otherwise == ()


def test_a_renamed_source_and_another_day_alone_are_told(season: Path, tmp_path: Path) -> None:
    survey, north = tmp_path / "s.survey", season / "North"
    (north / "block3" / "a.png").rename(north / "a.png")
    (north / "block3").rmdir()
    stage_from(survey, north)
    assert fields(survey) == {("North", None)}
    day = north / "2026-11-20"
    day.mkdir()
    (north / "a.png").rename(day / "a.png")
    ((one),) = stage_from(survey, north).filed_otherwise
    assert (one.was, one.now) == (Place("North"), Place("North", "2026-11-20"))
    assert stage_from(survey, north, restage=True).filed_otherwise == ()
    north.rename(season / "Nord")
    assert told(stage_from(survey, season / "Nord")) == [(1, "North", "folder", "Nord")]


def test_two_copies_in_one_renamed_folder_are_told_in_every_run(
    stand_in: Path, tmp_path: Path
) -> None:
    root = tmp_path / "photos"
    (first,) = boards(root, 1)
    first.with_name("copy.png").write_bytes(first.read_bytes())
    stage(root)
    (root / "North").rename(root / "Nord")
    for _ in range(3):
        result = stage(root)
        assert told(result) == [(1, "North", "folder", "Nord")]
    assert "1 photo is filed under North, 2027-05-20; its folder now says Nord," in said(
        root, result
    )


def test_a_copy_in_another_folder_is_no_renamed_one(stand_in: Path, tmp_path: Path) -> None:
    root = tmp_path / "photos"
    (first,) = boards(root, 1)
    stage(root)
    copy = root / "South" / "2027-05-20" / "copy.png"
    copy.parent.mkdir(parents=True)
    copy.write_bytes(first.read_bytes())
    for _ in range(2):
        assert stage(root).filed_otherwise == ()
    first.unlink()
    (one,) = stage(root).filed_otherwise
    assert one == FiledOtherwise(
        1, Place("North", "2027-05-20"), "folder", Place("South", "2027-05-20")
    )


def test_a_renamed_folder_of_a_store_is_told(stand_in: Path, tmp_path: Path) -> None:
    survey = tmp_path / "s.survey"
    save_board(tmp_path / "a.png", 1)
    memory = fsspec.filesystem("memory")
    memory.pipe("/farm/season/North/a.png", (tmp_path / "a.png").read_bytes())
    try:
        for source in ("memory://farm/season", "memory://farm/season/North"):
            assert stage_from(survey, source).filed_otherwise == ()
        # A copy is none as long as the first one is there; whoever moves leaves it nowhere.
        memory.copy("/farm/season/North/a.png", "/farm/season/Nord/a.png")
        assert stage_from(survey, "memory://farm/season").filed_otherwise == ()
        memory.rm("/farm/season/North/a.png")
        for _ in range(2):
            result = stage_from(survey, "memory://farm/season")
            assert told(result) == [(1, "North", "folder", "Nord")]
    finally:
        memory.store.clear()
        memory.pseudo_dirs[:] = [""]


@pytest.fixture
def twice(stand_in: Path, tmp_path: Path) -> Path:
    """A season within a folder that has its field's name: the farm is called like the field."""
    day = tmp_path / "North" / "season" / "North" / DAY
    day.mkdir(parents=True)
    save_board(day / "a.png", 1)
    return tmp_path / "North" / "season"


@pytest.mark.parametrize("level", ["", "North", "North/2026-11-28"])
def test_a_renamed_folder_within_another_of_the_field_s_name_is_told(
    twice: Path, tmp_path: Path, level: str
) -> None:
    survey = tmp_path / "s.survey"
    (twice / "North" / DAY / "copy.png").write_bytes((twice / "North" / DAY / "a.png").read_bytes())
    filing = Filing(field="North") if level.endswith(DAY) else None
    for _ in range(2):
        assert stage_from(survey, twice / level, filing=filing).filed_otherwise == ()
    (twice / "North").rename(twice / "South")
    newer = ModelFacts("b" * 64, None, "guesses")
    for source in (twice, twice / "South"):
        # Filed by --field, nobody knows that a folder told it.
        expected = [] if filing else [(1, "North", "folder", "South")]
        for model in (None, newer):  # another network takes over where it lay
            assert told(stage_from(survey, source, model=model)) == expected
    # From further up a folder of the field's name tells it still.
    for source in (tmp_path, tmp_path / "North", tmp_path / "North" / "s*n"):
        assert stage_from(survey, source).filed_otherwise == ()
    assert told(stage_from(survey, twice, restage=True)) == []
    assert fields(survey) == {("South", DAY)}


def test_a_renamed_folder_within_another_of_the_field_s_name_in_a_store_is_told(
    stand_in: Path, tmp_path: Path
) -> None:
    survey = tmp_path / "s.survey"
    save_board(tmp_path / "a.png", 1)
    memory = fsspec.filesystem("memory")
    memory.pipe("/farm/North/season/2026-11-28/North/a.png", (tmp_path / "a.png").read_bytes())
    try:
        assert stage_from(survey, "memory://farm/North/season").filed_otherwise == ()
        memory.copy(
            "/farm/North/season/2026-11-28/North/a.png", "/farm/North/season/2026-11-28/South/a.png"
        )
        assert stage_from(survey, "memory://farm/North/season").filed_otherwise == ()
        memory.rm("/farm/North/season/2026-11-28/North/a.png")
        assert told(stage_from(survey, "memory://farm/North/season")) == [
            (1, "North", "folder", "South")
        ]
        assert stage_from(survey, "memory://farm").filed_otherwise == ()
    finally:
        memory.store.clear()
        memory.pseudo_dirs[:] = [""]


# ------------------------------------------------------------------ not renamed


def test_a_folder_of_the_field_s_name_further_up_told_it_and_tells_it_still(
    twice: Path, tmp_path: Path
) -> None:
    survey = tmp_path / "s.survey"
    stage_from(survey, tmp_path)  # the outer folder tells the field
    assert fields(survey) == {("North", DAY)}
    (twice / "North").rename(twice / "block")
    for source in (tmp_path, twice.parent, twice, twice / "block"):
        assert stage_from(survey, source).filed_otherwise == ()


def test_a_tree_with_two_folders_of_one_name_lies_elsewhere_or_deeper(
    twice: Path, tmp_path: Path
) -> None:
    survey = tmp_path / "s.survey"
    (twice / "North" / DAY).rename(twice / "North" / "block")
    stage_from(survey, twice)
    kept = twice / "kept"
    kept.mkdir()
    (twice / "North").rename(kept / "North")  # deeper in what held it
    for source in (tmp_path, twice, kept, kept / "North", kept / "North" / "block"):
        assert stage_from(survey, source).filed_otherwise == ()
    (tmp_path / "North").rename(tmp_path / "moved")  # and all of it elsewhere
    moved = tmp_path / "moved" / "season" / "kept"
    for source in (moved.parent, moved, moved / "North", moved / "North" / "block"):
        assert stage_from(survey, source).filed_otherwise == ()
    (moved / "North").rename(tmp_path / "North")  # and further up than it ever lay
    for source in (tmp_path, tmp_path / "North", tmp_path / "North" / "block"):
        assert stage_from(survey, source).filed_otherwise == ()


def test_links_and_lists_that_lead_another_way_note_no_folder(twice: Path, tmp_path: Path) -> None:
    survey = tmp_path / "s.survey"
    (tmp_path / "photos.txt").write_text("x/../North/season/North/2026-11-28/a.png\n")
    (tmp_path / "x").mkdir()
    stage_from(survey, tmp_path / "photos.txt", filing=Filing(field="North"))
    link = tmp_path / "South"
    link.symlink_to(tmp_path / "North" / "season" / "North")
    for source in (link, link / DAY, twice):
        assert stage_from(survey, source).filed_otherwise == ()


@pytest.mark.parametrize("level", ["season/North/block3", "season/North", "", "season/*/*/a.png"])
def test_another_level_of_the_same_tree_says_nothing(
    season: Path, tmp_path: Path, level: str
) -> None:
    survey = tmp_path / "s.survey"
    stage_from(survey, season)
    assert fields(survey) == {("North", None)}
    for _ in range(2):
        assert stage_from(survey, season.parent / level).filed_otherwise == ()


def test_one_file_says_nothing_and_nor_does_the_tree_once_it_lies_elsewhere(
    season: Path, tmp_path: Path
) -> None:
    survey = tmp_path / "s.survey"
    stage_from(survey, season)
    assert stage_from(survey, season / "North" / "block3" / "a.png").filed_otherwise == ()
    moved = season.with_name("kept")
    season.rename(moved)  # another name, or another disk, above all that says something
    for source in (moved / "North" / "block3", moved.parent, moved):
        assert stage_from(survey, source).filed_otherwise == ()


def test_folders_say_nothing_new_of_what_an_option_or_a_boundary_filed(
    season: Path, tmp_path: Path
) -> None:
    survey = tmp_path / "s.survey"
    block = season / "North" / "block3"
    stage_from(survey, block, filing=Filing(field="Mapped"))
    for source in (block, season, block / "a.png"):
        assert stage_from(survey, source).filed_otherwise == ()
    # --restage would file it under the folder, whatever --field says.
    assert stage_from(survey, season, filing=Filing(field="South")).filed_otherwise == ()
    result = stage_from(survey, block, filing=Filing(field="South"))
    assert told(result) == [(1, "Mapped", "option", "South")]


def test_a_day_s_folder_is_not_told_where_restaging_would_lose_the_field(
    season: Path, tmp_path: Path
) -> None:
    survey, block = tmp_path / "s.survey", season / "North" / "block3"
    stage_from(survey, block, filing=Filing(field="Mapped"))
    (block / DAY).mkdir()
    (block / "a.png").rename(block / DAY / "a.png")
    assert stage_from(survey, block).filed_otherwise == ()
    (one,) = stage_from(survey, block, filing=Filing(field="Mapped")).filed_otherwise
    assert (one.was, one.tells, one.now) == (Place("Mapped"), "folder", Place("Mapped", DAY))


@pytest.mark.parametrize("by", ["page", "code"])
def test_a_folder_is_weaker_than_the_page_and_the_card_s_code(
    stand_in: Path, tmp_path: Path, by: Any
) -> None:
    survey = tmp_path / "season.survey"
    folder = tmp_path / "season.survey-photos" / DAY
    folder.mkdir(parents=True)
    save_board(folder / "a.png", 1)
    stage_from(survey, folder.parent, filing=Filing(field="North"))
    connection = sqlite3.connect(survey)
    connection.execute("UPDATE photos SET filed_by = ?", (by,))
    connection.commit()
    connection.close()
    for source in (folder.parent, folder, folder.parent.parent, folder / "a.png"):
        assert stage_from(survey, source).filed_otherwise == ()
    folder.parent.rename(tmp_path / "pictures of South")
    for source in (tmp_path / "pictures of South", tmp_path):
        assert stage_from(survey, source).filed_otherwise == ()


def as_before(survey: Path, change: Callable[[str], str]) -> None:
    """Make of a survey one of an earlier version: with the path as the user wrote it, alone."""
    connection = sqlite3.connect(survey)
    connection.execute("DROP TRIGGER records_stay")
    (record,) = connection.execute("SELECT json_remove(record, '$.filed_from') FROM records")
    connection.execute("UPDATE records SET record = ?", (change(record[0]),))
    connection.commit()
    connection.close()


def test_surveys_of_earlier_versions_know_the_path_that_was_read(
    season: Path, tmp_path: Path
) -> None:
    survey = tmp_path / "s.survey"
    block = season / "North" / "block3"
    stage_from(survey, block, filing=Filing(field="Mapped"))
    as_before(survey, lambda record: record.replace(f"{tmp_path}/", ""))  # run in that folder
    assert stage_from(survey, season).filed_otherwise == ()
    (season / "North").rename(season / "Nord")
    for _ in range(2):
        assert told(stage_from(survey, season)) == [(1, "Mapped", "folder", "Nord")]


# ------------------------------------------------------------------ what is said


def test_another_field_by_option_is_told_and_what_tells_less_is_not(
    stand_in: Path, tmp_path: Path
) -> None:
    root = tmp_path / "phone"
    root.mkdir()
    save_board(root / "a.png", 1)
    stage(root, filing=Filing(field="North"))
    # A run without --field, and one that spells it otherwise, say nothing new.
    for filing in (Filing(), Filing(field="north ")):
        assert stage(root, filing=filing).filed_otherwise == ()
    words = said(root, stage(root, filing=Filing(field="South")))
    assert "1 photo is filed under North, no date; --field now says South, no date. If" in words
    assert "with --restage: it reads all of SOURCE again and files it anew." in words


def test_another_boundary_is_told(stand_in: Path, tmp_path: Path) -> None:
    root = tmp_path / "phone"
    root.mkdir()
    exif = Image.Exif()
    exif.get_ifd(0x8825).update({1: "N", 2: (1.0, 0.0, 0.0), 3: "E", 4: (1.0, 30.0, 0.0)})
    for number in range(2):
        Image.new("RGB", (72, 96), (170, 170, 90 * number)).save(root / f"{number}.jpg", exif=exif)
    stage(root, filing=Filing(field="North"))
    mapped = Filing(tuple(read_outlines(square_field(tmp_path / "fields.geojson"))), "North")
    words = said(root, stage(root, filing=mapped))
    assert "2 photos are filed under North, no date; their GPS now says Mapped, no date." in words
    (root / "1.jpg").unlink()
    words = said(root, stage(root, filing=mapped))
    assert "1 photo is filed under North, no date; its GPS now says Mapped, no date." in words


@pytest.mark.parametrize(
    ("count", "words"),
    [
        (1, "1 plant counted at a stop stays under North, 2026-11-28: give the folder its old "
            "name again, or count it anew."),
        (3, "3 plants counted at stops stay under North, 2026-11-28: give the folder its old "
            "name again, or count them anew."),
    ],
)  # fmt: skip
def test_plants_counted_at_stops_that_would_stay_behind_are_told(
    stand_in: Path, tmp_path: Path, count: int, words: str
) -> None:
    root, survey = tmp_path / "photos", tmp_path / "s.survey"
    boards(root, 2, DAY)
    stage(root)
    with SurveyWriter(survey) as store:
        for number in range(count):
            at = f"{DAY}T10:0{number}:00+00:00"
            store.add_stop_count(Place("North", DAY, "1"), HandCount("Ann", at, 5))
        # Those of another day, and of another field, are no part of it.
        for place in (Place("North", "2026-11-01", "1"), Place("East", DAY, "1")):
            store.add_stop_count(place, HandCount("Ann", f"{DAY}T11:00:00+00:00", 5))
    (root / "North").rename(root / "Nord")
    result = stage(root)
    assert [one.at_stops for one in result.filed_otherwise] == [count]
    assert words in said(root, result)


@pytest.mark.parametrize("photos", [1, 2])
def test_plants_counted_at_stops_that_a_restaging_leaves_behind_are_told(
    stand_in: Path, tmp_path: Path, photos: int
) -> None:
    root, survey = tmp_path / "photos", tmp_path / "s.survey"
    boards(root, photos, DAY)
    stage(root)
    with SurveyWriter(survey) as store:
        at = f"{DAY}T10:00:00+00:00"
        store.add_stop_count(Place("North", DAY, "1"), HandCount("Ann", at, 8))
    assert stage(root, restage=True).refiled == ()  # nothing was moved
    (root / "North").rename(root / "Nord")
    result = stage(root, restage=True)
    assert [(one.photos, one.at_stops) for one in result.refiled] == [(photos, 1)]
    who = {1: "1 photo is", 2: "2 photos are"}[photos]
    assert (
        f"{who} filed under Nord, {DAY} now, no longer under North, {DAY}. 1 plant counted at a "
        f"stop stays under North, {DAY}: give the folder its old name again, or count it anew."
    ) in said(root, result)
    # What --field files has no folder to rename.
    result = stage_from(survey, root / "Nord" / DAY, True, Filing(field="East"))
    assert result.refiled == ()  # nobody counted at stops of Nord
    with SurveyWriter(survey) as store:
        store.add_stop_count(Place("East", DAY, "1"), HandCount("Ann", at, 8))
    result = stage_from(survey, root / "Nord" / DAY, True, Filing(field="West"))
    assert f"1 plant counted at a stop stays under East, {DAY}: count it anew." in said(
        root, result
    )
