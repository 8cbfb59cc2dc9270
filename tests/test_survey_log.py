"""The log beside a survey: what a killed program left there, and what a copy of the file holds."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest
from command import run
from surveys import MODEL, NORTH, check_sound, reading, sha

from collarvision.survey import HandCount, SurveyError, SurveyReader, SurveyWriter, faults, opening


def fill(survey: SurveyWriter, first: int, last: int) -> None:
    for number in range(first, last):
        place = NORTH
        survey.add_reading(reading(f"{number}.jpg"), sha256=sha(number), model=MODEL, place=place)


@pytest.fixture
def killed(tmp_path: Path) -> Path:
    """What a batch that was killed leaves: a survey, and 12 of its 72 photos in the log alone."""
    at_work, path = tmp_path / "at work", tmp_path / "s.survey"
    with SurveyWriter(at_work, create=True) as survey:
        fill(survey, 0, 60)
    with SurveyWriter(at_work) as survey:
        fill(survey, 60, 72)
        shutil.copy(at_work, path)
        shutil.copy(f"{at_work}-wal", f"{path}-wal")
    at_work.unlink()
    return path


def older_copy(path: Path) -> None:
    with SurveyWriter(path, create=True) as survey:
        fill(survey, 0, 25)


def test_any_command_brings_a_killed_batch_s_log_into_the_survey(
    killed: Path, tmp_path: Path
) -> None:
    assert run("export", killed, "--to", tmp_path / "plants.csv").exit_code == 0
    assert not Path(f"{killed}-wal").exists()
    shutil.copy(killed, tmp_path / "copy.survey")
    with SurveyReader(tmp_path / "copy.survey") as survey:
        assert len(list(survey.plants())) == 72


@pytest.mark.parametrize("linked", [False, True])
def test_a_copy_put_beside_a_log_that_is_not_its_own_is_refused_and_left_whole(
    killed: Path, tmp_path: Path, linked: bool
) -> None:
    copy = tmp_path / "copy.survey"
    older_copy(copy)
    shutil.copy(copy, killed)
    path = killed
    if linked:
        (tmp_path / "desk").mkdir()
        path = tmp_path / "desk" / "season"
        path.symlink_to(killed)
    said = f"remove the files {killed}-wal and {killed}-shm, if they are there"
    count = ["count", path, "1.jpg", "--stage", "3", "--who", "Ann"]
    for words in (["export", path, "--to", tmp_path / "plants.csv"], ["field", path], count):
        result = run(*words)
        assert result.exit_code == 3
        assert f"The survey {path} is damaged: go back to a copy of it" in result.stderr
        assert said in result.stderr
    for kind in (SurveyReader, SurveyWriter):
        with pytest.raises(SurveyError, match="is damaged"):
            kind(path)
    assert killed.read_bytes() == copy.read_bytes()
    for ending in ("-wal", "-shm"):
        Path(f"{killed}{ending}").unlink(missing_ok=True)
    with SurveyReader(path) as survey:
        assert len(list(survey.plants())) == 25
    check_sound(killed)


def test_a_log_that_a_batch_goes_on_writing_is_looked_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "s.survey"
    asked: list[str] = []
    connect = sqlite3.connect

    def traced(*words: object, **more: object) -> sqlite3.Connection:
        connection: sqlite3.Connection = connect(*words, **more)  # type: ignore[call-overload]
        connection.set_trace_callback(asked.append)
        return connection

    monkeypatch.setattr(opening.sqlite3, "connect", traced)
    with SurveyWriter(path, create=True) as batch:
        for number in range(5):
            fill(batch, number, number + 1)
            with SurveyReader(path) as survey:
                assert len(list(survey.plants())) == number + 1
            with SurveyWriter(path) as page:  # whose own pages go into the file as it closes
                page.add_hand_count(sha(number), HandCount("Ann", "2027-05-20T10:00", 4))
    assert sum("integrity_check" in sql for sql in asked) == 1
    SurveyReader(path).close()  # no log, and nothing to look at
    assert sum("integrity_check" in sql for sql in asked) == 1


def test_a_copy_of_the_file_alone_holds_what_was_counted_during_a_batch(tmp_path: Path) -> None:
    path = tmp_path / "s.survey"
    with SurveyWriter(path, create=True) as batch:
        fill(batch, 0, 3)
        with SurveyWriter(path) as page:
            page.add_hand_count(sha(1), HandCount("Ann", "2027-05-20T10:00", 4))
        shutil.copy(path, tmp_path / "copy.survey")
    with SurveyReader(tmp_path / "copy.survey") as survey:
        assert [one.count.stage for one in survey.counts()] == [4]
        assert len(list(survey.plants())) == 3


def test_a_survey_whose_log_stayed_behind_is_no_foreign_file(tmp_path: Path) -> None:
    path, copy = tmp_path / "s.survey", tmp_path / "copy.survey"
    with SurveyWriter(path, create=True) as survey:
        fill(survey, 0, 1)
        shutil.copy(path, copy)
    result = run("export", copy, "--to", tmp_path / "plants.csv")
    assert result.exit_code == 3
    assert f"{copy} holds nothing yet: fill it with `collarvision batch`" in result.stderr
    assert "stayed behind in the file copy.survey-wal" in result.stderr
    with pytest.raises(SurveyError, match="holds nothing yet"):
        SurveyWriter(copy)


class Room(NamedTuple):
    free: int


@pytest.mark.parametrize(
    ("free", "said"),
    [(0, "is full: free some space"), (10**9, r"The disk failed .*\(disk I/O error\)")],
)
def test_a_disk_that_fails_for_want_of_room_is_told_as_full(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, free: int, said: str
) -> None:
    error = sqlite3.OperationalError("disk I/O error")
    error.sqlite_errorcode = sqlite3.SQLITE_IOERR_WRITE
    usage: Callable[[object], Room] = lambda folder: Room(free)  # noqa: E731
    monkeypatch.setattr("shutil.disk_usage", usage)
    with pytest.raises(SurveyError, match=said), faults.told(tmp_path / "s.survey"):
        raise error


def test_a_copy_put_over_a_survey_is_looked_at_again(killed: Path, tmp_path: Path) -> None:
    """It keeps the number of the file that it was written over."""
    opening._check_log(killed)  # as a page does that reads beside a batch
    copy = tmp_path / "copy.survey"
    older_copy(copy)
    killed.write_bytes(copy.read_bytes())
    with pytest.raises(SurveyError, match="damaged"):
        SurveyReader(killed)
    assert killed.read_bytes() == copy.read_bytes()
