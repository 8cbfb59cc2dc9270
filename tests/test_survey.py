"""Survey: nothing is overwritten, nothing is half written, and what isn't a survey is refused."""

from __future__ import annotations

import json
import os
import sqlite3
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from surveys import MODEL, NEWER, NORTH, check_sound, reading, sha

from collarvision.record import Record
from collarvision.survey import (
    FileFacts,
    HandCount,
    ModelFacts,
    Place,
    SurveyError,
    SurveyReader,
    SurveyWriter,
    faults,
)


@pytest.fixture
def survey(tmp_path: Path) -> Iterator[SurveyWriter]:
    with SurveyWriter(tmp_path / "season.survey", create=True) as opened:
        yield opened


def test_a_reading_comes_back_whole(survey: SurveyWriter) -> None:
    said = reading(
        taken_at="2027-05-20T09:00:00", gps=(41.5, -93.25), photo_size=(30, 40), height_mm=183.0
    )
    file = FileFacts("/photos/IMG_1.jpg", 10, 20, 30)
    assert survey.add_reading(said, sha256=sha(1), model=MODEL, place=NORTH, file=file)
    (row,) = survey.plants()
    assert (row.field, row.date, row.stop) == ("North", "2027-05-20", "3")
    assert (row.stage, row.confidence, row.height_mm) == (3, 0.95, 183.0)
    assert (row.gps, row.path, row.model) == ((41.5, -93.25), "/photos/IMG_1.jpg", "first")
    assert row.record == json.loads(json.dumps(said.record()))
    photo = survey.photo(sha(1))
    assert photo is not None
    assert (photo.size_px, photo.filed, photo.view) == ((30, 40), True, "side")
    assert survey.file_at("/photos/IMG_1.jpg") == (file, sha(1))
    (stop,) = survey.stops("North")
    assert stop.gps == (41.5, -93.25)
    assert [f.name for f in survey.fields()] == ["North"]
    assert [(v.date, v.photos) for v in survey.visits("North")] == [("2027-05-20", 1)]


def test_a_new_model_adds_a_reading_and_the_old_one_stays(survey: SurveyWriter) -> None:
    assert survey.add_reading(reading(stage=3), sha256=sha(1), model=MODEL)
    assert not survey.add_reading(reading(stage=9), sha256=sha(1), model=MODEL)
    assert survey.add_reading(reading(stage=4), sha256=sha(1), model=NEWER)
    assert survey.add_reading(reading(stage=5), sha256=sha(1), model=MODEL, again=True)
    history = list(survey.history(sha(1)))
    assert [(r.model, r.attempt, r.stage, r.latest) for r in history] == [
        ("first", 1, 3, False),
        ("second", 1, 4, False),
        ("first", 2, 5, True),
    ]
    (row,) = survey.plants()
    assert row.stage == 5
    assert survey.outcome_of(sha(1), NEWER.sha256) == "staged"
    assert survey.outcome_of(sha(2), NEWER.sha256) is None


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE readings SET stage = 9",
        "DELETE FROM readings",
        "UPDATE records SET record = '{}'",
        "DELETE FROM records",
    ],
)
def test_not_even_sql_overwrites_a_reading(survey: SurveyWriter, sql: str) -> None:
    survey.add_reading(reading(), sha256=sha(1), model=MODEL)
    connection = sqlite3.connect(survey.path)
    with pytest.raises(sqlite3.IntegrityError, match="never"):
        connection.execute(sql)
    connection.close()


@given(
    steps=st.lists(
        st.tuples(
            st.integers(0, 3),  # which content
            st.sampled_from([MODEL, NEWER]),
            st.sampled_from([None, "North", "Süd 2", "'; DROP TABLE photos; --"]),
            st.sampled_from([None, "2027-05-20", "2027-06-01"]),
            st.sampled_from([None, "1", "gate"]),
        ),
        max_size=25,
    )
)
@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
def test_adding_anything_twice_changes_nothing(
    tmp_path_factory: pytest.TempPathFactory,
    steps: list[tuple[int, ModelFacts, str | None, str | None, str | None]],
) -> None:
    """One reading for each content and model, however often and in whatever order it is added."""
    path = tmp_path_factory.mktemp("twice") / "s.survey"
    with SurveyWriter(path, create=True) as survey:
        for _ in range(2):
            for content, model, field, date, stop in steps:
                survey.add_reading(
                    reading(f"{content}.jpg"),
                    sha256=sha(content),
                    model=model,
                    place=Place(field, date, stop),
                )
            held = list(survey.plants()), list(survey.visits()), list(survey.stops())
            if _ == 0:
                first = held
        assert held == first
        for content in range(4):
            models = [r.model_sha256 for r in survey.history(sha(content))]
            assert sorted(models) == sorted({m.sha256 for c, m, *_ in steps if c == content})
        assert survey.photo_count() == len({content for content, *_ in steps})
    check_sound(path)


