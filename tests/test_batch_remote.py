"""Addresses as SOURCE: what fsspec lists and reads, through its own in-memory store."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import fsspec
import numpy as np
import pytest
from command import run
from PIL import Image
from stand_in import BOARD
from surveys import check_sound
from test_batch import InThisProcess

from collarvision.batch import BatchResult, Job, remote, run_batch
from collarvision.batch.folders import Folders, place_from_source
from collarvision.batch.pool import Poisoned
from collarvision.batch.sources import PhotoFile, find_photos
from collarvision.batch.worker import Options, Task, model_hash, stage_file
from collarvision.survey import ModelFacts, SurveyReader, SurveyWriter

SEASON = "memory://bucket/season"


def board(number: int) -> bytes:
    rgb = np.full((96, 72, 3), BOARD, np.uint8)
    rgb[number // 72 % 96, number % 72] = 0
    spool = io.BytesIO()
    Image.fromarray(rgb).save(spool, "PNG")
    return spool.getvalue()


@pytest.fixture
def store() -> Iterator[Any]:
    """The in-memory store, with two fields in it, emptied afterwards."""
    memory = fsspec.filesystem("memory")
    for number, name in enumerate(
        ("North/2027-05-20/stop 1/10.png", "North/2027-05-20/stop 1/9.png", "South/a.png")
    ):
        memory.pipe(f"/bucket/season/{name}", board(number))
    memory.pipe("/bucket/season/South/notes.md", b"not a photo")
    memory.pipe("/bucket/season/.trash/b.png", board(7))
    yield memory
    memory.store.clear()
    memory.pseudo_dirs[:] = [""]


def stage(tmp_path: Path, *words: str, engine: Any = None, **more: Any) -> BatchResult:
    path = tmp_path / "s.survey"
    with SurveyWriter(path, create=True) as survey:
        job = Job(find_photos(words), ModelFacts(model_hash(), None, "guesses"), **more)
        result = run_batch(job, survey, engine or InThisProcess())
    check_sound(path)
    return result


def found(*words: str | Path) -> list[tuple[str, tuple[str, ...]]]:
    return [(photo.name, photo.folders) for photo in find_photos(words)]


# --- finding ---


def test_an_address_is_searched_like_a_folder(store: Any) -> None:
    everything = [
        ("9.png", ("North", "2027-05-20", "stop 1")),
        ("10.png", ("North", "2027-05-20", "stop 1")),
        ("a.png", ("South",)),
    ]
    assert found(SEASON) == everything
    assert found(f"{SEASON}/") == everything
    assert found(f"{SEASON}/North", SEASON) == [
        ("9.png", ("2027-05-20", "stop 1")),
        ("10.png", ("2027-05-20", "stop 1")),
        ("a.png", ("South",)),
    ]
    assert found(f"{SEASON}/South/a.png") == [("a.png", ())]


def test_patterns_and_lists_of_addresses(store: Any, tmp_path: Path) -> None:
    assert found(f"{SEASON}/*/*.png") == [("a.png", ("South",))]
    assert found(f"{SEASON}/N*/**/9.png") == [("9.png", ("North", "2027-05-20", "stop 1"))]
    store.pipe("/bucket/season/list.txt", b"# one\nSouth/a.png\n")
    assert found(f"{SEASON}/list.txt") == [("a.png", ("South",))]
    (tmp_path / "list.txt").write_text(f"{SEASON}/South/a.png\nb.png\n")
    assert [photo.where for photo in find_photos([tmp_path / "list.txt"])] == [
        f"{SEASON}/South/a.png",
        str(tmp_path / "b.png"),
    ]


def test_a_file_address_is_the_file_itself(tmp_path: Path) -> None:
    (tmp_path / "North field").mkdir()
    (tmp_path / "North field" / "a.jpg").write_bytes(b"x")
    address = tmp_path.as_uri()
    assert found(address) == [("a.jpg", ("North field",))]
    assert len(find_photos([address, tmp_path])) == 1
    assert found(f"{address}/North%20field/*.jpg") == [("a.jpg", ())]


@pytest.mark.parametrize(
    ("word", "said"),
    [
        (f"{SEASON}/West", "nothing at"),
        (f"{SEASON}/*.heic", "No file matches"),
        (f"{SEASON}/nolist.txt", "can't be read"),
    ],
)
def test_an_address_that_leads_to_nothing_says_so(store: Any, word: str, said: str) -> None:
    (photo,) = find_photos([word])
    assert said in str(photo.trouble)


def test_an_address_without_photos_says_so(store: Any) -> None:
    store.pipe("/bucket/empty/notes.md", b"x")
    (photo,) = find_photos(["memory://bucket/empty"])
    assert "holds no photo" in str(photo.trouble)


@pytest.mark.parametrize(
    ("word", "said"), [("nosuch://bucket/a", "nosuch"), ("memory2://x", "memory2")]
)
def test_an_unknown_kind_of_address_ends_the_command_in_a_sentence(
    word: str, said: str, tmp_path: Path, stand_in: Path
) -> None:
    result = run("batch", word, "--survey", tmp_path / "s.survey")
    assert result.exit_code == 2
    assert said in result.stderr
    assert "Traceback" not in result.output


def test_a_bucket_names_no_field() -> None:
    assert place_from_source("s3://pictures") == Folders()
    assert place_from_source("s3://pictures/2027-05-20 North/") == Folders("North", "2027-05-20")


# --- reading ---


def test_photos_of_a_store_are_read_once_and_filed(
    store: Any, tmp_path: Path, stand_in: Path
) -> None:
    assert stage(tmp_path, SEASON).steps == {"rejected": 3}
    with SurveyReader(tmp_path / "s.survey") as survey:
        rows = {row.photo: row for row in survey.plants()}
    assert rows["9.png"].path == f"{SEASON}/North/2027-05-20/stop 1/9.png"
    assert (rows["9.png"].field, rows["9.png"].date, rows["9.png"].stop) == (
        "North",
        "2027-05-20",
        "1",
    )
    again = InThisProcess()
    assert stage(tmp_path, SEASON, engine=again).steps == {"known": 3}
    assert again.tasks == 0


def test_a_file_written_anew_is_read_anew_and_a_copy_counts_once(
    store: Any, tmp_path: Path, stand_in: Path
) -> None:
    stage(tmp_path, SEASON)
    store.pipe("/bucket/season/South/a.png", board(50))
    store.pipe("/bucket/season/South/copy.png", board(0))
    assert stage(tmp_path, SEASON).steps == {"known": 3, "rejected": 1}
    with SurveyReader(tmp_path / "s.survey") as survey:
        assert survey.photo_count() == 4


def test_two_copies_of_one_run_count_once(store: Any, tmp_path: Path, stand_in: Path) -> None:
    store.pipe("/bucket/season/South/copy.png", board(2))
    assert stage(tmp_path, SEASON).steps == {"rejected": 3, "copy": 1}


def test_a_photo_on_the_disk_and_in_the_store_is_one(
    store: Any, tmp_path: Path, stand_in: Path
) -> None:
    folder = tmp_path / "South"
    folder.mkdir()
    (folder / "b.png").write_bytes(board(2))
    assert stage(tmp_path, str(folder), SEASON).steps == {"rejected": 3, "copy": 1}


def test_what_is_gone_when_its_turn_comes_is_told(
    store: Any, tmp_path: Path, stand_in: Path
) -> None:
    def stage_and_delete(task: Task, options: Options) -> Any:
        if task.path.endswith("9.png"):
            store.rm("/bucket/season/South/a.png")
        return stage_file(task, options)

    result = stage(tmp_path, SEASON, engine=InThisProcess(stage_and_delete))
    assert result.steps == {"rejected": 2, "unread": 1}
    assert "can't be fetched" in result.unread[0][1]


def test_a_poisoned_photo_far_away_is_kept_by_its_hash(
    store: Any, tmp_path: Path, stand_in: Path
) -> None:
    def poison(task: Task, options: Options) -> Any:
        done = stage_file(task, options)
        return Poisoned(task, "by SIGSEGV") if task.path.endswith("a.png") else done

    result = stage(tmp_path, SEASON, engine=InThisProcess(poison))
    assert result.quarantined == (f"{SEASON}/South/a.png",)
    assert stage(tmp_path, SEASON).steps == {"known": 2, "rejected": 1}  # tried again


def test_a_network_that_stumbles_is_asked_again(
    store: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(remote, "PAUSE_SECONDS", 0.0)
    where, asked = f"{SEASON}/South/a.png", []
    real = type(store)._open

    def stumble(self: Any, *words: Any, **more: Any) -> Any:
        asked.append(1)
        if len(asked) < 3:
            raise ConnectionResetError("connection reset")
        return real(self, *words, **more)

    monkeypatch.setattr(type(store), "_open", stumble)
    assert remote.read_bytes(where) == board(2)
    assert len(asked) == 3
    asked.clear()
    with pytest.raises(FileNotFoundError):
        remote.read_bytes(f"{SEASON}/none.png")


def test_a_huge_file_is_not_taken_in(store: Any) -> None:
    with pytest.raises(ValueError, match="more than"):
        remote.read_bytes(f"{SEASON}/South/a.png", most=10)


def test_photo_files_know_their_own_names() -> None:
    photo = PhotoFile("s3://bucket/a/b c.jpg", ("a",), "s3://bucket")
    assert photo.name == "b c.jpg"
    assert replace(photo, where="x/y.jpg").name == "y.jpg"
