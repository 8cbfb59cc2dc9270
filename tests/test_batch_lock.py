"""The lock: which survey it holds, and what it does where its file is taken away under it."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from command import run

from collarvision.batch import lock
from collarvision.batch.lock import BatchLock, BatchLockError


def test_a_survey_is_one_by_every_way_to_it_and_its_neighbour_another(tmp_path: Path) -> None:
    survey = tmp_path / "s.survey"
    survey.touch()
    (tmp_path / "desk").mkdir()
    link = tmp_path / "desk" / "season"
    link.symlink_to(survey)
    folder = tmp_path / "farm"
    folder.symlink_to(tmp_path, target_is_directory=True)
    with BatchLock(survey) as held:
        for way in (link, folder / "s.survey", tmp_path / "desk" / ".." / "s.survey"):
            with pytest.raises(BatchLockError, match="is filling"), BatchLock(way):
                pass
        with BatchLock(tmp_path / "t.survey"):
            assert held.path.exists()
        held.path.unlink()  # whoever tidies the folder by hand breaks no batch that is at work
    with BatchLock(link):
        pass


@pytest.mark.parametrize("made_anew", [False, True])
def test_a_lock_whose_file_went_between_opening_and_locking_is_taken_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, made_anew: bool
) -> None:
    survey = tmp_path / "s.survey"
    truly, path, tries = lock._try_lock, BatchLock(survey).path, 0

    def try_late(file: int) -> bool:
        # The batch before ended in between and removed the file; another may have made it since.
        nonlocal tries
        tries += 1
        if tries == 1:
            path.rename(path.with_name("removed"))  # kept, so that its number isn't given anew
            if made_anew:
                path.touch()
        return truly(file)

    monkeypatch.setattr(lock, "_try_lock", try_late)
    with BatchLock(survey):
        assert tries == 2
        # Held by a file that nobody finds, it would let a second batch in.
        with pytest.raises(BatchLockError), BatchLock(survey):
            pass


@pytest.mark.parametrize(
    ("trouble", "said"),
    [
        (OSError(28, "No space left on device"), "free some space or choose another folder."),
        (PermissionError(13, "Permission denied"), "(Permission denied): choose another folder."),
    ],
)
def test_a_full_disk_is_told_and_leaves_no_lock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, trouble: OSError, said: str
) -> None:
    opened: list[int] = []

    def full(file: int, data: bytes) -> int:
        opened.append(file)
        raise trouble

    survey, photo = tmp_path / "s.survey", tmp_path / "IMG_1.jpg"
    photo.touch()
    monkeypatch.setattr(lock.os, "write", full)
    with pytest.raises(OSError, match=trouble.strerror), BatchLock(survey):
        pass
    assert not BatchLock(survey).path.exists()
    with pytest.raises(OSError, match="Bad file descriptor"):
        os.fstat(opened[0])
    result = run("batch", photo, "--survey", survey)
    assert result.exit_code == 3
    assert said in result.stderr
    assert "Traceback" not in result.stderr
    monkeypatch.undo()
    with BatchLock(survey):
        pass
