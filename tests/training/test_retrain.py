"""Retraining in one command: what is started, on which GPU, with which seeds, and how it ends."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest
from slow_to_end import BOTH, running

from training import retrain


class FakeProcess:
    """Stands for a renderer: it is started, has a first sample (or not), and is ended."""

    started: list[FakeProcess]
    dies = False
    hangs = False

    def __init__(self, command: list[str], **options: object) -> None:
        self.command, self.environment = command, options["env"]
        self.calls: list[str] = []
        type(self).started.append(self)
        part = Path(self.value("--out")) / f"part-{int(self.value('--seed')):05d}"
        if not self.dies:
            part.mkdir(parents=True, exist_ok=True)
            (part / "truth.jsonl").write_text("{}\n")

    def value(self, name: str) -> str:
        return self.command[self.command.index(name) + 1]

    @property
    def folder(self) -> str:
        return Path(self.value("--out")).name

    def poll(self) -> int | None:
        return 1 if self.dies else None

    def terminate(self) -> None:
        self.calls.append("terminate")

    def kill(self) -> None:
        self.calls.append("kill")

    def wait(self, timeout: float) -> int:
        if self.hangs:
            raise subprocess.TimeoutExpired("renderer", timeout)
        return 0


@pytest.fixture
def processes(monkeypatch: pytest.MonkeyPatch) -> type[FakeProcess]:
    kind = type("Process", (FakeProcess,), {"started": []})
    # Only this module's: imports of others may start processes of their own.
    monkeypatch.setattr(retrain, "subprocess", SimpleNamespace(**vars(subprocess)))
    monkeypatch.setattr(retrain.subprocess, "Popen", kind)
    return kind


@pytest.fixture
def trained(processes: type[FakeProcess], monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """The trainer's command lines; it ends at once with status 0."""
    calls: list[list[str]] = []

    def call(command: list[str]) -> int:
        calls.append(command)
        return 0

    monkeypatch.setattr(retrain, "run_trainer", call)
    return calls


def test_two_gpus_render_and_the_last_one_trains(processes, trained, tmp_path):
    words = ["--work", str(tmp_path), "--minutes", "20", "--gpus", "2", "--renderers", "7"]
    assert retrain.main([*words, "--fewer", "2", "--", "--init", "old.pt"]) == 0
    train = [p for p in processes.started if p.folder == "train"]
    gpus = [p.environment["CUDA_VISIBLE_DEVICES"] for p in train]
    assert (gpus.count("0"), gpus.count("1")) == (7, 5)
    assert len({p.value("--seed") for p in processes.started}) == len(processes.started)
    assert [p.folder for p in processes.started].count("check") == 1
    [command] = trained
    assert command[:3] == [sys.executable, "-m", "training.train"]
    assert command[command.index("--device") + 1] == "cuda:1"
    assert command[command.index("--samples") + 1] == str(tmp_path / "train")
    assert command[command.index("--val") + 1] == str(tmp_path / "check")
    assert command[command.index("--minutes") + 1] == "20.0"
    assert command[-2:] == ["--init", "old.pt"]
    assert all(p.calls == ["terminate"] for p in processes.started)


def test_every_command_is_one_that_the_generator_takes(processes, trained, tmp_path, monkeypatch):
    """The words go through the real parser: an option renamed there must fail here."""
    retrain.main(["--work", str(tmp_path), "--finished-count", "10", "--gpus", "1"])
    from training.plantgen import __main__ as plantgen

    made = []
    monkeypatch.setattr(plantgen, "write_sample", lambda *words: made.append(words))
    for process in processes.started:
        assert process.command[:3] == [sys.executable, "-m", "training.plantgen"]
        words = process.command[3:]
        (Path(process.value("--out")) / f"part-{int(process.value('--seed')):05d}").joinpath(
            "truth.jsonl"
        ).unlink()
        plantgen.main([*words, "--minutes", "0"])
    finished = [p for p in processes.started if p.folder == "finished"]
    assert sum(int(p.value("--count")) for p in finished) >= 10
    assert {p.value("--view") for p in finished} == {"finished"}


