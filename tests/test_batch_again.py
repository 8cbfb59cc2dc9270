"""Staging again: what a batch makes of photos that the survey has, in one way or another."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from command import run
from PIL import Image
from stand_in import DrawnPlant
from surveys import MODEL, NORTH, reading, sha
from test_batch import InThisProcess, rows, save_board, stage, summary

from collarvision.batch import BatchResult
from collarvision.batch.filing import Filing
from collarvision.batch.folders import place_from_folders
from collarvision.batch.plantnames import plant_folder
from collarvision.batch.pool import Poisoned
from collarvision.batch.restaging import RestageNote
from collarvision.batch.worker import Done, Options, Task, stage_file
from collarvision.handles import handles_of_record
from collarvision.photofile import PhotoError
from collarvision.plantphotos import waiting_plants, whole_plants
from collarvision.survey import HandCount, ModelFacts, SurveyReader, SurveyWriter


@pytest.fixture
def drawn(stand_in: Path, drawn_plant: DrawnPlant, tmp_path: Path) -> bytes:
    path = tmp_path / "drawn.jpg"
    Image.fromarray(drawn_plant.rgb).save(path, quality=95)
    return path.read_bytes()


def put(path: Path, data: bytes, note: str = "") -> Path:
    """Write a JPEG with a remark in it: other bytes, the same pixels."""
    path.parent.mkdir(parents=True, exist_ok=True)
    said = note.encode()
    remark = b"\xff\xfe" + (len(said) + 2).to_bytes(2, "big") + said
    path.write_bytes(data[:2] + remark + data[2:])
    return path


def side(data: bytes, number: int) -> bytes:
    """Another photo of the plant: what it shows is the same, some pixels at its corner aren't."""
    with Image.open(io.BytesIO(data)) as photo:
        rgb = np.array(photo)
    rgb[:8, : 8 * number] = 0
    out = io.BytesIO()
    Image.fromarray(rgb).save(out, "JPEG", quality=95)
    return out.getvalue()


def boards(root: Path, count: int, day: str = "2027-05-20") -> list[Path]:
    folder = root / "North" / day
    folder.mkdir(parents=True)
    paths = [folder / f"{number}.png" for number in range(count)]
    for number, path in enumerate(paths):
        save_board(path, number)
    return paths


def plants_of(root: Path) -> dict[str, list[tuple[str, ...]]]:
    """Plants by their names: the photos of each, as the folders that they lie in."""
    found: dict[str, list[tuple[str, ...]]] = {}
    with SurveyReader(root.parent / "s.survey") as store:
        for row in store.plants():
            parts = Path(row.path or "").relative_to(root).parts
            found.setdefault(str(row.plant), []).append(parts)
    return found


# ------------------------------------------------------------------ plants of folders


def test_two_scouts_number_their_plants_alike(drawn: bytes, tmp_path: Path) -> None:
    root = tmp_path / "photos"
    for who in ("ann", "bob"):
        for number in (1, 2):
            put(root / who / "2027-05-20" / "plant 1" / f"{number}.jpg", drawn, f"{who}{number}")
    for who in ("ann", "bob"):  # as one command names both, or two commands in turn
        with SurveyWriter(tmp_path / "s.survey", create=True):
            pass
        stage_into(tmp_path, root / who, Filing(field="North"))
    assert sorted(len(photos) for photos in plants_of(root).values()) == [2, 2]
    assert {len({way[0] for way in ways}) for ways in plants_of(root).values()} == {1}
    # A third photo of the second folder joins its own, also when all is read and filed again.
    put(root / "bob" / "2027-05-20" / "plant 1" / "3.jpg", drawn, "bob3")
    for restage in (False, True):
        stage_into(tmp_path, root / "bob", Filing(field="North"), restage=restage)
        assert sorted(len(photos) for photos in plants_of(root).values()) == [2, 3]


def stage_into(at: Path, source: Path, filing: Filing, restage: bool = False) -> BatchResult:
    from collarvision.batch import Job, run_batch
    from collarvision.batch.sources import find_photos
    from collarvision.batch.worker import model_hash

    model = ModelFacts(model_hash(), None, "guesses")
    with SurveyWriter(at / "s.survey", create=True) as store:
        return run_batch(Job(find_photos([source]), model, filing, restage), store, InThisProcess())


def test_a_photo_that_was_moved_out_of_its_plant_s_folder_is_a_plant_of_its_own(
    drawn: bytes, tmp_path: Path
) -> None:
    root = tmp_path / "photos"
    day = root / "North" / "2027-05-20"
    one, two = (put(day / "plant 1" / f"{k}.jpg", side(drawn, k)) for k in (1, 2))
    stage(root)
    two.rename(day / two.name)
    stage(root)
    assert sorted(plants_of(root)) == ["1"]  # it stays until it is read again
    stage(root, restage=True)
    assert plants_of(root) == {
        "1": [one.relative_to(root).parts],
        "None": [("North", "2027-05-20", "2.jpg")],
    }


