"""The main job on photos that our own plant generator did not make.

They stand beside the checkout, are for measuring only, and are absent on most machines.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from command import run

SHARED = Path(__file__).resolve().parent.parent.parent / "shared"
PHOTOS = SHARED / "holdout-dev"
SCORER = SHARED / "tools" / "score.py"


@pytest.mark.slow
@pytest.mark.skipif(
    not (PHOTOS.is_dir() and SCORER.is_file()),
    reason="the measuring photos are not on this machine",
)
def test_path_traced_photos_of_another_generator(trained_network: Path, tmp_path: Path) -> None:
    """Scored by a program of its own, on exact 3-D truth."""
    out = tmp_path / "r.jsonl"
    assert run("stage", PHOTOS, "--format", "jsonl", "--out", out).exit_code == 0
    scored = subprocess.run(
        [sys.executable, str(SCORER), str(PHOTOS / "truth.jsonl"), str(out), "--json"],
        capture_output=True,
        text=True,
        check=True,
    )
    figures = json.loads(scored.stdout)
    print(scored.stdout)
    assert figures["no_record"] == 0
    assert figures["stage_within_1"] >= 0.90
    assert figures["unusable_refused"] >= 0.90
