"""Known photos: what a batch passes over, and what it must not, whatever changed meanwhile."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import fsspec
import pytest
from command import run
from surveys import MODEL, NORTH, reading, sha
from test_batch import InThisProcess, rows, save_board, square_field, stage
from test_batch_again import boards
from test_batch_renamed import stage_from

from collarvision import commands_survey
from collarvision.batch import BatchResult, Job, staging
from collarvision.batch.pool import Poisoned
from collarvision.batch.quicklook import known_hash
from collarvision.batch.restaging import RestageNote, read_again_since
from collarvision.batch.worker import Done, Options, Task, stage_file
from collarvision.survey import FileFacts, SurveyReader, SurveyWriter
from collarvision.survey.asread import as_read

SECOND_NS = 1_000_000_000
LONG_AGO_NS = 1_700_000_000 * SECOND_NS


class AllAtOnce(InThisProcess):
    """An engine that has every photo in hand before it reads the first, as many processes have."""

    def __init__(self, gives: int | None = None, **more: Any) -> None:
        super().__init__(**more)
        self.gives = gives

    def run(
        self, tasks: Iterator[Task | None], stopping: Callable[[], bool]
    ) -> Iterator[Done | Poisoned]:
        for task in [task for task in tasks if task is not None][: self.gives]:
            self.tasks += 1
            yield self.stage(task, self.options)


def readings_of(survey: Path) -> set[int]:
    with SurveyReader(survey) as store:
        return {len(list(store.history(row.sha256))) for row in store.plants()}


# ------------------------------------------------------------------ the quick look


@pytest.mark.parametrize(
    ("where", "size", "later_ns", "seen_after_ns", "known"),
    [
        ("/p/a.jpg", 100, 0, 4 * SECOND_NS, True),
        ("/p/a.jpg", 101, 0, 4 * SECOND_NS, False),  # a clock that stood still, or was set back
        ("/p/a.jpg", 100, 1, 4 * SECOND_NS, False),
        ("/p/a.jpg", 100, -1, 4 * SECOND_NS, False),  # an older photo under its name
        # Hashed so soon after it was written that another write may show the same time (FAT: 2 s).
        ("/p/a.jpg", 100, 0, 2 * SECOND_NS, False),
        ("/p/a.jpg", 100, 0, -SECOND_NS, False),
        ("s3://farm/a.jpg", 100, 0, -SECOND_NS, True),  # a store's name of a version, no time
        ("s3://farm/a.jpg", 100, 1, 4 * SECOND_NS, False),
        ("/p/b.jpg", 100, 0, 4 * SECOND_NS, False),
    ],
)
def test_a_file_is_known_unread_only_where_nothing_can_have_changed(
    tmp_path: Path, where: str, size: int, later_ns: int, seen_after_ns: int, known: bool
) -> None:
    noted = "s3://farm/a.jpg" if "://" in where else "/p/a.jpg"
    then = FileFacts(noted, 100, LONG_AGO_NS, LONG_AGO_NS + seen_after_ns)
    now = FileFacts(where, size, LONG_AGO_NS + later_ns, LONG_AGO_NS + 90 * SECOND_NS)
    with SurveyWriter(tmp_path / "s.survey", create=True) as store:
        store.add_reading(reading(), sha256=sha(1), model=MODEL, place=NORTH, file=then)
        assert known_hash(store, now) == (sha(1) if known else None)


def test_what_was_written_just_before_it_was_staged_is_looked_into_again(
    stand_in: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = tmp_path / "photos"
    last_week, new = boards(root, 2)
    os.utime(last_week, ns=(LONG_AGO_NS, LONG_AGO_NS))
    stage(root)
    was = new.stat()
    data = bytearray(new.read_bytes())
    data[-1] ^= 1  # in the last chunk's checksum: the size stays
    new.write_bytes(data)
    os.utime(new, ns=(was.st_atime_ns, was.st_mtime_ns))  # one step of a coarse clock
    truly, looked_into = staging.hash_of, list[str]()

    def hash_of(where: str) -> str | None:
        looked_into.append(where)
        return truly(where)

    monkeypatch.setattr(staging, "hash_of", hash_of)
    stage(root)
    assert looked_into == [str(new)]  # not all of a season's photos, from a slow disk
    with SurveyReader(tmp_path / "s.survey") as store:
        assert store.photo_count() == 3


# ------------------------------------------------------------------ changed since it was looked at


def test_a_copy_of_a_photo_that_changed_in_hand_is_told_and_read_by_the_next_run(
    stand_in: Path, tmp_path: Path
) -> None:
    root = tmp_path / "photos"
    first, *_ = boards(root, 2)
    first.with_name("9.png").write_bytes(first.read_bytes())

    def change(task: Task, options: Options) -> Done:
        if task.path == str(first):
            save_board(first, 77)
        return stage_file(task, options)

    result = stage(root, AllAtOnce(stage=change))
    ((path, why),) = result.unread
    assert path.endswith("9.png")
    assert "run this batch again" in why
    with SurveyReader(tmp_path / "s.survey") as store:
        assert sorted(Path(way).name for way in store.files_of(rows(root)["0.png"].sha256)) == [
            "0.png"
        ]
    again = stage(root)
    assert again.unread == ()
    assert sorted(rows(root)) == ["0.png", "1.png", "9.png"]


def test_a_run_that_ends_with_photos_in_hand_was_stopped(stand_in: Path, tmp_path: Path) -> None:
    root = tmp_path / "photos"
    boards(root, 3)
    # Its command must keep the note of a --restage: the photos left would stay as they were.
    assert stage(root, AllAtOnce(gives=2)).stopped
    assert not stage(root, AllAtOnce()).stopped


# ------------------------------------------------------------------ read again, once


def test_restaging_keeps_one_reading_of_two_copies_far_away(stand_in: Path, tmp_path: Path) -> None:
    # What lies far away is known by its content only once it was read, each copy by itself.
    survey, memory = tmp_path / "s.survey", fsspec.filesystem("memory")
    save_board(tmp_path / "a.png", 1)
    data = (tmp_path / "a.png").read_bytes()
    try:
        stage_from(survey, tmp_path / "a.png")
        for name in ("North/a.png", "South/b.png"):
            memory.pipe(f"/farm/season/{name}", data)
        result = stage_from(survey, "memory://farm/season", restage=True)
        assert result.steps["copy"] == 1
        assert readings_of(survey) == {2}
        with SurveyReader(survey) as store:
            (row,) = store.plants()
            assert row.field == "North"
    finally:
        memory.store.clear()
        memory.pseudo_dirs[:] = [""]


@pytest.mark.parametrize(
    ("seen_s", "path", "since_s", "passed"),
    [
        (60, "/p/a.jpg", 0, True),  # a second: times of readings have no finer step
        (-60, "/p/a.jpg", 0, False),  # it wasn't there, or its turn hadn't come
        (60, "/p/b.jpg", 0, False),  # moved since: it is filed anew
        (9999, "/p/a.jpg", 60, False),  # noted since, as a copy, and not read
    ],
)
def test_a_restaging_that_goes_on_passes_over_what_it_read_itself(
    tmp_path: Path, seen_s: int, path: str, since_s: int, passed: bool
) -> None:
    with SurveyWriter(tmp_path / "s.survey", create=True) as store:
        store.add_reading(reading(), sha256=sha(1), model=MODEL, place=NORTH)
        read = as_read(store, sha(1), MODEL)
        assert read is not None
        at_ns = int(datetime.fromisoformat(read.read_at).timestamp()) * SECOND_NS
        file = FileFacts("/p/a.jpg", 100, LONG_AGO_NS, at_ns + seen_s * SECOND_NS)
        store.note_file(sha(1), file)
        assert read_again_since(store, path, read, at_ns + since_s * SECOND_NS) is passed


@pytest.mark.parametrize(
    "words",
    ["", "[]", "{}", "7", '{"command": ["season"]}', '{"command": ["season"], "began_ns": "x"}',
     '{"command": ["season"], "began_ns": null}'],
)  # fmt: skip
def test_a_note_that_power_was_lost_over_begins_anew(tmp_path: Path, words: str) -> None:
    note = RestageNote(tmp_path / "s.survey")
    note.path.write_text(words)
    assert note.begin(["season"]) is None
    assert note.begin(["season"]) is not None


def test_only_the_very_same_command_goes_on_with_a_restaging(
    stand_in: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    root, survey = tmp_path / "photos", tmp_path / "s.survey"
    boards(root, 1)
    begun: list[int | None] = []

    def stopped(job: Job, *rest: Any) -> BatchResult:
        begun.append(job.since_ns)
        return BatchResult(Counter(), (), (), 0, 0, stopped=True, seconds=0.0)

    monkeypatch.setattr(commands_survey, "_run", stopped)

    def restage(*more: object) -> int | None:
        run("batch", root, "--survey", survey, "--restage", *more)
        return begun[-1]

    # Photos that the one read would else be passed over by the other.
    outlines = square_field(tmp_path / "fields.geojson")
    for more in (
        ("--check-bar", "97.5"), ("--height-rule", "tip-down"), ("--read-codes",),
        ("--field", "East"), ("--fields", outlines), (root / "North",), (),
    ):  # fmt: skip
        assert restage(*more) is None
        assert restage(*more) is not None
    monkeypatch.chdir(root)  # the same words mean other folders there
    assert restage() is None
    assert restage() is not None
    run("batch", root, "--survey", survey)  # another batch came between
    assert not RestageNote(survey).path.exists()
    assert restage() is None
