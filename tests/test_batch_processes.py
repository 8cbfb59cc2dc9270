"""Batch in processes of its own: killed, interrupted, doubled, poisoned, and still each photo once.

The workers read with the stand-in network, through the same environment variable as any other.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from command import run
from PIL import Image
from stand_in import BOARD
from surveys import check_sound

from collarvision.batch.lock import BatchLock, BatchLockError
from collarvision.batch.pool import EngineError, Poisoned, Pool
from collarvision.batch.worker import Done, Options, Task
from collarvision.survey import SurveyReader, SurveyWriter

ROOT = Path(__file__).resolve().parent.parent
PHOTOS = 40

pytestmark = pytest.mark.skipif(os.name == "nt", reason="needs POSIX signals")


@pytest.fixture(scope="session")
def pictures(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Forty small pictures, no two alike, two broken ones among them and one twice."""
    folder = tmp_path_factory.mktemp("pictures") / "North"
    folder.mkdir()
    for number in range(PHOTOS):
        rgb = np.full((96, 72, 3), BOARD, np.uint8)
        rgb[number, 0] = 0
        path = folder / f"{number}.png"
        Image.fromarray(rgb).save(path)
        if number % 20 == 0:
            path.write_bytes(path.read_bytes()[:40] + bytes([number]))
    (folder / "twice.png").write_bytes((folder / "1.png").read_bytes())
    return folder


