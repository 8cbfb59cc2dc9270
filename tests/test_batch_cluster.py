"""Batch on a Dask cluster: a real scheduler and two workers, processes on the loopback address."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from command import run
from PIL import Image
from stand_in import BOARD
from surveys import check_sound

from collarvision.batch import Job, run_batch
from collarvision.batch.cluster import Cluster, _idle, _Run, _Sent, stage_on_worker
from collarvision.batch.pool import EngineError, Poisoned
from collarvision.batch.sources import find_photos
from collarvision.batch.worker import CannotRead, Done, Options, Task, model_facts
from collarvision.reading import rejected
from collarvision.survey import ModelFacts, SurveyReader, SurveyWriter

pytest.importorskip("distributed", reason="needs the cluster extra")
pytestmark = pytest.mark.skipif(os.name == "nt", reason="needs POSIX signals")

ROOT = Path(__file__).resolve().parent.parent
PHOTOS = 24

# A worker's own code runs as it is; only opening a file is slowed down, or deadly, so that there is
# a half way to be killed at. Python imports this as it starts.
SITE = """
import os, signal, sys, time
def watch(event, args):
    if event == 'open' and isinstance(args[0], str):
        name = os.path.basename(args[0])
        if name == 'poison.png': os.kill(os.getpid(), signal.SIGKILL)
        if name.endswith('.png'): time.sleep(0.1)
