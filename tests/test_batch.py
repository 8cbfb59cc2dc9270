"""Batch: where photos come from, where they belong, and each content once, without processes."""

from __future__ import annotations

import json
import os
import shutil
import unicodedata
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from command import run
from hypothesis import assume, given
from hypothesis import strategies as st
from PIL import Image
from stand_in import BOARD, DrawnPlant
from surveys import check_sound

from collarvision.batch import BatchResult, Job, run_batch
from collarvision.batch.boundaries import BoundaryError, field_at, read_boundaries
from collarvision.batch.filing import Filing
from collarvision.batch.folders import Folders, place_from_folders, place_from_source
from collarvision.batch.pool import Poisoned
from collarvision.batch.sources import find_photos
from collarvision.batch.summary import format_summary
from collarvision.batch.worker import Done, Options, Task, model_hash, stage_file
from collarvision.survey import ModelFacts, Place, SurveyReader, SurveyWriter

# ------------------------------------------------------------------ folder names


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        ([], Folders()),
        (["North quarter"], Folders("North quarter")),
        (["North", "2027-05-20", "stop 3"], Folders("North", "2027-05-20", "3")),
        (["2027-05-20", "North", "Stop_12"], Folders("North", "2027-05-20", "12")),
        (["North 2027-05-20"], Folders("North", "2027-05-20")),
        (["20270520_North"], Folders("North", "2027-05-20")),
        (["2027.05.20"], Folders(None, "2027-05-20")),
        (["North", "stop3 - gate"], Folders("North", None, "3 - gate")),
        (["North", "evening", "stop A"], Folders("North", None, "A")),
        (["DCIM", "100ABCDE", "South"], Folders("South")),
        (["Stopping hill"], Folders("Stopping hill")),
        (["Stop"], Folders("Stop")),
        (["2027-13-40"], Folders("2027-13-40")),
        (["Lot 120270520"], Folders("Lot 120270520")),
        (["North", "2027-05-20", "2027-06-01"], Folders("North", "2027-06-01")),
    ],
)
def test_folder_names_say_field_visit_and_stop(names: list[str], expected: Folders) -> None:
    assert place_from_folders(names) == expected


NAMES = st.text(
    st.characters(codec="utf-8", exclude_characters="/\x00", exclude_categories=["Cs"]),
    min_size=1,
    max_size=20,
)


@given(st.lists(NAMES, max_size=5))
def test_no_folder_name_breaks_the_rule(names: list[str]) -> None:
    said = place_from_folders(names)
    assert said == place_from_folders([unicodedata.normalize("NFD", name) for name in names])
    assert said.field != ""
    assert said.stop != ""


@given(
    field=st.from_regex(r"[A-RT-Z][a-z]{2,9}( [a-z]{1,5})?", fullmatch=True),
    day=st.dates(),
    stop=st.integers(1, 99),
    together=st.booleans(),
)
def test_what_is_written_into_folder_names_is_read_from_them(
    field: str, day: Any, stop: int, together: bool
) -> None:
    date = day.isoformat()
    names = [f"{date} {field}"] if together else [field, date]
    assert place_from_folders([*names, f"stop {stop}"]) == Folders(field, date, str(stop))


def test_the_source_s_own_name_is_the_last_resort(tmp_path: Path) -> None:
    for name in ("photos", "Downloads", "DCIM"):
        assert place_from_source(tmp_path / name).field is None
    assert place_from_source(tmp_path / "North 2027-05-20") == Folders("North", "2027-05-20")


SQUARE = [[0.0, 0.0], [2.0, 0.0], [2.0, 2.0], [0.0, 2.0], [0.0, 0.0]]
HOLE = [[0.5, 0.5], [1.5, 0.5], [1.5, 1.5], [0.5, 1.5], [0.5, 0.5]]


def geojson(path: Path, *features: dict[str, Any]) -> Path:
    path.write_text(json.dumps({"type": "FeatureCollection", "features": list(features)}))
    return path


def polygon(name: str | None, *rings: list[list[float]]) -> dict[str, Any]:
    return {
        "type": "Feature",
        "properties": {"Name": name} if name else {},
        "geometry": {"type": "Polygon", "coordinates": list(rings)},
    }


