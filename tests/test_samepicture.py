"""One picture in several files: it counts once, whatever order they come in and what they show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import permutations
from pathlib import Path
from typing import Any

import pytest
from command import run
from fastapi.testclient import TestClient
from hypothesis import given
from hypothesis import strategies as st
from surveys import MODEL, NORTH, reading, sha
from test_batch import InThisProcess, rows, stage, summary
from test_batch_again import put, side
from test_handcount_known import (
    DAY,
    SAME,
    client,
    listed,
    original,
    plants_of,
    refused,
    send,
    survey,
)

from collarvision.batch.pool import Poisoned
from collarvision.batch.worker import Done, Options, Task, model_facts, stage_file
from collarvision.survey import Place, SurveyError, SurveyReader, SurveyWriter
from collarvision.together import joint_record, pictures_of, put_together

__all__ = ["client", "original", "survey"]  # fixtures

PIXELS: dict[str, dict[str, str]] = {
    "page": {"pixels_sha256": "b", "sent_pixels_sha256": "a"},
    "copy": {"pixels_sha256": "b"},
    "orig": {"pixels_sha256": "a"},
}
"""A photo, what a phone's page made of it, and a file of that with other notes in it."""


def record(kind: str, number: int, stage: int = 3, sure: float = 0.85, **more: Any) -> dict:
    belief = tuple(0.8 if k == stage else 0.2 / 12 for k in range(13))
    said = {"stage_probabilities": belief, "confidence": sure, "outcome": "hand-count"}
    one = reading(f"{kind}{number}.jpg", stage, **{**said, **more})  # type: ignore[arg-type]
    return {**one.record(), "sha256": sha(number), **PIXELS.get(kind, {"pixels_sha256": kind})}


THREE = [record(kind, n) for n, kind in enumerate(PIXELS, start=1)]


# ------------------------------------------------------------------ one look


@pytest.mark.parametrize("order", permutations(range(3)))
def test_three_files_of_one_picture_are_one_look(order: Sequence[int]) -> None:
    records = [THREE[k] for k in order]
    assert pictures_of(records) == [[0, 1, 2]]
    plant, alone = put_together(records), put_together(records[:1])
    assert (plant.outcome, plant.confidence) == ("hand-count", alone.confidence)
    said = joint_record(records)["evidence"]
    assert len(said) == 2
    assert all("is the same picture as" in words for words in said)
    # A copy that shows nothing still tells that the others are one picture.
    records[order.index(0)] = {**THREE[0], "outcome": "rejected", "stage": None}
    assert put_together(records).outcome == "hand-count"
    assert put_together(records).confidence == alone.confidence


@pytest.mark.parametrize("order", permutations(range(3)))
def test_of_copies_that_are_read_otherwise_the_least_bold_has_the_say(order: Sequence[int]) -> None:
    staged = [
        record("page", 1, outcome="staged", sure=0.95),
        record("copy", 2, outcome="staged", sure=0.96),
    ]
    records = [[*staged, record("orig", 3)][k] for k in order]
    assert put_together(records).outcome == "hand-count"
    said = joint_record(records)["evidence"]
    assert len(said) == 2
    assert all(words.endswith("the same picture as orig3.jpg: it counts once.") for words in said)


@given(
    kinds=st.permutations(["page", "copy", "orig", "page", "orig"]),
    staged=st.lists(st.booleans(), min_size=5, max_size=5),
    stages=st.lists(st.integers(2, 4), min_size=5, max_size=5),
    other=st.sampled_from([None, "beside"]),
)
def test_any_mix_of_copies_in_any_order_is_no_bolder_than_one(
    kinds: list[str], staged: list[bool], stages: list[int], other: str | None
) -> None:
    copies = [
        record(kind, n, stage, 0.95 if sure else 0.85, outcome="staged" if sure else "hand-count")
        for n, (kind, sure, stage) in enumerate(zip(kinds, staged, stages, strict=True), start=1)
    ]
    beside = [] if other is None else [record(other, 9)]

    def answer(records: list[dict]) -> tuple[object, ...]:
        plant = put_together(records)
        sure = None if plant.confidence is None else round(plant.confidence, 9)
        return plant.outcome, plant.stage, sure

    plant = answer([*copies, *beside])
    assert plant in [answer([one, *beside]) for one in copies]
    if not all(staged) and not beside:
        assert plant[0] == "hand-count"
    assert len(joint_record([*copies, *beside])["evidence"]) == 4 + len(beside)


def test_nobody_can_say_that_files_joined_by_a_third_are_two_looks(tmp_path: Path) -> None:
    path = tmp_path / "s.survey"
    with SurveyWriter(path, create=True) as store:
        for number, kind in enumerate(("copy", "orig", "page"), start=1):
            said = reading(f"{kind}.jpg")
            store.add_reading(
                said, sha256=sha(number), model=MODEL, place=NORTH, notes=PIXELS[kind]
            )
        with pytest.raises(SurveyError, match=SAME):
            store.say_one_plant([sha(1), sha(2), sha(3)])
    result = run("together", path, "copy", "orig", "page")
    assert result.exit_code == 2
    assert f"{SAME} It counts once." in " ".join(result.stderr.split())
    (plant,) = plants_of(path)
    assert len(plant.others) == 2


