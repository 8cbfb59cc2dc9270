"""Training from above in one command: what is started, with which seeds, and what is packed."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tarfile
import time
from pathlib import Path
from typing import Any

import pytest
from slow_to_end import BOTH, running

from training.above import run


class FakeProcess:
    """Stands for a renderer or the trainer."""

    started: list[FakeProcess]

    def __init__(self, command: list[str], **options: Any) -> None:
        self.command = command
        self.environment: dict[str, str] = options.get("env", {})
        self.returncode: int | None = None
        self.ended: list[str] = []
        type(self).started.append(self)

    def value(self, name: str) -> str:
        return self.command[self.command.index(name) + 1]

    def poll(self) -> int | None:
        return self.returncode

    def terminate(self) -> None:
        self.ended.append("terminate")

    def kill(self) -> None:
        self.ended.append("kill")

    def wait(self, timeout: float) -> int:
        if self.returncode is None and "--seed" in self.command:
            if self.value("--seed") == "8":
                raise subprocess.TimeoutExpired("x", timeout)
            self.returncode = -15
        return 0


@pytest.fixture
def fakes(monkeypatch: pytest.MonkeyPatch) -> list[FakeProcess]:
    FakeProcess.started = []
    monkeypatch.setattr(run.subprocess, "Popen", FakeProcess)
    monkeypatch.setattr(run, "GRACE_S", 0.01)
    return FakeProcess.started


def options(tmp_path: Path, *more: str) -> list[str]:
    return ["--work", str(tmp_path / "w"), "--out", str(tmp_path / "o"), "--seed", "5", *more]


def test_seeds_of_training_and_validation_never_meet(tmp_path: Path) -> None:
    with pytest.raises(SystemExit):
        run.arguments([*options(tmp_path), "--seed", "89999"])
    with pytest.raises(SystemExit):
        run.arguments([*options(tmp_path), "--val-seed", "90000"])


def test_renderers_share_the_photos_and_go_over_to_training(
    tmp_path: Path, fakes: list[FakeProcess]
) -> None:
    settings = run.arguments([*options(tmp_path), "--renderers", "5", "--val-count", "10"])
    settings.work.mkdir()
    renderers = run.Renderers(settings)
    renderers.start()
    val = [p for p in fakes if "--finished" in p.command]
    assert sum(int(p.value("--count")) for p in val) == 10
    assert {p.value("--seed") for p in val} == {"90001", "90002", "90003"}
    assert [p.value("--seed") for p in fakes if p not in val] == ["5", "6"]
    val[0].returncode = 0
    renderers.look()
    assert fakes[-1].value("--seed") == "7"
    assert "--finished" not in fakes[-1].command
    fakes[-1].returncode = 1  # one breaks: another takes its place, with a new seed
    renderers.look()
    assert fakes[-1].value("--seed") == "8"
    renderers.stop()
    assert fakes[-1].ended == ["terminate", "kill"]
    for process in renderers.train:
        process.returncode = 1  # type: ignore[misc]
    renderers.broken = run.MOST_BROKEN
    renderers.val.clear()
    (settings.work / "render-5.log").write_text("no driver")
    with pytest.raises(SystemExit, match="no driver"):
        renderers.look()


def test_two_gpus_and_wide_photos(tmp_path: Path, fakes: list[FakeProcess]) -> None:
    words = ["--renderers", "6", "--gpus", "2", "--beside", "1", "--val-count", "5"]
    words += ["--val-renderers", "1", "--wide-count", "4", "--wide-renderers", "2"]
    settings = run.arguments([*options(tmp_path), *words])
    settings.work.mkdir()
    renderers = run.Renderers(settings)
    renderers.start()
    wide = [p for p in fakes if "--wide" in p.command]
    assert [(p.value("--seed"), p.value("--count")) for p in wide] == [
        ("90101", "2"),
        ("90102", "2"),
    ]
    assert [p.environment["CUDA_VISIBLE_DEVICES"] for p in fakes] == ["0"] * 5 + ["1"]
    wide[0].returncode = 0
    renderers.look()
    assert fakes[-1].environment["CUDA_VISIBLE_DEVICES"] == "0"
    command = run.trainer_command(settings, 0.0)
    assert command[command.index("--device") + 1] == "cuda:1"


def test_what_does_not_fit_stays_away_evenly(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for seed in ("90001", "90101"):
        part = tmp_path / f"part-{seed}"
        part.mkdir()
        for k in range(3):
            (part / f"{seed}_{k:06d}.jpg").write_bytes(b"j" * 3000)
            (part / f"{seed}_{k:06d}.png").write_bytes(b"p" * 500)
        rows = [json.dumps({"file": f"{seed}_{k:06d}.jpg"}) for k in range(3)]
        (part / "truth.jsonl").write_text("\n".join(rows) + "\n")
    monkeypatch.setattr(run, "PACK_BYTES", 12_000)
    packed = run.pack(tmp_path, tmp_path, 1)
    assert [p.name for p in packed] == ["val-0.tar.gz", "val-truth.tar.gz"]
    with tarfile.open(packed[0]) as archive:
        names = {Path(name).stem for name in archive.getnames()}
    assert names == {"90001_000000", "90101_000000"}


def test_main_starts_the_trainer_in_time_and_packs(
    tmp_path: Path, fakes: list[FakeProcess], monkeypatch: pytest.MonkeyPatch
) -> None:
    def soon(_: float) -> None:
        fakes[-1].returncode = 0

    monkeypatch.setattr(run.time, "sleep", soon)
    part = tmp_path / "w" / "val" / "part-90001"
    part.mkdir(parents=True)
    names = [f"90001_{k:06d}" for k in range(3)]
    for name in names:
        (part / f"{name}.jpg").write_bytes(b"j" * 3000)
        (part / f"{name}.png").write_bytes(b"p" * 500)
    rows = [json.dumps({"file": f"{name}.jpg", "plants": []}) for name in names]
    (part / "truth.jsonl").write_text("\n".join(rows) + "\n")
    (part / "90001_000003.jpg").write_bytes(b"unfinished")
    monkeypatch.setattr(run, "PACK_BYTES", 12_000)
    more = ["--renderers", "2", "--val-count", "3", "--minutes", "1", "--", "--batch", "4"]
    assert run.main([*options(tmp_path), *more]) == 0
    trainer = fakes[-1]
    assert "training.above.train" in trainer.command
    assert trainer.command[-2:] == ["--batch", "4"]
    assert trainer.value("--val").endswith("val")
    packed = sorted((tmp_path / "o").glob("val-*.tar.gz"))
    assert [p.name for p in packed] == ["val-0.tar.gz", "val-1.tar.gz", "val-truth.tar.gz"]
    inside = []
    for path in packed:
        with tarfile.open(path) as archive:
            inside += archive.getnames()
    wanted = {f"part-90001/{name}{ext}" for name in names for ext in (".jpg", ".png")}
    assert set(inside) == wanted | {"part-90001/truth.jsonl"}
    assert len(inside) == 7


def test_renderers_end_early_where_that_is_asked_for(
    tmp_path: Path, fakes: list[FakeProcess], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The trainer goes on alone: none is replaced, and having none left is no failure."""
    turns: list[int] = []

    def soon(_: float) -> None:
        turns.append(len(fakes))
        if len(turns) == 4:
            assert all(p.ended for p in fakes if "--seed" in p.command)
            next(p for p in fakes if "training.above.train" in p.command).returncode = 0

    monkeypatch.setattr(run.time, "sleep", soon)
    more = ["--renderers", "2", "--val-count", "0", "--minutes", "5", "--render-minutes", "0"]
    assert run.main([*options(tmp_path), *more]) == 0
    assert turns == [3, 3, 3, 3]


