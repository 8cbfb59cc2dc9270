"""Watching folders: a photo is staged once it is there to its last byte, and not before."""

from __future__ import annotations

import io
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from command import run
from PIL import Image
from stand_in import BOARD
from surveys import check_sound

from collarvision.batch.sources import PhotoFile
from collarvision.batch.watching import Watch, has_its_end
from collarvision.survey import SurveyReader

pytest.importorskip("watchfiles", reason="needs the watch extra")
ROOT = Path(__file__).resolve().parent.parent


def picture(number: int, form: str = "JPEG") -> bytes:
    rgb = np.full((96, 72, 3), BOARD, np.uint8)
    rgb[number % 96, :8] = 0
    spool = io.BytesIO()
    Image.fromarray(rgb).save(spool, form)
    return spool.getvalue()


class Seen:
    """What a watch gave so far, gathered in a thread."""

    def __init__(self, folder: Path, **more: float) -> None:
        self.photos: list[PhotoFile] = []
        self.ended = threading.Event()
        more = {"settle_seconds": 0.3, "give_up_seconds": 60.0, "rescan_seconds": 60.0, **more}
        self._watch = Watch([folder], **more)
        self._thread = threading.Thread(target=self._gather)

    def __enter__(self) -> Seen:
        self._thread.start()
        self.wait_ready()
        return self

    def __exit__(self, *_: object) -> None:
        self.ended.set()
        self._thread.join(timeout=10)

    def wait_ready(self) -> None:
        time.sleep(0.5)  # until the system has been asked to tell of changes

    @property
    def names(self) -> list[str]:
        return [photo.name for photo in self.photos]

    def _gather(self) -> None:
        with self._watch as watch:
            for photo in watch.photos(self.ended.is_set):
                if photo is not None:
                    self.photos.append(photo)


def wait_for(said: Callable[[], object], seconds: float = 15.0) -> None:
    deadline = time.monotonic() + seconds
    while not said():
        assert time.monotonic() < deadline, "it never came"
        time.sleep(0.02)


def test_photos_there_already_and_new_ones_come_once_each(tmp_path: Path) -> None:
    (tmp_path / "first.jpg").write_bytes(picture(1))
    with Seen(tmp_path) as seen:
        wait_for(lambda: seen.names == ["first.jpg"])
        stop = tmp_path / "North" / "stop 1"
        stop.mkdir(parents=True)
        (stop / "second.jpg").write_bytes(picture(2))
        (tmp_path / "notes.txt").write_text("no photo")
        (tmp_path / ".hidden.jpg").write_bytes(picture(3))
        wait_for(lambda: len(seen.names) == 2)
        time.sleep(0.8)
        assert seen.names == ["first.jpg", "second.jpg"]
        assert seen.photos[1].folders == ("North", "stop 1")
        (stop / "second.jpg").write_bytes(picture(4))  # another picture under the same name
        wait_for(lambda: seen.names == ["first.jpg", "second.jpg", "second.jpg"])


def test_half_a_photo_waits_until_it_is_whole_however_slowly_it_grows(tmp_path: Path) -> None:
    data = picture(1)
    with Seen(tmp_path) as seen, (tmp_path / "slow.jpg").open("wb") as stream:
        for part in (data[:200], data[200:-2]):
            stream.write(part)
            stream.flush()
            time.sleep(0.9)  # three times as long as a file must be still
            assert seen.names == []
        stream.write(data[-2:])
        stream.flush()
        wait_for(lambda: seen.names == ["slow.jpg"])


def test_a_half_filled_file_with_an_old_date_is_not_taken_for_an_old_photo(tmp_path: Path) -> None:
    """A sync may set the date first."""
    path = tmp_path / "old.jpg"
    path.write_bytes(picture(1)[:300])
    os.utime(path, (1e9, 1e9))
    with Seen(tmp_path) as seen:
        time.sleep(0.8)
        assert seen.names == []
        path.write_bytes(picture(1))
        os.utime(path, (1e9, 1e9))
        wait_for(lambda: seen.names == ["old.jpg"])


def test_a_photo_that_stays_cut_is_given_up_on_and_one_that_goes_is_forgotten(
    tmp_path: Path,
) -> None:
    (tmp_path / "cut.jpg").write_bytes(picture(1)[:300])
    (tmp_path / "gone.jpg").write_bytes(picture(2)[:300])
    with Seen(tmp_path, give_up_seconds=3.0) as seen:
        (tmp_path / "gone.jpg").unlink()
        wait_for(lambda: seen.names == ["cut.jpg"])
        time.sleep(0.5)
        assert seen.names == ["cut.jpg"]