def test_a_field_spelt_otherwise_keeps_its_plants_apart(drawn: bytes, tmp_path: Path) -> None:
    root = tmp_path / "photos"
    for field in ("North", "north"):
        put(root / field / "2027-05-20" / "plant 1" / "a.jpg", drawn, field)
        stage_into(tmp_path, root, Filing())
    assert len(plants_of(root)) == 2


def test_undated_plants_of_two_folders_are_two(drawn: bytes, tmp_path: Path) -> None:
    root = tmp_path / "photos"
    for visit in ("v1", "v2"):
        put(root / visit / "North" / "plant 1" / "a.jpg", drawn, visit)
        stage_into(tmp_path, root / visit, Filing())
    assert sorted(len(photos) for photos in plants_of(root).values()) == [1, 1]


def test_a_folder_never_takes_the_name_of_a_plant_that_was_put_together(
    drawn: bytes, tmp_path: Path
) -> None:
    root = tmp_path / "photos"
    for number in (1, 2):
        put(root / "North" / "2027-05-20" / f"{number}.jpg", side(drawn, number))
    stage(root)
    with SurveyWriter(tmp_path / "s.survey") as store:
        assert store.say_one_plant([row.sha256 for row in store.plants()]) == "1"
    put(root / "North" / "2027-05-20" / "plant 1" / "9.jpg", drawn, "nine")
    stage(root)
    assert sorted(len(photos) for photos in plants_of(root).values()) == [1, 2]


def test_the_folder_of_a_plant_is_found_on_disks_and_in_stores(tmp_path: Path) -> None:
    assert plant_folder(f"{tmp_path}/plant 2/DCIM/a.jpg") == f"{tmp_path}/plant 2/"
    assert plant_folder("s3://bucket/North/Plant_2/a.jpg") == "s3://bucket/North/Plant_2/"
    assert plant_folder("s3://bucket/a.jpg") is None
    assert place_from_folders(["North", "plant 2"]).plant == "2"


# ------------------------------------------------------------------ the same picture


def test_a_note_written_into_a_file_makes_no_second_plant(drawn: bytes, tmp_path: Path) -> None:
    root = tmp_path / "photos"
    photo = put(root / "North" / "2027-05-20" / "a.jpg", drawn)
    stage(root)
    put(photo, drawn, "geotagged")
    result = stage(root)
    assert (result.same_pictures, result.replaced) == (1, ())
    assert "held a picture that the survey had" in " ".join(summary(root, result).split())
    with SurveyReader(tmp_path / "s.survey") as store:
        (plant,) = whole_plants(store.plants())
        alone = store.plant(plant.sha256)
    assert alone is not None
    # One picture, one evidence: no surer than it was alone.
    assert plant.confidence == pytest.approx(alone.confidence, abs=1e-4)
    assert len(plant.others) == 1
    # A copy of it elsewhere is the same plant too.
    put(root / "North" / "sorted" / "a.jpg", drawn, "rated")
    assert stage(root).same_pictures == 1
    with SurveyReader(tmp_path / "s.survey") as store:
        assert len(list(whole_plants(store.plants()))) == 1


def test_surveys_of_earlier_versions_know_the_picture_by_its_points(
    drawn: bytes, tmp_path: Path
) -> None:
    root = tmp_path / "photos"
    photo = put(root / "North" / "2027-05-20" / "a.jpg", drawn)

    def as_before(task: Task, options: Options) -> Done:
        return replace(stage_file(task, options), pixels_sha256=None, options=None)

    stage(root, InThisProcess(as_before))
    put(photo, drawn, "geotagged")
    assert stage(root).same_pictures == 1


def test_every_command_for_changed_photos_is_told_and_can_be_pasted(tmp_path: Path) -> None:
    from collections import Counter

    from collarvision.batch.summary import format_summary

    changed = tuple((f"{k}.jpg", f"{k:08x}" * 8, f"{k + 99:08x}" * 8) for k in range(10))
    result = BatchResult(Counter(), (), (), 0, 0, False, 1.0, replaced=changed)
    said = format_summary(result, [], "my farm.survey", width=200)
    assert said.count("collarvision together 'my farm.survey' ") == 10


# ------------------------------------------------------------------ options, faults, restaging