@pytest.fixture
def batch(
    stand_in: Path, pictures: Path, tmp_path: Path
) -> Iterator[Callable[..., subprocess.Popen[str]]]:
    """Start the command in a group of its own, which is ended with the test."""
    started: list[subprocess.Popen[str]] = []

    def start(**more: Any) -> subprocess.Popen[str]:
        words = ["batch", pictures, "--survey", tmp_path / "s.survey", "--workers", "2"]
        process = subprocess.Popen(
            [sys.executable, "-m", "collarvision", *map(str, words)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=ROOT,
            start_new_session=True,
            **more,
        )
        started.append(process)
        return process

    yield start
    for process in started:
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.communicate()


def wait_for(said: Callable[[], object], seconds: float = 60.0) -> None:
    """Wait until something is so."""
    deadline = time.monotonic() + seconds
    while not said():
        assert time.monotonic() < deadline, "it never came"
        time.sleep(0.005)


def readings(survey: Path) -> int:
    """Readings stored so far, asked from outside while a batch writes."""
    if not survey.exists():
        return 0
    try:
        with closing(sqlite3.connect(f"{survey.as_uri()}?mode=ro", uri=True)) as connection:
            count = connection.execute("SELECT count(*) FROM readings").fetchone()[0]
    except sqlite3.OperationalError:  # its tables aren't made yet
        return 0
    return int(count)


def check_complete(survey: Path) -> None:
    """Every picture once, with one reading; the copy as a second file of its picture."""
    check_sound(survey)
    with SurveyReader(survey) as opened:
        names = [row.photo for row in opened.plants()]
        counts = {len(list(opened.history(row.sha256))) for row in opened.plants()}
        assert opened.photo_count() == len(names) == PHOTOS
        assert counts == {1}
    assert set(names) | {"twice.png"} >= {f"{number}.png" for number in range(PHOTOS)} - {"1.png"}


def is_empty(group: int) -> bool:
    """Say whether no process of a group is left but zombies, which nobody may have reaped yet."""
    if shutil.which("ps") is None:
        time.sleep(3.0)
        return True
    states = subprocess.run(
        ["ps", "-o", "stat=", "-g", str(group)], capture_output=True, text=True
    ).stdout.split()
    return all(state.startswith("Z") for state in states)


def test_killed_at_any_moment_each_photo_is_read_once(
    batch: Callable[[], subprocess.Popen[str]], tmp_path: Path
) -> None:
    survey, chance = tmp_path / "s.survey", random.Random()
    kills = 0
    for _ in range(4):
        process, before = batch(), readings(survey)
        goal = before + chance.choice([0, 1, 2, 5, 12])
        wait_for(lambda: readings(survey) >= goal or process.poll() is not None)  # noqa: B023
        time.sleep(chance.uniform(0, 0.4 if goal == before else 0.05))
        if process.poll() is None:
            process.kill()
            kills += 1
        process.communicate()
        wait_for(lambda: is_empty(process.pid), 20)  # noqa: B023
        if survey.exists() and survey.stat().st_size:
            check_sound(survey)
    assert kills
    process = batch()
    out, said = process.communicate(timeout=120)
    assert process.returncode == 0, said
    assert "Traceback" not in said
    check_complete(survey)


def test_ctrl_c_finishes_the_photos_in_hand(
    batch: Callable[[], subprocess.Popen[str]], tmp_path: Path
) -> None:
    survey = tmp_path / "s.survey"
    process = batch()
    wait_for(lambda: readings(survey) >= 2)
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does: to every process of the group
    out, said = process.communicate(timeout=60)
    assert process.returncode == 130, said
    assert "Traceback" not in said
    assert "run the same command to go on" in said
    assert 2 <= readings(survey) < PHOTOS
    wait_for(lambda: is_empty(process.pid), 20)
    check_sound(survey)
    process = batch()
    process.communicate(timeout=120)
    check_complete(survey)


def test_two_batches_at_once_the_second_is_told(
    batch: Callable[[], subprocess.Popen[str]], tmp_path: Path
) -> None:
    survey = tmp_path / "s.survey"
    first, held = batch(), BatchLock(survey).path
    wait_for(lambda: held.exists() and held.read_bytes().endswith(b"\n"))
    # Held still until the second has been told: on a busy machine it may else end before.
    os.kill(first.pid, signal.SIGSTOP)
    second = batch()
    _, said = second.communicate(timeout=120)
    os.kill(first.pid, signal.SIGCONT)
    assert second.returncode == 2, said
    assert f"Another batch (process {first.pid}) is filling {survey}" in said
    first.communicate(timeout=120)
    assert first.returncode == 0
    check_complete(survey)


def test_a_disk_that_takes_no_more_is_one_sentence_and_a_rerun_completes(
    batch: Callable[..., subprocess.Popen[str]], tmp_path: Path
) -> None:
    def bound_files() -> None:
        import resource

        resource.setrlimit(resource.RLIMIT_FSIZE, (250_000, 250_000))

    survey = tmp_path / "s.survey"
    process = batch(preexec_fn=bound_files)
    _, said = process.communicate(timeout=60)
    assert process.returncode == 3, said
    assert "Traceback" not in said
    assert str(survey) in said
    assert "run the same command again" in said
    assert 0 < readings(survey) < PHOTOS
    check_sound(survey)
    batch().communicate(timeout=120)
    check_complete(survey)


def test_the_lock_is_free_again_however_its_holder_ends(tmp_path: Path) -> None:
    survey = tmp_path / "s.survey"
    code = (
        "import sys, time; from pathlib import Path\n"
        "from collarvision.batch.lock import BatchLock\n"
        "with BatchLock(Path(sys.argv[1])): print('held', flush=True); time.sleep(60)"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", code, str(survey)], stdout=subprocess.PIPE, text=True, cwd=ROOT
    )
    assert holder.stdout is not None
    assert holder.stdout.readline() == "held\n"
    with pytest.raises(BatchLockError, match=f"process {holder.pid}"), BatchLock(survey):
        pass
    holder.kill()
    holder.communicate()
    with BatchLock(survey) as lock:
        assert lock.path.exists()
    assert not lock.path.exists()


# ------------------------------------------------------------------ the pool alone


def run_pool(pool: Pool, paths: list[Path]) -> tuple[list[Done], list[Poisoned]]:
    tasks = (Task(number, str(path), None) for number, path in enumerate(paths))
    ends = list(pool.run(tasks, lambda: False))
    assert sorted(end.task.number for end in ends) == list(range(len(paths)))
    return (
        [end for end in ends if isinstance(end, Done)],
        [end for end in ends if isinstance(end, Poisoned)],
    )


@pytest.fixture
def deadly(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Make workers die of a photo named poison and hang on one named hang.

    They import `sitecustomize` as any Python does when it starts, and this one changes the room
    that reads photos, so that their own code runs as it is.
    """
    (tmp_path / "site").mkdir()
    (tmp_path / "site" / "sitecustomize.py").write_text(
        "import os, signal, sys, time\n"
        "def watch(event, args):\n"
        "    if event == 'open' and isinstance(args[0], str):\n"
        "        name = os.path.basename(args[0])\n"
        "        if name == 'poison.png': os.kill(os.getpid(), signal.SIGKILL)\n"
        "        if name == 'hang.png': time.sleep(600)\n"
        "sys.addaudithook(watch)\n"
    )
    monkeypatch.setenv("PYTHONPATH", str(tmp_path / "site"))


@pytest.mark.usefixtures("deadly", "stand_in")
def test_a_photo_that_kills_or_hangs_workers_is_set_aside_and_the_others_are_read(
    pictures: Path, tmp_path: Path
) -> None:
    bad = [tmp_path / "poison.png", tmp_path / "hang.png"]
    for path in bad:
        path.write_bytes((pictures / "1.png").read_bytes())
    good = [pictures / f"{number}.png" for number in range(1, 9)]
    pool = Pool(2, Options(), photo_seconds=1.5)
    done, poisoned = run_pool(pool, [*good[:4], *bad, *good[4:]])
    assert sorted(end.task.path for end in done) == sorted(map(str, good))
    assert {end.task.path: end.why for end in poisoned} == {
        str(bad[0]): "by SIGKILL",
        str(bad[1]): "it took too long",
    }
    assert {end.model and end.model.name for end in done} == {"stand-in"}


def test_no_network_is_one_sentence(
    pictures: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLLARVISION_MODEL", str(tmp_path / "gone.onnx"))
    result = run("batch", pictures, "--survey", tmp_path / "s.survey")
    assert result.exit_code == 4
    assert "gone.onnx is missing" in result.stderr
    broken = tmp_path / "broken.onnx"
    broken.write_bytes(b"no network")
    monkeypatch.setenv("COLLARVISION_MODEL", str(broken))
    with pytest.raises(EngineError, match="can't be read"):
        run_pool(Pool(1, Options()), [pictures / "1.png"])


# ------------------------------------------------------------------ the command


def test_a_list_of_odd_sources_ends_in_a_survey(
    stand_in: Path, pictures: Path, tmp_path: Path
) -> None:
    odd = tmp_path / "Größe 2027-05-20" / ("long" * 40)
    odd.mkdir(parents=True)
    for number, name in enumerate(["пшеница.png", "a" * 200 + ".png", "'; --.png"]):
        (odd / name).write_bytes((pictures / f"{number + 1}.png").read_bytes())
    survey = tmp_path / "s.survey"
    words: tuple[Any, ...] = (tmp_path, tmp_path / "gone.png", "--survey", survey, "--workers", 1)
    result = run("batch", *words, "--field", "North")
    assert result.exit_code == 0, result.output
    assert "1 could not be opened" in result.stdout
    assert "gone.png" in result.stdout
    with SurveyReader(survey) as opened:
        assert {(row.field, row.date) for row in opened.plants()} == {("Größe", "2027-05-20")}
        assert opened.photo_count() == 3


def test_a_survey_that_cannot_be_used_is_status_3(
    stand_in: Path, pictures: Path, tmp_path: Path
) -> None:
    other = tmp_path / "notes.txt"
    other.write_text("not a survey")
    for survey in (other, tmp_path / "no" / "s.survey", tmp_path):
        result = run("batch", pictures, "--survey", survey)
        assert result.exit_code == 3, result.output
        assert "survey" in result.stderr
    assert other.read_text() == "not a survey"


def test_a_typo_in_every_source_makes_no_survey(pictures: Path, tmp_path: Path) -> None:
    survey, empty = tmp_path / "s.survey", tmp_path / "empty"
    empty.mkdir()
    (tmp_path / "list.txt").write_text("# none yet\n")
    for word, said in (
        ("nowhere", "There is no file"),
        ("empty", "holds no photo"),
        ("*.png", "No file matches"),
        ("list.txt", "names no photo"),
        ("gone.txt", "can't be read"),
    ):
        result = run("batch", tmp_path / word, "--survey", survey)
        assert result.exit_code == 2
        assert said in result.stderr
        assert not survey.exists()
    (empty / "plant.gif").write_bytes(b"x")
    result = run("batch", tmp_path / "nowhere", empty, pictures, "--survey", survey)
    assert result.exit_code == 0
    assert "1 other file passed over (.gif)" in result.stderr


def test_a_survey_that_may_only_be_read_is_status_3(pictures: Path, ordinary_user: Path) -> None:
    folder = ordinary_user / "season"
    folder.mkdir()
    SurveyWriter(folder / "s.survey", create=True).close()
    (folder / "s.survey").chmod(0o444)
    result = run("batch", pictures, "--survey", folder / "s.survey")
    assert result.exit_code == 3
    assert "can't be written to" in result.stderr


@pytest.mark.parametrize("words", [("--height-rule", "top"), ("--field", " "), ("--workers", "0")])
def test_options_that_make_no_sense_are_status_2(
    words: tuple[str, str], pictures: Path, tmp_path: Path
) -> None:
    assert run("batch", pictures, "--survey", tmp_path / "s.survey", *words).exit_code == 2
    assert not (tmp_path / "s.survey").exists()