def test_a_folder_moved_in_as_a_whole_and_a_renamed_upload(tmp_path: Path) -> None:
    outside, inside = tmp_path / "phone", tmp_path / "season"
    outside.mkdir()
    inside.mkdir()
    (outside / "a.jpg").write_bytes(picture(1))
    with Seen(inside) as seen:
        (inside / "b.jpg.part").write_bytes(picture(2))
        outside.rename(inside / "North")
        wait_for(lambda: seen.names == ["a.jpg"])
        assert seen.photos[0].folders == ("North",)
        (inside / "b.jpg.part").rename(inside / "b.jpg")
        wait_for(lambda: seen.names == ["a.jpg", "b.jpg"])


def test_what_the_system_does_not_tell_of_is_found_by_looking(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Watch, "_listen", lambda self: None)
    with Seen(tmp_path, rescan_seconds=0.2) as seen:
        (tmp_path / "a.png").write_bytes(picture(1, "PNG"))
        wait_for(lambda: seen.names == ["a.png"])


def test_the_first_photo_comes_before_the_rest_are_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    looked: list[Path] = []

    def look(path: Path) -> bool:
        looked.append(path)
        return True

    monkeypatch.setattr("collarvision.batch.watching.has_its_end", look)
    for number in range(5):
        (tmp_path / f"{number}.jpg").write_bytes(picture(number))
        os.utime(tmp_path / f"{number}.jpg", (1e9, 1e9))
    asked = iter([False] * 3 + [True] * 9)
    watch = Watch([tmp_path], settle_seconds=0.0)
    given = [photo.name for photo in watch.photos(lambda: next(asked)) if photo is not None]
    assert given == ["0.jpg", "1.jpg"]
    assert len(looked) == 2


def test_a_way_through_another_folder_is_the_same_folder(tmp_path: Path) -> None:
    for name in ("x", "season"):
        (tmp_path / name).mkdir()
    with Seen(tmp_path / "x" / ".." / "season") as seen:
        (tmp_path / "season" / "a.jpg").write_bytes(picture(1))
        wait_for(lambda: seen.names == ["a.jpg"])


@pytest.mark.parametrize("form", ["JPEG", "PNG"])
def test_the_end_of_a_file_is_known_by_its_own_marker(tmp_path: Path, form: str) -> None:
    path, data = tmp_path / "a", picture(1, form)
    path.write_bytes(data)
    assert has_its_end(path)
    path.write_bytes(data + b"\0" * 20)  # phones append things
    assert has_its_end(path)
    for cut in (1, 2, len(data) // 2, len(data) - 9):
        path.write_bytes(data[: len(data) - max(cut, 9)])
        assert not has_its_end(path)
    assert not has_its_end(tmp_path / "gone")


@pytest.fixture
def watching(stand_in: Path, tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    (tmp_path / "season").mkdir()
    words = ("batch", tmp_path / "season", "--survey", tmp_path / "s.survey", "--watch")
    process = subprocess.Popen(
        [sys.executable, "-m", "collarvision", *map(str, words), "--workers", "1"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    )
    yield process
    process.kill()
    process.communicate()


@pytest.mark.skipif(os.name == "nt", reason="needs POSIX signals")
def test_the_command_stages_what_arrives_until_it_is_stopped(
    watching: subprocess.Popen[str], tmp_path: Path
) -> None:
    assert watching.stderr is not None
    assert "Watching" in watching.stderr.readline()
    (tmp_path / "season" / "a.jpg").write_bytes(picture(1))
    assert watching.stderr.readline().startswith("a.jpg: ")
    watching.send_signal(signal.SIGINT)
    out, said = watching.communicate(timeout=30)
    assert watching.returncode == 0, said
    assert "Traceback" not in said
    assert "Read 1 photo" in out
    check_sound(tmp_path / "s.survey")
    with SurveyReader(tmp_path / "s.survey") as store:
        assert [row.photo for row in store.plants()] == ["a.jpg"]


def test_only_folders_of_this_computer_can_be_watched(tmp_path: Path) -> None:
    for word in ("s3://bucket/season", str(tmp_path / "*.jpg"), str(tmp_path / "gone")):
        result = run("batch", word, "--survey", tmp_path / "s.survey", "--watch")
        assert result.exit_code == 2
        assert "needs folders" in result.stderr