def test_the_first_place_stays_unless_read_again(survey: SurveyWriter) -> None:
    survey.add_reading(reading(), sha256=sha(1), model=MODEL)
    assert next(survey.plants()).field is None
    survey.note_file(sha(1), FileFacts("/a.jpg", 1, 1, 1), NORTH)
    survey.note_file(sha(1), FileFacts("/b.jpg", 1, 1, 2), Place("South"))
    assert next(survey.plants()).field == "North"
    assert list(survey.files_of(sha(1))) == ["/a.jpg", "/b.jpg"]
    assert next(survey.plants()).path == "/b.jpg"
    survey.add_reading(reading(), sha256=sha(1), model=MODEL, place=Place("South"), again=True)
    assert next(survey.plants()).field == "South"


def test_hand_counts_gather_and_the_last_one_shows(survey: SurveyWriter) -> None:
    doubtful = reading(outcome="hand-count", reasons=("Could be V3 or V4.",))
    survey.add_reading(doubtful, sha256=sha(1), model=MODEL, place=NORTH)
    (waiting,) = survey.waiting()
    assert waiting.reasons == ("Could be V3 or V4.",)
    assert (waiting.field, waiting.stop, waiting.stage) == ("North", "3", 3)
    first = HandCount("Ann", "2027-05-20T10:00", stage=3)
    second = HandCount("Bo", "2027-05-21T10:00", stage=4, nodes=4, note="split it")
    survey.add_hand_count(sha(1), first)
    survey.add_hand_count(sha(1), second)
    assert list(survey.hand_counts(sha(1))) == [first, second]
    assert next(survey.plants()).hand_count == second
    assert not list(survey.waiting())
    (stop,) = survey.stops()
    assert survey.add_stop_count(stop.id, first) > 0


@pytest.mark.parametrize(
    "count",
    [
        HandCount("Ann", "2027-05-20"),
        HandCount("Ann", "2027-05-20", stage=99),
        HandCount("Ann", "2027-05-20", height_mm=-3.0),
    ],
)
def test_an_impossible_hand_count_is_refused(survey: SurveyWriter, count: HandCount) -> None:
    survey.add_reading(reading(), sha256=sha(1), model=MODEL)
    with pytest.raises(SurveyError, match="count"):
        survey.add_hand_count(sha(1), count)
    with pytest.raises(SurveyError, match="stage it first"):
        survey.add_hand_count(sha(9), HandCount("Ann", "2027-05-20", stage=3))
    with pytest.raises(SurveyError, match="stop"):
        survey.add_stop_count(99, HandCount("Ann", "2027-05-20", stage=3))
    assert not list(survey.hand_counts(sha(1)))


def test_limits_and_decisions_are_kept_as_they_were(survey: SurveyWriter) -> None:
    survey.add_reading(reading(), sha256=sha(1), model=MODEL, place=NORTH)
    terms = {"last_stage": 8, "height_mm": 762.0, "whichever": "first"}
    limit_id = survey.add_limit("Product A", terms, "Ann")
    (visit,) = survey.visits()
    survey.add_decision(visit.id, who="Ann", verdict="wait", basis={"plants": 1}, limit_id=limit_id)
    (limit,) = survey.limits()
    assert (limit.name, limit.terms, limit.who) == ("Product A", terms, "Ann")
    (decision,) = survey.decisions("North")
    assert (decision.limit, decision.verdict, decision.basis) == (
        "Product A",
        "wait",
        {"plants": 1},
    )
    assert not list(survey.decisions("South"))


