"""Part file: whole or not there, and nothing left beside it for ever."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from command import run
from surveys import MODEL, reading, sha

from collarvision.survey import SurveyWriter


@pytest.mark.skipif(os.name == "nt", reason="asks for a process as POSIX does")
def test_parts_of_killed_exports_go_and_those_of_living_ones_stay(tmp_path: Path) -> None:
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    left = tmp_path / f".plants.csv.{ended.pid}.part"
    kept = [
        tmp_path / f".plants.csv.{os.getppid()}.part",  # another's, at work
        tmp_path / f".plants.json.{ended.pid}.part",
        tmp_path / ".plants.csv.mine.part",
        tmp_path / f"xplants.csv.{ended.pid}.part",
    ]
    for path in (left, *kept):
        path.touch()
    survey, out = tmp_path / "s.survey", tmp_path / "plants.csv"
    with SurveyWriter(survey, create=True) as store:
        store.add_reading(reading(), sha256=sha(1), model=MODEL)
    assert run("export", survey, "--to", out).exit_code == 0
    assert set(tmp_path.iterdir()) == {survey, out, *kept}