def test_each_part_of_a_place_comes_from_the_first_that_knows(tmp_path: Path) -> None:
    boundaries = read_boundaries(geojson(tmp_path / "f.geojson", polygon("Mapped", SQUARE)))
    filing = Filing(boundaries, "Named")
    everything: dict[str, Any] = {
        "folders": Folders("Folder", "2027-05-20", "7"),
        "source": Folders("Source"),
        "gps": (1.0, 1.0),
        "taken_at": "2027-05-21T10:00:00",
        "code_field": "Coded",
        "code_stop": "3",
    }
    assert filing.place(**everything) == Place("Coded", "2027-05-20", "3", "code")
    del everything["code_field"]
    assert filing.place(**everything) == Place("Folder", "2027-05-20", "3", "folder")
    everything["folders"] = Folders()
    assert filing.place(**everything) == Place("Mapped", "2027-05-21", "3", "gps")
    everything["gps"] = (5.0, 5.0)
    assert filing.place(**everything) == Place("Named", "2027-05-21", "3", "option")
    assert Filing().place(**everything) == Place("Source", "2027-05-21", "3", "source")
    assert Filing().place(Folders()) == Place()


# ------------------------------------------------------------------ boundaries


def test_a_hole_is_outside_and_longitude_comes_first(tmp_path: Path) -> None:
    """Positions and holes as in RFC 7946, sections 3.1.1 and 3.1.6."""
    far = [[x + 10, y + 50] for x, y in SQUARE]
    two = {
        "type": "Feature",
        "properties": {"field": "Two parts"},
        "geometry": {"type": "MultiPolygon", "coordinates": [[far], [HOLE]]},
    }
    path = geojson(tmp_path / "f.geojson", polygon("Ring", SQUARE, HOLE), two)
    boundaries = read_boundaries(path)
    assert field_at(boundaries, 0.2, 0.3) == "Ring"
    assert field_at(boundaries, 1.0, 1.0) == "Two parts"
    assert field_at(boundaries, 51.0, 11.0) == "Two parts"
    assert field_at(boundaries, 11.0, 51.0) is None
    assert field_at(boundaries, 3.0, 1.0) is None