def test_counts_by_stage(survey: SurveyWriter) -> None:
    for number, stage in enumerate([3, 3, 4, None]):
        survey.add_reading(
            reading(stage=stage),
            sha256=sha(number),
            model=MODEL,
            place=Place("North", "2027-05-20"),
        )
    survey.add_reading(reading(stage=7), sha256=sha(9), model=MODEL)
    survey.add_reading(reading(stage=5), sha256=sha(0), model=NEWER)  # the latest counts, once
    counts = {(c.field, c.outcome, c.stage): c.plants for c in survey.stage_counts()}
    assert counts == {
        (None, "staged", 7): 1,
        ("North", "rejected", None): 1,
        ("North", "staged", 3): 1,
        ("North", "staged", 4): 1,
        ("North", "staged", 5): 1,
    }
    assert sum(c.plants for c in survey.stage_counts("North", "2027-05-20")) == 4
    assert not list(survey.stage_counts("South"))


def test_a_boundary_is_kept(survey: SurveyWriter) -> None:
    outline = {"type": "Polygon", "coordinates": [[[0, 0], [1, 0], [1, 1], [0, 0]]]}
    assert survey.add_field("North", outline) == survey.add_field("North")
    (field,) = survey.fields()
    assert (field.boundary, field.photos) == (outline, 0)


def test_names_that_are_no_text(survey: SurveyWriter) -> None:
    name = os.fsdecode(b"IMG_\xff.jpg")
    file = FileFacts(f"/photos/{name}", 1, 1, 1)
    survey.add_reading(reading(name), sha256=sha(1), model=MODEL, file=file)
    assert survey.file_at(file.path) is not None
    (row,) = survey.plants()
    Record.model_validate(row.record)


def test_numbers_of_numpy_stay_numbers(survey: SurveyWriter) -> None:
    said = reading(height_mm=np.float32(183.5), confidence=np.float64(0.5))
    survey.add_reading(said, sha256=sha(1), model=MODEL)
    (row,) = survey.plants()
    assert (row.height_mm, row.confidence) == (183.5, 0.5)


def test_a_full_disk_is_a_sentence_and_undoes_the_photo(tmp_path: Path) -> None:
    path = tmp_path / "s.survey"
    with SurveyWriter(path, create=True) as survey:
        survey.add_reading(reading(), sha256=sha(0), model=MODEL)
        # SQLite answers SQLITE_FULL at this bound as it does on a full disk.
        pages = survey._connection.execute("PRAGMA page_count").fetchone()[0]
        survey._connection.execute(f"PRAGMA max_page_count = {pages + 2}")
        said = ""
        for number in range(1, 1000):
            try:
                survey.add_reading(reading(), sha256=sha(number), model=MODEL, place=NORTH)
            except SurveyError as error:
                said = str(error)
                break
        assert "is full: free some space" in said
        kept = list(survey.plants())
        assert 1 <= len(kept) == number
        assert survey.photo_count() == len(kept)
    check_sound(path)


def test_a_survey_held_by_another_program_is_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "s.survey"
    monkeypatch.setattr("collarvision.survey.opening.BUSY_SECONDS", 0.1)
    with SurveyWriter(path, create=True) as survey:
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(SurveyError, match="in use by another program"):
            survey.add_reading(reading(), sha256=sha(1), model=MODEL)
        other.execute("ROLLBACK")
        other.close()
        assert survey.add_reading(reading(), sha256=sha(1), model=MODEL)


def test_a_damaged_survey_is_a_sentence(tmp_path: Path) -> None:
    path = tmp_path / "s.survey"
    with SurveyWriter(path, create=True) as survey:
        for number in range(200):
            survey.add_reading(reading(), sha256=sha(number), model=MODEL)
    data = bytearray(path.read_bytes())
    data[8192:] = os.urandom(len(data) - 8192)
    path.write_bytes(data)
    with pytest.raises(SurveyError, match="damaged"), SurveyReader(path) as opened:
        list(opened.plants())


def test_faults_of_the_program_are_not_dressed_up() -> None:
    with pytest.raises(sqlite3.OperationalError), faults.told(Path("s.survey")):
        sqlite3.connect(":memory:").execute("SELECT * FROM nothing_here")


def test_a_reader_sees_one_moment_while_a_writer_goes_on(survey: SurveyWriter) -> None:
    for number in range(600):
        survey.add_reading(reading(), sha256=sha(number), model=MODEL)
    with SurveyReader(survey.path) as opened:
        plants = opened.plants()
        next(plants)
        for number in range(600, 700):
            survey.add_reading(reading(), sha256=sha(number), model=MODEL)
        assert 1 + sum(1 for _ in plants) == 600