def test_known_photos_that_were_read_with_something_else_are_told(
    drawn: bytes, tmp_path: Path
) -> None:
    root = tmp_path / "photos"
    put(root / "North" / "2027-05-20" / "a.jpg", drawn)
    stage(root)
    assert stage(root, options=Options()).read_otherwise == ()
    asked = Options("tip-down", 90.0, read_codes=True)
    result = stage(root, options=asked)
    assert result.steps == {"known": 1}
    said = " ".join(summary(root, result).split())
    assert "1 photo was read with a check bar of 100 mm: --restage to read it with 90 mm." in said
    assert "1 photo was read with the height rule half-out: --restage to read it with" in said
    assert "no look for the card's code" in said
    engine = InThisProcess()
    engine.options = asked
    stage(root, engine, options=asked, restage=True)
    assert stage(root, options=asked).read_otherwise == ()


def test_a_fault_of_the_program_is_tried_again_in_the_next_run(
    tmp_path: Path, stand_in: Path
) -> None:
    root = tmp_path / "photos"
    boards(root, 2)

    def short_of_memory(task: Task, options: Options) -> Done | Poisoned:
        if task.path.endswith("1.png"):
            return Poisoned(task, "by SIGKILL")
        done = stage_file(task, options)
        return replace(done, reading=replace(done.reading, fault="MemoryError"))

    stage(root, InThisProcess(short_of_memory))
    engine = InThisProcess()
    result = stage(root, engine)
    assert (engine.tasks, result.tried_again) == (2, 2)
    assert "2 photos that the program had failed on" in summary(root, result)
    assert all(row.record["fault"] is None for row in rows(root).values())
    assert stage(root).steps == {"known": 2}


def test_too_little_memory_is_no_damaged_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from collarvision.otherformats import load_with_pillow

    save_board(tmp_path / "a.png", 1)

    def full(*_: object) -> None:
        raise MemoryError

    monkeypatch.setattr("collarvision.otherformats._rgb_from_pillow", full)
    with pytest.raises(MemoryError):
        load_with_pillow((tmp_path / "a.png").read_bytes(), 120.0)
    with pytest.raises(PhotoError):
        load_with_pillow((tmp_path / "a.png").read_bytes()[:60], 120.0)


def test_a_restaging_that_was_stopped_goes_on(stand_in: Path, tmp_path: Path) -> None:
    root = tmp_path / "photos"
    first, *_ = boards(root, 4)
    stage(root)
    note = RestageNote(tmp_path / "s.survey")
    assert note.begin(["season"]) is None
    seen: list[str] = []
    stage(
        root,
        restage=True,
        stopping=lambda: len(seen) >= 2,
        tell=lambda step, name: seen.append(step),
    )
    assert len(seen) == 2
    since = note.begin(["season"])
    assert since is not None
    # What was moved meanwhile is filed anew all the same.
    first.rename(root / "North" / "moved.png")
    engine = InThisProcess()
    result = stage(root, engine, restage=True, since_ns=since)
    assert (engine.tasks, result.read_since) == (3, 1)
    assert note.begin(["another"]) is None
    note.end()
    assert not note.path.exists()


def test_the_command_notes_its_restaging_and_ends_it(stand_in: Path, tmp_path: Path) -> None:
    root, survey = tmp_path / "photos", tmp_path / "s.survey"
    boards(root, 1)
    words = ("batch", root, "--survey", survey, "--workers", "1", "--restage")
    RestageNote(survey).begin(["of another command"])
    assert run(*words).exit_code == 0
    assert not RestageNote(survey).path.exists()


# ------------------------------------------------------------------ visits, names, counts


def test_a_visit_whose_photos_were_all_filed_elsewhere_is_none(
    stand_in: Path, tmp_path: Path
) -> None:
    root = tmp_path / "photos"
    boards(root, 2, "2027-06-20")
    stage(root)
    (root / "North" / "2027-06-20").rename(root / "North" / "2027-05-20")
    stage(root, restage=True)
    with SurveyReader(tmp_path / "s.survey") as store:
        assert [visit.date for visit in store.visits()] == ["2027-05-20"]
        assert [one.visits for one in store.fields()] == [1]


def test_a_new_field_is_told_and_a_slip_of_the_keys_asked_about(
    stand_in: Path, tmp_path: Path
) -> None:
    survey = tmp_path / "s.survey"
    with SurveyWriter(survey, create=True) as store:
        store.add_field("North quarter")
        store.add_field("Lot 12")
    for name, asked in (("Nroth quarter", True), ("Lot 13", False)):
        folder = tmp_path / "Downloads" / name.replace(" ", "")
        folder.mkdir(parents=True)
        save_board(folder / "a.png", len(name))
        words = ("batch", folder / "a.png", "--survey", survey, "--workers", "1")
        said = " ".join(run(*words, "--field", name).stderr.split())
        assert f"New in this survey: {name}." in said
        assert ("did you mean 'North quarter'?" in said) is asked