@given(
    corners=st.lists(
        st.tuples(st.floats(-50, 50, width=32), st.floats(-50, 50, width=32)),
        min_size=3,
        max_size=12,
    ),
    point=st.tuples(st.floats(-60, 60, width=32), st.floats(-60, 60, width=32)),
)
def test_inside_agrees_with_opencv(
    tmp_path_factory: pytest.TempPathFactory,
    corners: list[tuple[float, float]],
    point: tuple[float, float],
) -> None:
    """The convex hull of the corners, against `cv2.pointPolygonTest`."""
    import cv2

    hull = cv2.convexHull(np.array(corners, np.float32))
    assume(hull is not None and len(hull) >= 3)
    distance = cv2.pointPolygonTest(hull, point, measureDist=True)
    assume(abs(distance) > 1e-3)
    path = tmp_path_factory.getbasetemp() / "hull.geojson"
    ring = [[float(x), float(y)] for ((x, y),) in [*hull, hull[0]]]
    boundaries = read_boundaries(geojson(path, polygon("Hull", ring)))
    assert (field_at(boundaries, point[1], point[0]) == "Hull") == (distance > 0)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("{", "not GeoJSON"),
        ("[]", "FeatureCollection"),
        ('{"type": "FeatureCollection", "features": []}', "no field"),
        ('{"type": "Feature", "properties": {"name": "A"}, "geometry": null}', "not a polygon"),
        (json.dumps(polygon(None, SQUARE)), "no name"),
        (json.dumps(polygon("A", SQUARE[:2])), "broken outline"),
        (json.dumps(polygon("A", [[4e5, 5e6], [4e5, 6e6], [5e5, 6e6], [4e5, 5e6]])), "WGS 84"),
    ],
)
def test_boundaries_that_make_no_sense(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "f.geojson"
    path.write_text(text)
    with pytest.raises(BoundaryError, match=words):
        read_boundaries(path)
    result = run("batch", tmp_path, "--survey", tmp_path / "s.survey", "--fields", path)
    assert result.exit_code == 2
    assert words in result.stderr


# ------------------------------------------------------------------ sources


def test_sources_are_folders_patterns_lists_and_photos(tmp_path: Path) -> None:
    for name in ("North/2027-05-20/a.jpg", "North/b.jpg", "South/c.JPG", "notes.md"):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")
    (tmp_path / "list.txt").write_text("# two\nNorth/b.jpg\n\nSouth/c.JPG\n", encoding="utf-8")

    def found(*words: Path) -> list[tuple[str, tuple[str, ...]]]:
        return [(photo.path.name, photo.folders) for photo in find_photos(words)]

    everything = [("a.jpg", ("North", "2027-05-20")), ("b.jpg", ("North",)), ("c.JPG", ("South",))]
    assert found(tmp_path) == everything
    assert found(tmp_path / "list.txt") == everything[1:]
    assert found(tmp_path / "*" / "*.*") == everything[1:]
    assert found(tmp_path / "North" / "b.jpg") == [("b.jpg", ())]
    assert found(tmp_path / "North", tmp_path) == [
        ("a.jpg", ("2027-05-20",)),
        ("b.jpg", ()),
        ("c.JPG", ("South",)),
    ]
    (trouble,) = find_photos([tmp_path / "no.txt"])
    assert "can't be read" in str(trouble.trouble)


@pytest.mark.skipif(os.name == "nt", reason="needs symbolic links")
def test_a_loop_of_links_has_an_end(tmp_path: Path) -> None:
    (tmp_path / "North").mkdir()
    (tmp_path / "North" / "a.jpg").write_bytes(b"x")
    (tmp_path / "North" / "back").symlink_to(tmp_path, target_is_directory=True)
    (tmp_path / "again.jpg").symlink_to(tmp_path / "North" / "a.jpg")
    assert len(find_photos([tmp_path])) == 1


# ------------------------------------------------------------------ staging


class InThisProcess:
    """An engine of one process: the staging alone is under test."""

    def __init__(self, stage: Callable[[Task, Options], Done | Poisoned] = stage_file) -> None:
        self.stage = stage
        self.options = Options()
        self.tasks = 0

    def run(
        self, tasks: Iterator[Task | None], stopping: Callable[[], bool]
    ) -> Iterator[Done | Poisoned]:
        for task in tasks:
            if task is not None:
                self.tasks += 1
                yield self.stage(task, self.options)
            if stopping():
                return


@pytest.fixture
def photos(stand_in: Path, drawn_plant: DrawnPlant, tmp_path: Path) -> Path:
    """Two fields: a plant that can be staged, and small pictures of a bare board."""
    root = tmp_path / "photos"
    (root / "North" / "2027-05-20" / "stop 1").mkdir(parents=True)
    (root / "Süd").mkdir()
    Image.fromarray(drawn_plant.rgb).save(root / "North/2027-05-20/stop 1/plant.jpg", quality=95)
    for number in range(3):
        save_board(root / "Süd" / f"{number}.png", number)
    return root


def save_board(path: Path, number: int) -> None:
    """A small bare board, a little different for every number."""
    rgb = np.full((96, 72, 3), BOARD, np.uint8)
    rgb[number // 72 % 96, number % 72] = 0
    Image.fromarray(rgb).save(path)


def stage(root: Path, engine: Any = None, **more: Any) -> BatchResult:
    options = {name: more.pop(name) for name in ("stopping", "tell") if name in more}
    model = more.pop("model", None) or ModelFacts(model_hash(), None, "guesses")
    with SurveyWriter(root.parent / "s.survey") as survey:
        job = Job(find_photos([root]), model, **more)
        result = run_batch(job, survey, engine or InThisProcess(), **options)
    check_sound(root.parent / "s.survey")
    return result


def rows(root: Path) -> dict[str, Any]:
    with SurveyReader(root.parent / "s.survey") as survey:
        return {row.photo: row for row in survey.plants()}


def test_a_folder_becomes_a_survey(photos: Path) -> None:
    result = stage(photos)
    assert sum(result.steps.values()) == 4
    assert result.steps["rejected"] == 3
    got = rows(photos)
    plant = got["plant.jpg"]
    assert (plant.field, plant.date, plant.stop) == ("North", "2027-05-20", "1")
    assert plant.stage == 3  # as drawn
    assert plant.path == str(photos / "North/2027-05-20/stop 1/plant.jpg")
    assert {got[f"{k}.png"].field for k in range(3)} == {"Süd"}


def test_running_again_reads_nothing(photos: Path) -> None:
    stage(photos)
    again = InThisProcess()
    result = stage(photos, again)
    assert again.tasks == 0
    assert result.steps == {"known": 4}
    assert len(rows(photos)) == 4


def test_another_model_reads_again_and_the_first_reading_stays(photos: Path) -> None:
    stage(photos)
    stage(photos, model=ModelFacts("b" * 64, "other", "guesses"))
    with SurveyReader(photos.parent / "s.survey") as survey:
        for row in survey.plants():
            assert len(list(survey.history(row.sha256))) == 2


def test_restage_adds_a_reading_and_files_anew(photos: Path) -> None:
    stage(photos)
    (photos / "Süd").rename(photos / "West")
    (photos / "West" / "copy.png").write_bytes((photos / "West" / "0.png").read_bytes())
    assert stage(photos).steps == {"known": 5}
    assert rows(photos)["0.png"].field == "Süd"
    result = stage(photos, restage=True)
    assert result.steps["copy"] == 1
    assert rows(photos)["0.png"].field == "West"
    with SurveyReader(photos.parent / "s.survey") as survey:
        assert {len(list(survey.history(row.sha256))) for row in survey.plants()} == {2}


def test_copies_under_other_names_count_once(photos: Path) -> None:
    long_name = "é" * 100 + ".png"
    for name in ("copy.png", long_name, "zz.png"):
        shutil.copy(photos / "Süd" / "0.png", photos / "Süd" / name)
    result = stage(photos)
    assert (result.steps["copy"], result.steps["rejected"]) == (3, 3)
    got = rows(photos)
    assert len(got) == 4
    with SurveyReader(photos.parent / "s.survey") as survey:
        assert len(list(survey.files_of(got["0.png"].sha256))) == 4


def test_corrupt_photos_are_rejected_once(photos: Path) -> None:
    data = (photos / "North/2027-05-20/stop 1/plant.jpg").read_bytes()
    (photos / "cut.jpg").write_bytes(data[: len(data) // 3])
    (photos / "empty.jpg").touch()
    (photos / "text.jpg").write_text("not a photo")
    stage(photos)
    got = rows(photos)
    for name in ("cut.jpg", "empty.jpg", "text.jpg"):
        assert got[name].outcome == "rejected"
        assert got[name].record["reasons"]
        assert got[name].record["sha256"] == got[name].sha256
    assert stage(photos).steps == {"known": 7}


def test_a_photo_deleted_meanwhile_is_told_and_found_again_later(photos: Path) -> None:
    kept = (photos / "Süd" / "1.png").read_bytes()

    def lose(task: Task, options: Options) -> Done:
        if task.path.endswith("1.png"):
            os.unlink(task.path)
        return stage_file(task, options)

    result = stage(photos, InThisProcess(lose))
    ((path, why),) = result.unread
    assert path.endswith("1.png")
    assert "There is no file" in why
    assert len(rows(photos)) == 3
    (photos / "Süd" / "1.png").write_bytes(kept)
    assert stage(photos).steps == {"known": 3, "rejected": 1}


def test_a_photo_still_being_written_is_filed_under_what_was_read(photos: Path) -> None:
    def change(task: Task, options: Options) -> Done:
        if task.path.endswith("1.png"):
            save_board(Path(task.path), 77)
        return stage_file(task, options)

    stage(photos, InThisProcess(change))
    assert stage(photos).steps == {"known": 4}
    assert len(rows(photos)) == 4


def test_a_file_changed_under_its_old_name_is_another_photo(photos: Path) -> None:
    path = photos / "Süd" / "1.png"
    stage(photos)
    old = path.stat()
    save_board(path, 50)
    if path.stat().st_size == old.st_size:
        os.utime(path, ns=(old.st_mtime_ns + 1, old.st_mtime_ns + 1))
    assert stage(photos).steps == {"known": 3, "rejected": 1}
    with SurveyReader(photos.parent / "s.survey") as survey:
        assert survey.photo_count() == 5


def test_a_poisoned_photo_is_set_aside_with_a_reason(photos: Path) -> None:
    def die(task: Task, options: Options) -> Done | Poisoned:
        if task.path.endswith("2.png"):
            return Poisoned(task, "by SIGSEGV")
        return stage_file(task, options)

    result = stage(photos, InThisProcess(die))
    assert [Path(path).name for path in result.quarantined] == ["2.png"]
    row = rows(photos)["2.png"]
    assert row.outcome == "rejected"
    assert "ended the program twice" in row.record["reasons"][0]
    assert "SIGSEGV" in row.record["fault"]
    assert stage(photos).steps == {"known": 4}


def test_unfiled_photos_are_filed_by_a_later_run(photos: Path) -> None:
    loose = photos.parent / "Downloads"
    (photos / "Süd").rename(loose)
    result = stage(loose)
    assert result.unfiled == 3
    assert {row.field for row in rows(loose).values()} == {None}
    engine = InThisProcess()
    assert stage(loose, engine, filing=Filing(field="South")).unfiled == 0
    assert engine.tasks == 0
    assert {row.field for row in rows(loose).values()} == {"South"}


def test_gps_finds_the_field(photos: Path, drawn_plant: DrawnPlant, tmp_path: Path) -> None:
    loose = tmp_path / "Downloads"
    loose.mkdir()
    exif = Image.Exif()
    exif.get_ifd(0x8825).update({1: "N", 2: (1.0, 0.0, 0.0), 3: "E", 4: (1.0, 30.0, 0.0)})
    exif.get_ifd(0x8769)[0x9003] = "2027:05:22 08:00:00"
    Image.fromarray(drawn_plant.rgb).save(loose / "p.jpg", quality=95, exif=exif)
    boundaries = read_boundaries(geojson(tmp_path / "f.geojson", polygon("Mapped", SQUARE)))
    stage(loose)
    assert rows(loose)["p.jpg"].field is None
    stage(loose, filing=Filing(boundaries))  # from what the survey noted: nothing is read
    row = rows(loose)["p.jpg"]
    assert (row.field, row.date) == ("Mapped", "2027-05-22")
    assert row.gps == pytest.approx((1.0, 1.5))


def test_the_code_on_the_card_tells_field_and_stop(photos: Path) -> None:
    def coded(task: Task, options: Options) -> Done:
        return replace(stage_file(task, options), code_field="Coded", code_stop="9")

    stage(photos, InThisProcess(coded))
    assert {(row.field, row.stop) for row in rows(photos).values()} == {("Coded", "9")}


def test_stopping_keeps_what_was_read_and_the_next_run_goes_on(photos: Path) -> None:
    seen: list[str] = []
    result = stage(photos, stopping=lambda: len(seen) >= 2, tell=seen.append)
    assert result.stopped
    assert len(rows(photos)) == 2
    assert not stage(photos).stopped
    assert len(rows(photos)) == 4


def test_the_summary_says_what_to_count_and_why(photos: Path) -> None:
    def doubt(task: Task, options: Options) -> Done:
        done = stage_file(task, options)
        said = replace(done.reading, outcome="hand-count", reasons=("Could be V3 or V4.",))
        return replace(done, reading=said)

    result = stage(photos, InThisProcess(doubt))
    with SurveyReader(photos.parent / "s.survey") as survey:
        text = format_summary(result, survey.waiting(), "s.survey", width=72)
    assert "Read 4 photos: 4 hand count." in text
    assert "North, 2027-05-20: 1" in text
    assert "stop 1, plant.jpg" in text
    assert "Could be V3 or V4. (3)" in text
    assert "the label is the law" in " ".join(text.split())
    assert max(map(len, text.splitlines())) <= 72
