"""Whole file: there with all of its text, or as it was before."""

from __future__ import annotations

from pathlib import Path

import pytest

from collarvision import wholefile
from collarvision.wholefile import write_whole
from collarvision.writing import OutputError


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


def test_a_device_is_written_straight_into() -> None:
    write_whole(Path("/dev/null"), "gone")
    assert Path("/dev/null").exists()


def test_places_that_are_none(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="is a folder"):
        write_whole(tmp_path, "x")
    with pytest.raises(OutputError, match="make it first"):
        write_whole(tmp_path / "none" / "x", "x")