@pytest.mark.torch
def test_the_trainers_command_is_one_that_the_trainer_takes(processes, trained, tmp_path):
    pytest.importorskip("torch", reason="the trainer's parser asks PyTorch for the device")
    from training.train import arguments

    retrain.main(["--work", str(tmp_path), "--", "--init", "old.pt", "--out", "new.pt"])
    options = arguments(trained[0][3:])
    assert options.minutes == 20.0
    assert options.device == "cuda:0"
    assert (options.init, options.out) == ("old.pt", "new.pt")


def test_without_a_gpu_the_trainer_chooses_its_device(processes, trained, tmp_path):
    words = ["--work", str(tmp_path), "--gpus", "0", "--renderers", "1", "--fewer", "0"]
    retrain.main([*words, "--variant", "scalar_rgb"])
    assert "--device" not in trained[0]
    assert {p.value("--variant") for p in processes.started} == {"scalar_rgb"}
    assert [p.folder for p in processes.started] == ["train", "check"]


def test_nothing_is_trained_when_the_first_renderer_ends_at_once(processes, trained, tmp_path):
    processes.dies = True
    (tmp_path / "render-1.log").write_text("no such variant")
    with pytest.raises(SystemExit, match="no such variant"):
        retrain.main(["--work", str(tmp_path)])
    assert not trained
    assert len(processes.started) == 1


def test_renderers_end_even_when_the_trainer_fails(processes, tmp_path, monkeypatch):
    def call(command: list[str]) -> int:
        raise KeyboardInterrupt

    processes.hangs = True
    monkeypatch.setattr(retrain, "run_trainer", call)
    with pytest.raises(KeyboardInterrupt):
        retrain.main(["--work", str(tmp_path)])
    assert all(p.calls == ["terminate", "kill"] for p in processes.started)


def test_renderers_end_early_where_that_is_asked_for(processes, tmp_path, monkeypatch):
    """The trainer then has its GPU alone: they have ended before it has."""
    ended = threading.Event()

    def call(command: list[str]) -> int:
        while not all(p.calls for p in processes.started):
            assert not ended.wait(0.01)
        return 0

    monkeypatch.setattr(retrain, "run_trainer", call)
    watch = threading.Timer(20.0, ended.set)
    watch.start()
    assert retrain.main(["--work", str(tmp_path), "--render-minutes", "0.001"]) == 0
    watch.cancel()
    assert len(processes.started) > 1


def test_renderers_that_broke_are_told_of(processes, tmp_path, monkeypatch, capsys):
    """A part that ends because a kind of plant fails must not end unheard."""

    def call(command: list[str]) -> int:
        processes.started[1].dies = processes.started[2].dies = True
        return 0

    monkeypatch.setattr(retrain, "run_trainer", call)
    assert retrain.main(["--work", str(tmp_path)]) == 0
    assert f"2 renderers broke: see {tmp_path}/render-*.log" in capsys.readouterr().out


def test_the_trainers_status_is_handed_on(processes, tmp_path, monkeypatch):
    monkeypatch.setattr(retrain, "run_trainer", lambda command: 3)
    assert retrain.main(["--work", str(tmp_path)]) == 3


@pytest.mark.parametrize(
    "words",
    [["--seed", "89995"], ["--seed", "95000"], ["--finished-seed", "90000"]],
)
def test_training_and_checking_never_share_seeds(words, tmp_path, capsys):
    with pytest.raises(SystemExit):
        retrain.arguments(["--work", str(tmp_path), *words])
    assert "seed" in capsys.readouterr().err


STARTED = (
    BOTH
    + """
import os, signal, subprocess, sys
from pathlib import Path
from training import retrain

work, waits = Path(sys.argv[1]), sys.argv[2] == "waits"

def renderer(*_):
    process = subprocess.Popen([sys.executable, "-c", RENDERER])
    (work / "renderer").write_text(str(process.pid))
    if waits:
        (work / "ready").touch()
    return process

retrain.renderer = renderer
retrain.start_others = lambda options: []
if not waits:
    retrain.wait_for_first = lambda *_: None
retrain.trainer_command = lambda options: [sys.executable, "-c", TRAINER, str(work)]
sys.exit(retrain.main(["--work", str(work)]))
"""
)