def test_a_stopped_run_goes_on_where_it_was(tmp_path: Path) -> None:
    """The same command once more: it must not start new weights over those that have learned."""
    settings = run.arguments([*options(tmp_path), "--", "--init", "old.pt"])
    settings.out.mkdir()
    first = run.trainer_command(settings, 0.0)
    assert "--save-state" in first
    assert "--resume" not in first
    weights = settings.out / "above.pt"
    weights.touch()
    assert "--resume" not in run.trainer_command(settings, 0.0)  # weights alone have no schedule
    (settings.out / "above.pt.state").touch()
    again = run.trainer_command(settings, 0.0)
    assert again[again.index("--resume") + 1] == str(weights)
    assert again[-2:] == ["--init", "old.pt"]


@pytest.mark.torch
def test_the_trainer_takes_these_words_and_looks_for_the_same_file(tmp_path: Path) -> None:
    pytest.importorskip("torch", reason="the trainer's parser asks PyTorch for the device")
    from training.above.train import arguments
    from training.checkpoint import state_beside

    settings = run.arguments([*options(tmp_path), "--", "--init", "old.pt"])
    settings.out.mkdir()
    for path in (settings.out / "above.pt", state_beside(settings.out / "above.pt")):
        path.touch()
    words = arguments(run.trainer_command(settings, 0.0)[3:])
    assert words.save_state
    assert words.resume == words.out == str(settings.out / "above.pt")


STARTED = (
    BOTH
    + """
import subprocess, sys
from pathlib import Path
from training.above import run

work, how = Path(sys.argv[1]), sys.argv[2]

def start(words):
    process = subprocess.Popen([sys.executable, "-c", *words])
    with (work / "started").open("a") as pids:
        pids.write(f"{process.pid}\\n")
    return process

class Subprocess:
    Popen = staticmethod(start)

def spawn(*_):
    late = [f"import time\\nwhile not __import__('os').path.exists({str(work / 'ready')!r}): "
            "time.sleep(0.05)\\nraise SystemExit(1)"]
    return start(late if how == "broken" else [RENDERER])

run.spawn = spawn
run.subprocess = Subprocess
run.trainer_command = lambda *_: [TRAINER, str(work)]
sys.exit(run.main(["--work", str(work / "w"), "--out", str(work / "o"), "--renderers", "2"]))
"""
)


@pytest.mark.skipif(not hasattr(os, "killpg"), reason="signals to a group of processes")
@pytest.mark.parametrize("how", ["terminated", "interrupted", "ctrl-c", "broken"])
def test_however_a_run_ends_its_trainer_saves_and_no_process_is_left(
    how: str, tmp_path: Path
) -> None:
    command = [sys.executable, "-c", STARTED, str(tmp_path), how]
    root = Path(run.__file__).parents[2]
    process = subprocess.Popen(command, start_new_session=True, cwd=root)
    started: list[int] = []
    try:
        end = time.monotonic() + 30
        while not (tmp_path / "ready").exists():
            assert time.monotonic() < end
            time.sleep(0.05)
        if how == "ctrl-c":
            os.killpg(process.pid, signal.SIGINT)
        elif how != "broken":
            process.send_signal(signal.SIGTERM if how == "terminated" else signal.SIGINT)
        status = process.wait(30)
        assert status != 0
        if how == "terminated":
            assert status == 128 + signal.SIGTERM
        started = [int(line) for line in (tmp_path / "started").read_text().split()]
        assert len(started) >= 3
        assert not [pid for pid in started if running(pid)]
        assert (tmp_path / "checkpoint").exists()
    finally:
        if process.poll() is None or any(map(running, started)):
            os.killpg(process.pid, signal.SIGKILL)  # the group that this test started