def test_a_first_batch_lists_its_fields_and_asks_about_a_misspelt_folder(
    stand_in: Path, tmp_path: Path
) -> None:
    for number, name in enumerate(("North quarter", "North qarter", "Lot 12", "Lot 13")):
        folder = tmp_path / "season" / name
        folder.mkdir(parents=True)
        save_board(folder / "a.png", number)
    survey = tmp_path / "s.survey"
    said = run("batch", tmp_path / "season", "--survey", survey, "--workers", "1").stderr
    said = " ".join(said.split())
    assert "New in this survey: Lot 12, Lot 13, North qarter, North quarter." in said
    assert "North qarter and North quarter: is that one field?" in said
    assert said.count("is that one field") == 1


def test_count_and_height_of_a_plant_come_from_whichever_photo(tmp_path: Path) -> None:
    place = replace(NORTH, plant="2")
    with SurveyWriter(tmp_path / "s.survey", create=True) as store:
        for number in (1, 2):
            said = reading(f"{number}.jpg", outcome="hand-count", reasons=("Unsure.",))
            store.add_reading(said, sha256=sha(number), model=MODEL, place=place)
        store.add_hand_count(sha(1), HandCount("Ann", "2025-05-20T10:00", 5, height_mm=300))
        store.add_hand_count(sha(2), HandCount("Bo", "2025-05-20T11:00", height_mm=355))
        (plant,) = whole_plants(store.plants())
        assert plant.hand_count == HandCount("Ann", "2025-05-20T10:00", 5, height_mm=355)
        # A count on a photo that holds no such plant is none.
        store.set_aside(sha(1), "Bo", "not-corn")
        (plant,) = whole_plants(store.plants())
        assert plant.hand_count is not None
        assert (plant.hand_count.stage, plant.hand_count.height_mm) == (None, 355)
        assert [one.plant for one in waiting_plants(store)] == ["2"]


@pytest.fixture
def marked(drawn: bytes, tmp_path: Path) -> Path:
    """A photo on which Ann has moved a collar."""
    root = tmp_path / "photos"
    put(root / "North" / "2026-05-20" / "a.jpg", drawn)
    stage(root)
    with SurveyWriter(tmp_path / "s.survey") as store:
        (row,) = store.plants()
        handles = [
            replace(one, x=one.x + 9) if one.part == "collar" and one.x is not None else one
            for one in handles_of_record(row.record)
        ]
        count = HandCount("Ann", "2026-05-21T10:00:00.123+00:00", 3, way="marked")
        store.add_hand_count(row.sha256, count, handles=handles, reading_id=row.reading_id)
    return tmp_path / "s.survey"


def labels(survey: Path) -> list[Any]:
    out = survey.with_name("out.coco.json")
    assert run("export", survey, "--to", out).exit_code == 0
    return [one["attributes"] for one in json.loads(out.read_text("utf-8"))["annotations"]]


def test_an_untouched_export_is_stored_already(marked: Path) -> None:
    assert [one["labelled_by"] for one in labels(marked)] == ["Ann"]
    done = run("import", marked, "--from", marked.with_name("out.coco.json"), "--who", "Bo")
    assert "Stored the labels of 0 photos; those of 1 were stored before." in done.stderr
    with SurveyReader(marked) as store:
        assert len(list(store.counts())) == 1


def test_labels_that_a_later_count_speaks_against_are_no_truth(marked: Path) -> None:
    with SurveyWriter(marked) as store:
        (row,) = store.plants()
        store.add_hand_count(row.sha256, HandCount("Bo", "2026-05-22T10:00:00+00:00", 3))
        store.add_hand_count(row.sha256, HandCount("Bo", "2026-05-22T10:01:00+00:00", height_mm=9))
    assert [one["labelled_by"] for one in labels(marked)] == ["Ann"]  # he agrees
    with SurveyWriter(marked) as store:
        store.add_hand_count(row.sha256, HandCount("Bo", "2026-05-23T10:00:00+00:00", 6))
    assert labels(marked) == []


def test_two_pictures_that_differ_are_two(stand_in: Path, tmp_path: Path) -> None:
    rgb = np.full((96, 72, 3), 200, np.uint8)
    hashes = set()
    for name in ("a.png", "b.png"):
        Image.fromarray(rgb).save(tmp_path / name)
        hashes.add(stage_file(Task(1, str(tmp_path / name), None), Options()).pixels_sha256)
        rgb[50, 50] = 0
    assert len(hashes) == 2