def fill(path: Path, photos: int, visits: int) -> None:
    """Many photos at once, past the writer's own pace; every visit has as many."""
    with SurveyWriter(path, create=True) as survey:
        for visit in range(visits):
            place = Place(f"Field {visit // 4}", f"2027-05-{visit % 4 + 1:02d}")
            survey.add_reading(reading(), sha256=sha(visit), model=MODEL, place=place)
    connection = sqlite3.connect(path, isolation_level=None)
    record = json.dumps(reading().record())
    connection.execute("BEGIN")
    connection.executemany(
        "INSERT INTO photos (id, sha256, name, visit_id) VALUES (?, ?, 'x.jpg', ?)",
        ((k, sha(k), 1 + (k - 10_000) * visits // photos) for k in range(10_000, 10_000 + photos)),
    )
    connection.executemany(
        "INSERT INTO readings (id, photo_id, model_id, attempt, calibration, read_at, outcome, "
        "stage) VALUES (?, ?, 1, 1, 'guesses', '2027-05-20', 'staged', ?)",
        ((k, k, k % 9) for k in range(10_000, 10_000 + photos)),
    )
    connection.executemany(
        "INSERT INTO records VALUES (?, ?)", ((k, record) for k in range(10_000, 10_000 + photos))
    )
    connection.execute("COMMIT")
    connection.close()


def test_questions_about_one_field_go_through_indexes(tmp_path: Path) -> None:
    """No question may walk through all photos or readings: SQLite tells how it would answer."""
    path = tmp_path / "s.survey"
    fill(path, 2000, 40)
    asked: list[str] = []
    with SurveyReader(path) as survey:
        survey._connection.set_trace_callback(asked.append)
        list(survey.stage_counts("Field 3"))
        list(survey.plants("Field 3"))
        list(survey.plants("Field 3", "2027-05-01"))
        list(survey.history(sha(5)))
        survey.outcome_of(sha(5), MODEL.sha256)
        survey.file_at("/nowhere.jpg")
        list(survey.visits("Field 3"))
        survey._connection.set_trace_callback(None)
        for sql in asked:
            plan = survey._connection.execute(f"EXPLAIN QUERY PLAN {sql}").fetchall()
            steps = [str(step["detail"]) for step in plan]
            scans = [s for s in steps if s.startswith(("SCAN p", "SCAN r", "SCAN c", "SCAN v"))]
            assert not scans, (sql, steps)


def test_asking_does_not_slow_with_the_size_of_the_rest(tmp_path: Path) -> None:
    took: dict[int, float] = {}
    for visits in (10, 200):
        path = tmp_path / f"{visits}.survey"
        fill(path, visits * 100, visits)
        with SurveyReader(path) as survey:
            times = []
            for _ in range(5):
                began = time.perf_counter()
                list(survey.stage_counts("Field 1"))
                times.append(time.perf_counter() - began)
            took[visits] = min(times)
    # Twenty times the survey, the same field: a walk through it all would take twenty times.
    assert took[200] < 8 * took[10] + 0.005


def test_answers_stream(
    tmp_path: Path, count_memory: Callable[[Callable[[], object]], int]
) -> None:
    path = tmp_path / "s.survey"
    fill(path, 6_000, 4)
    with SurveyReader(path) as survey:
        few = count_memory(lambda: next(survey.plants()))
        all_of_them = count_memory(lambda: sum(1 for _ in survey.plants()))
    assert all_of_them < few + 2_000_000  # all records held at once would be some 8 MB


@pytest.fixture
def count_memory() -> Callable[[Callable[[], object]], int]:
    """Peak bytes that a call takes from Python's heap."""
    import tracemalloc

    def peak(call: Callable[[], object]) -> int:
        tracemalloc.start()
        try:
            call()
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    return peak


def test_a_field_has_one_name_however_it_is_typed(survey: SurveyWriter) -> None:
    first = survey.add_field("North  quarter")
    assert survey.add_field("north quarter ") == first
    said = reading(name="IMG_9.jpg")
    place = Place("NORTH QUARTER", "2027-05-20", "3", "folder")
    survey.add_reading(said, sha256=sha(9), model=MODEL, place=place)
    assert [one.name for one in survey.fields()] == ["North  quarter"]
    assert [(v.date, v.photos) for v in survey.visits("North  quarter")] == [("2027-05-20", 1)]
    assert survey.add_field("North quarters") != first
