"""Training that is stopped before its first step ends, and writes no weights of no step."""

from __future__ import annotations

import threading
import time
from pathlib import Path
from typing import Any

import pytest

torch = pytest.importorskip("torch", reason="training needs the train extra")
from training import train as side  # noqa: E402
from training.above import train as above  # noqa: E402

pytestmark = pytest.mark.torch

TRAINERS = pytest.mark.parametrize("trainer", [side, above], ids=["side", "above"])


def options(trainer: Any, home: Path, *more: str) -> Any:
    """Of a run on a folder that nothing is rendered into."""
    words = ["--samples", str(home / "none"), "--out", str(home / "out.pt"), "--device", "cpu"]
    return trainer.arguments([*words, "--no-pretrained", *more])


@TRAINERS
def test_a_stop_ends_the_wait_for_samples(
    trainer: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "out.pt").write_bytes(b"of a run before")
    stopped: list[int] = []
    threading.Timer(2.0, stopped.append, [15]).start()
    began = time.monotonic()
    with pytest.raises(SystemExit, match="Stopped before the first step"):
        trainer.train(options(trainer, tmp_path, "--wait-minutes", "0.5"), stopped)
    assert time.monotonic() - began < 20
    assert (tmp_path / "out.pt").read_bytes() == b"of a run before"


@TRAINERS
def test_a_stop_before_the_first_step_writes_no_weights(trainer: Any, tmp_path: Path) -> None:
    """Told while the network is built, with samples enough: it is not heard while waiting."""
    with pytest.raises(SystemExit, match="Stopped before the first step"):
        trainer.train(options(trainer, tmp_path, "--min-samples", "0"), [15])
    assert not (tmp_path / "out.pt").exists()