sys.addaudithook(watch)
"""

Start = Callable[..., subprocess.Popen[bytes]]


@pytest.fixture(scope="module")
def pictures(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("cluster") / "North"
    folder.mkdir()
    for number in range(PHOTOS):
        rgb = np.full((96, 72, 3), BOARD, np.uint8)
        rgb[number, 0] = 0
        Image.fromarray(rgb).save(folder / f"{number}.png")
    return folder


@pytest.fixture
def start(tmp_path: Path, stand_in: Path) -> Iterator[Start]:
    """Start a Dask process in a group of its own, which is ended with the test."""
    started: list[subprocess.Popen[bytes]] = []
    (tmp_path / "site").mkdir()
    (tmp_path / "site" / "sitecustomize.py").write_text(SITE)
    paths = os.pathsep.join([str(tmp_path / "site"), str(ROOT)])

    def begin(kind: str, *words: str, **environment: str) -> subprocess.Popen[bytes]:
        own = () if kind == "scheduler" else ("--nthreads", "1")
        process = subprocess.Popen(
            [
                *(sys.executable, "-m", f"distributed.cli.dask_{kind}", *own, *words),
                *("--scheduler-file", str(tmp_path / "scheduler.json"), "--no-dashboard"),
                *("--host", "127.0.0.1"),
            ],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            cwd=tmp_path,
            env={**os.environ, "PYTHONPATH": paths, **environment},
            start_new_session=True,
        )
        started.append(process)
        return process

    yield begin
    for process in started:
        end(process)


def end(process: subprocess.Popen[bytes]) -> None:
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.wait()


@pytest.fixture
def scheduler(start: Start, tmp_path: Path) -> str:
    start.scheduler = start("scheduler", "--port", "0")  # type: ignore[attr-defined]
    file = tmp_path / "scheduler.json"
    deadline = time.monotonic() + 30
    while not file.exists() or not file.read_text().strip():
        assert time.monotonic() < deadline, "the scheduler never started"
        time.sleep(0.05)
    return str(file)


def stage(folder: Path, survey: Path, cluster: Cluster, **more: Any) -> Any:
    with SurveyWriter(survey, create=True) as store:
        return run_batch(Job(find_photos([folder]), model_facts()), store, cluster, **more)


def check_each_once(survey: Path, photos: int) -> None:
    check_sound(survey)
    with SurveyReader(survey) as store:
        rows = list(store.plants())
        assert len(rows) == photos
        assert all(len(list(store.history(row.sha256))) == 1 for row in rows)


@pytest.mark.slow
def test_one_of_two_workers_killed_half_way_and_nothing_is_lost(
    start: Start, scheduler: str, pictures: Path, tmp_path: Path
) -> None:
    workers = [start("worker"), start("worker")]
    seen: list[str] = []

    def tell(step: str, name: str) -> None:
        seen.append(step)
        if len(seen) == PHOTOS // 2:
            end(workers[0])

    survey = tmp_path / "s.survey"
    result = stage(pictures, survey, Cluster(scheduler, Options(), model_facts()), tell=tell)
    assert workers[0].returncode == -signal.SIGKILL
    assert result.steps == {"rejected": PHOTOS}  # bare boards: nothing to count
    assert not result.quarantined
    assert not result.stopped
    check_each_once(survey, PHOTOS)
    again = stage(pictures, survey, Cluster(scheduler, Options(), model_facts()))
    assert again.steps == {"known": PHOTOS}


@pytest.mark.slow
def test_a_poisoned_photo_ends_no_worker_and_is_set_aside(
    start: Start, scheduler: str, pictures: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "South"
    folder.mkdir()
    for name, number in (("a.png", 1), ("poison.png", 2), ("z.png", 3)):
        (folder / name).write_bytes((pictures / f"{number}.png").read_bytes())
    workers = [start("worker"), start("worker")]
    survey = tmp_path / "s.survey"
    result = stage(folder, survey, Cluster(scheduler, Options(), model_facts()))
    assert result.quarantined == (str(folder / "poison.png"),)
    assert result.steps == {"rejected": 3}
    assert all(worker.poll() is None for worker in workers)
    with SurveyReader(survey) as store:
        faults = {row.photo: row.record["fault"] for row in store.plants()}
    assert "by SIGKILL" in faults["poison.png"]
    assert faults["a.png"] is faults["z.png"] is None
    check_each_once(survey, 3)


@pytest.mark.slow
def test_the_command_reads_on_the_cluster(
    start: Start, scheduler: str, pictures: Path, tmp_path: Path
) -> None:
    start("worker")
    survey = tmp_path / "s.survey"
    result = run("batch", pictures, "--survey", survey, "--cluster", scheduler)
    assert result.exit_code == 0, result.output
    assert f"Read {PHOTOS} photos" in result.stdout
    check_each_once(survey, PHOTOS)


@pytest.mark.slow
def test_workers_that_read_differently_are_refused(
    start: Start, scheduler: str, pictures: Path, tmp_path: Path
) -> None:
    start("worker")
    other = ModelFacts("0" * 64, None, "guesses")
    survey = tmp_path / "s.survey"
    with pytest.raises(EngineError, match="another network or calibration"):
        stage(pictures, survey, Cluster(scheduler, Options(), other))
    check_sound(survey)


@pytest.mark.slow
def test_a_cluster_without_workers_is_one_sentence(
    start: Start, scheduler: str, pictures: Path, tmp_path: Path
) -> None:
    cluster = Cluster(scheduler, Options(), model_facts(), patience_seconds=0.5)
    with pytest.raises(EngineError, match="no worker"):
        stage(pictures, tmp_path / "s.survey", cluster)


def test_no_scheduler_is_one_sentence(
    stand_in: Path, pictures: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collarvision.batch.cluster.CONNECT_SECONDS", 0.5)
    with socket.socket() as taken:  # bound and not listening: nobody answers there
        taken.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{taken.getsockname()[1]}"
        result = run("batch", pictures, "--survey", tmp_path / "s.survey", "--cluster", address)
    assert result.exit_code == 4
    assert "No Dask scheduler answers" in result.stderr
    gone = tmp_path / "gone.json"
    result = run("batch", pictures, "--survey", tmp_path / "s.survey", "--cluster", gone)
    assert "no scheduler file" in result.stderr


def test_workers_and_cluster_exclude_each_other(pictures: Path, tmp_path: Path) -> None:
    words = ("--survey", tmp_path / "s.survey", "--cluster", "a:1", "--workers", 2)
    result = run("batch", pictures, *words)
    assert result.exit_code == 2
    assert "leave it out" in result.stderr


@pytest.mark.slow
def test_a_scheduler_that_goes_ends_the_run_and_what_was_read_is_kept(
    start: Start, scheduler: str, pictures: Path, tmp_path: Path
) -> None:
    start("worker")
    seen: list[str] = []

    def tell(step: str, name: str) -> None:
        seen.append(name)
        if len(seen) == 4:
            end(start.scheduler)  # type: ignore[attr-defined]

    survey = tmp_path / "s.survey"
    began = time.monotonic()
    with pytest.raises(EngineError, match="scheduler is gone"):
        stage(pictures, survey, Cluster(scheduler, Options(), model_facts()), tell=tell)
    assert time.monotonic() - began < 60
    check_each_once(survey, len(seen))


def test_a_scheduler_that_goes_while_it_is_asked_is_said_to_be_gone() -> None:
    class Leaving:
        status = "running"

        def nthreads(self) -> dict[str, int]:
            raise OSError("Timed out trying to connect")

    run = _Run(Leaving(), Options(), model_facts(), 5.0)  # type: ignore[arg-type]
    with pytest.raises(EngineError, match="scheduler is gone"):
        run._look_around()


@pytest.mark.slow
def test_a_wish_to_stop_finishes_what_is_in_hand(
    start: Start, scheduler: str, pictures: Path, tmp_path: Path
) -> None:
    start("worker")
    seen: list[str] = []
    result = stage(
        pictures,
        tmp_path / "s.survey",
        Cluster(scheduler, Options(), model_facts()),
        tell=lambda step, name: seen.append(name),
        stopping=lambda: len(seen) >= 3,
    )
    assert result.stopped
    assert 3 <= len(seen) < PHOTOS
    check_each_once(tmp_path / "s.survey", len(seen))


class Told:
    """A future that ends as it is told to."""

    def __init__(self, said: Any) -> None:
        self.said = said

    def result(self, timeout: float) -> Any:
        if isinstance(self.said, Exception):
            raise self.said
        return self.said


def test_what_the_scheduler_says_of_a_task_is_told_or_tried_again(
    stand_in: Path, pictures: Path
) -> None:
    from types import SimpleNamespace

    from distributed import KilledWorker

    run_ = _Run(SimpleNamespace(status="running"), Options(), model_facts(), 1.0)
    task = Task(1, str(pictures / "1.png"), "0" * 64)
    lost = KilledWorker("a", None, 3)
    assert run_._end_of(_Sent(task, Told(lost))) is None
    assert list(run_._again) == [task]  # once more, before it is held to be its fault
    twice = run_._end_of(_Sent(task, Told(lost)))
    assert isinstance(twice, Poisoned)
    assert "machines" in twice.why
    other = run_._end_of(_Sent(task, Told(MemoryError("no room"))))
    assert isinstance(other, Poisoned)
    assert "MemoryError: no room" in other.why
    with pytest.raises(EngineError, match="install the same version"):
        run_._end_of(_Sent(task, Told(ModuleNotFoundError("No module named 'collarvision'"))))
    with pytest.raises(EngineError, match="can't read photos"):
        run_._end_of(_Sent(task, Told(CannotRead("No network."))))
    unseen = Done(task, rejected(task.path, "There is no file."), None)
    end_ = run_._end_of(_Sent(task, Told(unseen)))
    assert isinstance(end_, Done)
    assert "that every machine sees" in end_.reading.reasons[0]
    run_._client.status = "closed"
    with pytest.raises(EngineError, match="scheduler is gone"):
        run_._end_of(_Sent(task, Told(RuntimeError("connection lost"))))


# ------------------------------------------------------------------ on a worker, without Dask


@pytest.fixture
def no_processes_left() -> Iterator[None]:
    yield
    while _idle:
        _, process = _idle.pop()
        process.dismiss()
        process.close()


@pytest.mark.usefixtures("no_processes_left")
def test_one_process_reads_photo_after_photo_and_a_poisoned_one_ends_two(
    stand_in: Path, pictures: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "sitecustomize.py").write_text(SITE)
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(tmp_path), str(ROOT)]))
    done = [stage_on_worker(Task(k, str(pictures / f"{k}.png"), None), Options()) for k in (1, 2)]
    assert all(isinstance(end, Done) and end.reading.outcome == "rejected" for end in done)
    assert len(_idle) == 1
    first = _idle[0][1].process.pid
    (tmp_path / "poison.png").write_bytes((pictures / "3.png").read_bytes())
    bad = stage_on_worker(Task(3, str(tmp_path / "poison.png"), None), Options())
    assert isinstance(bad, Poisoned)
    assert bad.why == "by SIGKILL"
    assert not _idle
    again = stage_on_worker(Task(4, str(pictures / "4.png"), None), Options(check_bar_mm=99.0))
    assert isinstance(again, Done)
    assert _idle[0][1].process.pid != first


@pytest.mark.usefixtures("no_processes_left")
def test_a_worker_without_a_network_says_so(
    pictures: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLLARVISION_MODEL", str(tmp_path / "gone.onnx"))
    said = stage_on_worker(Task(1, str(pictures / "1.png"), None), Options())
    assert isinstance(said, CannotRead)
    assert "gone.onnx is missing" in said.sentence