def test_every_command_goes_on_where_three_files_hold_one_picture(
    client: TestClient, survey: Path, original: bytes
) -> None:
    send(client, original)
    (copy,) = Path(f"{survey}-photos").rglob("*.jpg")
    root = survey.parent / "photos"
    put(root / "North" / DAY / f"{copy.stem} (1).jpg", copy.read_bytes(), "rated")
    put(root / "North" / DAY / "IMG_1.jpg", original)

    def unsure(task: Task, options: Options) -> Done:
        done = stage_file(task, options)
        if task.path.endswith("IMG_1.jpg"):
            why = ("A collar may be hidden.",)
            done = replace(done, reading=replace(done.reading, outcome="hand-count", reasons=why))
        return done

    stage(root, InThisProcess(unsure))
    (plant,) = plants_of(survey)
    assert (plant.outcome, len(plant.others)) == ("hand-count", 2)
    assert run("field", survey, "--field", "North").exit_code == 0
    assert client.get("/plants").status_code == 200


# ------------------------------------------------------------------ what the program failed on


def fails(task: Task, options: Options) -> Done:
    done = stage_file(task, options)
    why = ("The program failed on this photo.",)
    nothing = replace(
        done.reading, outcome="rejected", stage=None, confidence=None, collars=(), reasons=why
    )
    return replace(done, reading=replace(nothing, fault="MemoryError"))


def blind(task: Task, options: Options) -> Done:
    return replace(fails(task, options), pixels_sha256=None)


@pytest.mark.parametrize(
    ("fault", "note"),
    [
        (blind, None),
        (fails, None),
        (fails, "rated"),
        (lambda task, _: Poisoned(task, "by SIGKILL"), None),
    ],
)
def test_a_photo_that_the_program_failed_on_can_be_sent(
    client: TestClient, survey: Path, original: bytes, fault: Any, note: str | None
) -> None:
    root, model = survey.parent / "photos", model_facts()
    file = put(root / "North" / DAY / "IMG_1.jpg", original)
    stage(root, InThisProcess(fault), model=model)
    (row,) = plants_of(survey)
    assert row.outcome == "rejected"
    data = file.read_bytes()
    if note is not None:
        data = put(survey.parent / "sent.jpg", original, note).read_bytes()
    for _ in range(2):
        said = send(client, data, "new=South")
        assert said["url"] == f"/plants/{row.sha256}"
        assert (said["outcome"], said["stage"]) != ("rejected", None)
        assert said["words"].endswith("It stays in North.")
    (now,) = plants_of(survey)
    assert (now.sha256, now.photo, now.field) == (row.sha256, "IMG_1.jpg", "North")
    assert (now.record["fault"], now.stage) == (None, said["stage"])
    with SurveyReader(survey) as store:
        assert len(list(store.history(row.sha256))) == 2  # no third for the second time
    assert stage(root, model=model).steps == {"known": 1}