@pytest.mark.skipif(not hasattr(os, "killpg"), reason="signals to a group of processes")
@pytest.mark.parametrize(
    ("number", "whom", "when"),
    [
        (signal.SIGINT, "group", "trains"),  # Ctrl-C
        (signal.SIGINT, "retrain", "trains"),
        (signal.SIGTERM, "retrain", "trains"),
        (signal.SIGTERM, "retrain", "waits"),  # for the first sample
    ],
)
def test_a_signal_ends_training_with_its_checkpoint_and_leaves_no_process(
    number: int, whom: str, when: str, tmp_path: Path
) -> None:
    command = [sys.executable, "-c", STARTED, str(tmp_path), when]
    root = Path(retrain.__file__).parents[1]
    process = subprocess.Popen(command, start_new_session=True, cwd=root)
    try:
        end = time.monotonic() + 30
        while not (tmp_path / "ready").exists():
            assert time.monotonic() < end
            time.sleep(0.05)
        (os.killpg if whom == "group" else os.kill)(process.pid, number)
        assert process.wait(30) == (0 if when == "trains" else 128 + number)
        assert (tmp_path / "checkpoint").exists() == (when == "trains")
        assert not running(int((tmp_path / "renderer").read_text()))
    finally:
        if process.poll() is None or running(int((tmp_path / "renderer").read_text())):
            os.killpg(process.pid, signal.SIGKILL)  # the group that this test started


def ends_in(seconds: float) -> list[str]:
    """A process that no Ctrl-C ends, and that takes so long to end when it's told to."""
    told = f"time.sleep({seconds}); sys.exit()"
    words = "import signal, sys, time\ndef end(*_):\n    " + told + "\n"
    words += "signal.signal(signal.SIGTERM, end)\ntime.sleep(60)"
    return [sys.executable, "-c", words]


@pytest.fixture
def real(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[subprocess.Popen[bytes]]]:
    """Real processes in the renderers' place, all that were started; none outlives the test."""
    started: list[subprocess.Popen[bytes]] = []
    monkeypatch.setattr(retrain, "wait_for_first", lambda *_: None)
    yield started
    for process in started:
        process.kill()
        process.wait()


@pytest.mark.parametrize("last", [1, 4])
def test_a_signal_while_renderers_are_started_leaves_none(
    real: list[subprocess.Popen[bytes]], last: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def spawn(*_: object) -> subprocess.Popen[bytes]:
        real.append(subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"]))
        if len(real) == last:
            signal.raise_signal(signal.SIGTERM)  # before the process is known to anybody else
        return real[-1]

    monkeypatch.setattr(retrain, "spawn", spawn)
    monkeypatch.setattr(retrain, "run_trainer", lambda _: pytest.fail("trained"))
    with pytest.raises(SystemExit) as ended:
        retrain.main(["--work", str(tmp_path)])
    assert ended.value.code == 128 + signal.SIGTERM
    assert len(real) >= last
    assert all(process.returncode is not None for process in real)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_second_signal_does_not_cut_the_wait_for_renderers_short(
    real: list[subprocess.Popen[bytes]],
    number: int,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def spawn(*_: object) -> subprocess.Popen[bytes]:
        real.append(subprocess.Popen(ends_in(1.0)))
        return real[-1]

    def run_trainer(_: list[str]) -> int:
        time.sleep(1.0)  # the renderers are there
        threading.Timer(0.3, signal.raise_signal, [number]).start()
        signal.raise_signal(signal.SIGTERM)
        return 0

    monkeypatch.setattr(retrain, "spawn", spawn)
    monkeypatch.setattr(retrain, "start_others", lambda _: [])
    monkeypatch.setattr(retrain, "run_trainer", run_trainer)
    with pytest.raises(SystemExit) as ended:
        retrain.main(["--work", str(tmp_path)])
    assert ended.value.code == 128 + signal.SIGTERM
    assert [process.returncode for process in real] == [0]