def test_a_photo_that_the_page_failed_on_is_read_when_it_is_sent_again(
    client: TestClient, survey: Path, original: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise MemoryError

    with monkeypatch.context() as patch:
        patch.setattr("collarvision.reading._read", full)
        first = send(client, original)
    assert first["outcome"] == "rejected"
    of = first["url"].rsplit("/", 1)[1]
    assert refused(client, original, f"of={of}") == SAME
    again = send(client, original)
    assert (again["url"], again["stage"]) == (first["url"], 3)
    (row,) = plants_of(survey)
    assert row.record["sent_pixels_sha256"] is not None
    assert Path(row.path or "").is_file()


def test_a_photo_that_is_read_on_a_second_try_is_no_second_plant(
    client: TestClient, survey: Path, original: bytes
) -> None:
    send(client, original)
    root = survey.parent / "photos"
    put(root / "North" / DAY / "IMG_1.jpg", original)
    stage(root, InThisProcess(blind))
    result = stage(root)
    assert (result.tried_again, result.same_pictures) == (1, 1)
    (plant,) = plants_of(survey)
    assert len(plant.others) == 1


def test_a_photo_that_is_read_when_it_is_sent_again_is_no_second_plant(
    client: TestClient, survey: Path, original: bytes
) -> None:
    send(client, original)
    root = survey.parent / "photos"
    file = put(root / "North" / DAY / "IMG_1.jpg", original)
    stage(root, InThisProcess(blind))
    assert len(plants_of(survey)) == 2
    assert send(client, file.read_bytes())["stage"] == 3
    (plant,) = plants_of(survey)
    assert len(plant.others) == 1


# ------------------------------------------------------------------ plants of folders, and fields


@pytest.mark.parametrize("numbers", permutations((1, 2, 3)))
@pytest.mark.parametrize("folder", ["plant 1", "plant 5", "stop 2/plant 1"])
@pytest.mark.parametrize("together", [True, False])
def test_a_folder_s_plant_stays_whole_where_the_page_has_some_of_it(
    survey: Path, folder: str, together: bool, numbers: tuple[int, ...]
) -> None:
    day = survey.parent / "photos" / "North" / DAY
    pages = [sha(n) for n in (8, 2, 3)]
    with SurveyWriter(survey) as store:
        for sha256, n in zip(pages, (8, 2, 3), strict=True):
            store.add_reading(
                reading(f"page{n}.jpg"),
                sha256=sha256,
                model=MODEL,
                place=Place("North", DAY, None, "page"),
                notes={"pixels_sha256": f"page {n}", "sent_pixels_sha256": f"picture {n}"},
            )
        store.say_one_plant([pages[0], pages[1]] if not together else pages)
    for n in numbers:
        put(day / folder / f"IMG_{n}.jpg", b"\xff\xd8\xff\xd9", f"{n}")

    def given(task: Task, options: Options) -> Done:
        name = Path(task.path).name
        said = replace(reading(name), path=task.path, sha256=task.sha256)
        return Done(task, said, task.sha256, pixels_sha256=f"picture {name[4]}", options=options)

    engine = InThisProcess(given)
    for restage in (False, False, True):
        stage(day.parents[1], engine, restage=restage)
        (plant,) = plants_of(survey)
        assert len(plant.others) == 5
    # One more photo of the folder joins it too.
    put(day / folder / "IMG_4.jpg", b"\xff\xd8\xff\xd9", "4")
    stage(day.parents[1], engine)
    (plant,) = plants_of(survey)
    assert len(plant.others) == 6


def test_a_picture_that_stays_in_another_field_is_told(
    client: TestClient, survey: Path, original: bytes
) -> None:
    root = survey.parent / "photos"
    put(root / "North" / DAY / "IMG_1.jpg", original)
    assert stage(root).joined_pictures == ()
    put(root / "East" / "2027-05-28" / "IMG_9.jpg", original, "rated")
    put(root / "North" / DAY / "IMG_2.jpg", original, "rated too")
    result = stage(root)
    assert result.same_pictures == 2
    (one,) = result.joined_pictures
    assert (one.photo, one.twin) == ("IMG_9.jpg", "IMG_1.jpg")
    assert (
        "IMG_9.jpg holds the same picture as IMG_1.jpg: it is filed with it under North, "
        f"{DAY}, not under East, 2027-05-28." in " ".join(summary(root, result).split())
    )
    assert {row.field for row in rows(root).values()} == {"North"}
    assert stage(root).joined_pictures == ()
    # As the sentence says: without the other files it is filed where it lies.
    for name in ("IMG_1.jpg", "IMG_2.jpg"):
        (root / "North" / DAY / name).unlink()
    stage(root, restage=True)
    assert rows(root)["IMG_9.jpg"].field == "East"


# ------------------------------------------------------------------ the page


def test_a_photo_from_above_is_no_other_side(
    client: TestClient, survey: Path, original: bytes
) -> None:
    root = survey.parent / "photos"
    put(root / "North" / DAY / "IMG_1.jpg", original)
    put(root / "North" / DAY / "IMG_2.jpg", side(original, 2))

    def above(task: Task, options: Options) -> Done:
        done = stage_file(task, options)
        if task.path.endswith("IMG_1.jpg"):
            nothing = replace(done.reading, outcome="hand-count", stage=None, view="above")
            done = replace(done, reading=replace(nothing, confidence=None))
        return done

    stage(root, InThisProcess(above))
    side_on = rows(root)["IMG_2.jpg"].sha256
    seen_from_above = rows(root)["IMG_1.jpg"].sha256
    for data, of in ((original, side_on), (side(original, 3), seen_from_above)):
        told = refused(client, data, f"of={of}")
        assert told == "A photo from above shows no single plant: take one from the side."
    assert len(rows(root)) == 2
    assert {row.plant for row in rows(root).values()} == {None}


def test_the_heading_follows_what_people_say_of_plants(client: TestClient, survey: Path) -> None:
    with SurveyWriter(survey) as store:
        for number in (1, 2):
            store.add_reading(
                reading(f"{number}.jpg"),
                sha256=sha(number),
                model=MODEL,
                place=Place("North", DAY, "3", "folder", plant=str(number)),
            )
        states = store.state(), store.field_states()
    assert listed(client)[0] == "2 plants in 2 photos"
    assert run("together", survey, "1", "2").exit_code == 0
    assert listed(client)[0] == "1 plant in 2 photos"
    with SurveyReader(survey) as store:
        assert store.state() != states[0]
        assert store.field_states() != states[1]
