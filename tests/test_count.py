"""The command `count` at stops without photos: which plant was counted, and counting it again."""

from __future__ import annotations

import shlex
import sqlite3
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from command import run
from fields import VISIT, fill, plant, walk
from surveys import MODEL, check_sound, of_version

from collarvision.export import row_of
from collarvision.fieldvisits import visits_of
from collarvision.pickplant import PickError, pick
from collarvision.survey import (
    HandCount,
    Place,
    SurveyError,
    SurveyReader,
    SurveyWriter,
    rows,
    schema,
)
from collarvision.survey.stopcounts import stop_counts

DAY = VISIT.isoformat()
EARLIER = (VISIT - timedelta(days=7)).isoformat()


@pytest.fixture
def survey(tmp_path: Path) -> Path:
    """Three stops on two visits of North, and a photo that waits."""
    path = tmp_path / "season.survey"
    fill(path, "North", walk([3] * 6, stops=3), VISIT - timedelta(days=7))
    waiting = (plant(90, 2, sure=0.5, outcome="hand-count"), "2")
    fill(path, "North", [*walk([4] * 6, stops=3), waiting])
    return path


def count(survey: Path, what: str, *words: object, field: str = "North") -> str:
    result = run("count", survey, what, "--field", field, "--who", "Ann", *words)
    assert result.exit_code == 0, result.stderr
    return " ".join(result.stderr.split())


def refused(survey: Path, what: str, *words: object) -> str:
    result = run("count", survey, what, "--field", "North", "--who", "Ann", *words)
    assert result.exit_code == 2, result.stderr
    return " ".join(result.stderr.split())


def counted(survey: Path) -> list[tuple[str, int | None]]:
    """What the field's answer takes of plants without a photo."""
    with SurveyReader(survey) as store:
        plants = visits_of(store, "North").chosen.plants
    return [(p.evidence.name, p.evidence.hand_count) for p in plants if p.sha256 is None]


def test_a_slip_at_a_stop_is_put_right_by_counting_the_same_plant_again(survey: Path) -> None:
    said = count(survey, "stop 3", "--stage", "16")
    assert "stop 3 (North, 2027-06-04): 16 collars, counted by Ann." in said
    assert "This is plant 1 of stop 3." in said
    call = f'"stop 3, plant 1" --field North --visit {DAY} --stage N --who Ann'
    assert f"To put a count right: collarvision count {survey} {call}" in said
    assert 'takes it back with --withdraw "WHY" in place of --stage N.' in said
    assert counted(survey)[0][0] == "stop 3, plant 1"  # as `field` prints it
    again = count(survey, "stop 3, plant 1", "--stage", "6")
    assert "stop 3, plant 1 (North, 2027-06-04): 6 collars" in again
    assert "It was V16, counted by Ann: the last count stands." in again
    assert counted(survey) == [("stop 3, plant 1", 6)]
    # Both counts are kept, and neither can be changed.
    connection = sqlite3.connect(survey)
    assert connection.execute("SELECT stage FROM hand_counts").fetchall() == [(16,), (6,)]
    with pytest.raises(sqlite3.IntegrityError, match="never changed"):
        connection.execute("UPDATE hand_counts SET stage = 7")
    connection.close()
    check_sound(survey)


def test_a_plant_beside_photographed_ones_is_told_to_be_a_further_one(survey: Path) -> None:
    said = count(survey, "stop 2", "--stage", "5")
    with SurveyReader(survey) as store:
        there = [row for row in store.plants("North", DAY) if row.stop == "2"]
    photos = [row.photo for row in there]
    assert len(photos) == 3
    assert (
        "It is a further plant without a photo, beside the 3 photographed there ("
        f"{', '.join(photos)}): to count one of those, name its photo." in said
    )
    with SurveyWriter(survey) as store:
        store.set_aside(there[0].sha256, "Ann", "no-plant", "k" * 16)
    assert "beside the 2 photographed there" in count(survey, "stop 2", "--stage", "5")
    assert "photographed" not in count(survey, "stop 9", "--stage", "5", "--visit", DAY)
    assert "photographed" not in count(survey, "stop 2, plant 1", "--stage", "6")


def test_a_second_plant_is_told_to_be_one(survey: Path) -> None:
    count(survey, "stop 3", "--stage", "16")
    said = count(survey, "stop 3", "--stage", "6")
    assert "This is plant 2 of stop 3; plant 1 stays V16, counted by Ann." in said
    assert f'"stop 3, plant 2" --field North --visit {DAY} --stage N --who Ann' in said
    assert said.endswith('(or "stop 3, plant 1")')
    assert "This is plant 1 of stop 2." in count(survey, "stop 2", "--stage", "5")
    assert counted(survey) == [
        ("stop 3, plant 1", 16),
        ("stop 3, plant 2", 6),
        ("stop 2, plant 1", 5),
    ]
    for collars in (7, 5):
        count(survey, "stop 3, plant 1", "--stage", collars)
    assert counted(survey)[:2] == [("stop 3, plant 1", 5), ("stop 3, plant 2", 6)]


@pytest.mark.parametrize(
    "words",
    [
        "stop 3, plant 1",
        "Stop 3 plant 1",
        "3, plant 1",
        "stop3,plant 1",
        "stop.3, plant 1",
        "stop no 3, plant 1",
        "stop No. 03, plant 01",
        "stop \N{ARABIC-INDIC DIGIT THREE}, plant \N{DEVANAGARI DIGIT ONE}",
    ],
)
def test_a_plant_of_a_stop_is_known_however_it_is_written(survey: Path, words: str) -> None:
    count(survey, "stop 3", "--stage", "16")
    count(survey, words, "--stage", "6")
    assert counted(survey) == [("stop 3, plant 1", 6)]
    with SurveyReader(survey) as store:
        assert {stop.name for stop in store.stops()} == {"1", "2", "3"}


def test_a_height_alone_is_kept_for_a_plant_that_was_counted(survey: Path) -> None:
    count(survey, "stop 3", "--stage", "6")
    said = count(survey, "stop 3, plant 1", "--height", "20 in")
    assert "It stays V6, counted by Ann." in said
    with SurveyReader(survey) as store:
        (found,) = stop_counts(store, "North")
    assert (found.count.stage, found.count.height_mm) == (6, 508.0)
    assert len(found.counts) == 2


def test_two_people_who_differ_on_a_plant_of_a_stop_are_named(survey: Path) -> None:
    count(survey, "stop 3", "--stage", "5")
    run("count", survey, "stop 3, plant 1", "--field", "North", "--stage", "6", "--who", "Bo")
    with SurveyReader(survey) as store:
        notes = visits_of(store, "North").notes
    assert "stop 3, plant 1 was counted 5 by Ann and 6 by Bo: the last count stands." in notes


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("stop three", "North has no stop 'three': its stops are 1, 2, 3."),
        ("stop three", f'made by a number or a letter, like "stop 4" --visit {DAY}.'),
        ("stop 3, plnat 1", "North has no stop '3, plnat 1'"),
        ("stop 9, plant 1", "North has no stop '9': its stops are 1, 2, 3."),
        ("stop 9, plant 1", f'like "stop 9" --visit {DAY}.'),
        ("stop 3, plant 1", "stop 3 (North, 2027-06-04) has no plant 1 without a photo: none was"),
        ("stop 3, plant 1", f'"stop 3" --visit {DAY} counts another'),
    ],
)
def test_words_that_name_no_stop_make_none(survey: Path, words: str, said: str) -> None:
    assert said in refused(survey, words, "--stage", "6", "--visit", DAY)
    with SurveyReader(survey) as store:
        assert {stop.name for stop in store.stops()} == {"1", "2", "3"}
        assert not list(stop_counts(store))


def test_a_stop_of_another_visit_is_known_by_its_name(survey: Path) -> None:
    with SurveyWriter(survey) as store:
        made = Place("North", (VISIT - timedelta(days=7)).isoformat(), "Gate")
        store.add_stop_count(made, HandCount("Ann", "2027-05-28T10:00:00+00:00", 3))
        assert pick(store, "stop gate", field="North", date=DAY).new_stop == Place(
            "North", DAY, "Gate"
        )
        for name in ("4", "12b", "B", "B3"):
            picked = pick(store, f"stop {name}", field="North", date=DAY)
            assert picked.new_stop == Place("North", DAY, name)
        with pytest.raises(PickError, match="its stops are 1, 2, 3, Gate"):
            pick(store, "stop gtae", field="North", date=DAY)


def test_a_stop_that_an_earlier_version_made_of_a_plants_name_is_still_found(survey: Path) -> None:
    with SurveyWriter(survey) as store:
        made = Place("North", DAY, "3, plant 1")
        store.add_stop_count(made, HandCount("Ann", "2025-06-04T10:00:00+00:00", 6))
    assert counted(survey) == [("stop 3, plant 1, plant 1", 6)]
    count(survey, "stop 3, plant 1, plant 1", "--stage", "5")
    assert counted(survey) == [("stop 3, plant 1, plant 1", 5)]


def test_what_is_no_plant_of_a_stop_is_not_counted_again(survey: Path) -> None:
    with SurveyWriter(survey) as store:
        (stop,) = (one for one in store.stops("North") if (one.date, one.name) == (DAY, "3"))
        made = HandCount("Ann", "2027-06-04T10:00:00+00:00", 6)
        first = store.add_stop_count(stop.id, made)
        again = store.count_stop_plant_again(first, made)
        photo = store.add_hand_count(next(store.plants("North")).sha256, made)
        for number in (again, photo, 99):
            with pytest.raises(SurveyError, match="count it there first"):
                store.count_stop_plant_again(number, made)
        assert [len(one.counts) for one in stop_counts(store)] == [2]


def test_the_last_count_at_a_stop_is_the_one_made_last_whenever_it_came_in(survey: Path) -> None:
    with SurveyWriter(survey) as store:
        made = Place("North", DAY, "3")
        first = store.add_stop_count(made, HandCount("Ann", "2027-06-04T12:00:00+00:00", 6))
        store.count_stop_plant_again(first, HandCount("Bo", "2027-06-04T11:00:00+00:00", 5))
        (found,) = stop_counts(store, "North")
    assert (found.count.stage, [one.stage for one in found.counts]) == (6, [5, 6])


def test_stops_that_are_called_alike_keep_their_plants_apart(survey: Path) -> None:
    with SurveyWriter(survey) as store:
        for name in ("3", "stop 3"):
            made = Place("North", DAY, name)
            store.add_stop_count(made, HandCount("Ann", "2027-06-04T10:00:00+00:00", 6))
    names = [name for name, _ in counted(survey)]
    assert names == ["stop 3, plant 1 (stop 3)", "stop 3, plant 1 (stop stop 3)"]


def test_nodes_far_from_the_reading_are_asked_again(survey: Path) -> None:
    # The first node apart is leaf 5's (Purdue Univ. Extension): two are V6, and the photo says V2.
    said = count(survey, "IMG_0090", "--nodes", "2")
    assert "The reading had said V2. If that was a slip, count again" in said
    with SurveyReader(survey) as store:
        key = next(row.sha256 for row in store.plants("North", DAY) if row.stage == 4)
    near = count(survey, key, "--nodes", "1")
    assert "The reading had said V4." in near
    assert "slip" not in near


def test_a_plant_of_two_visits_is_counted_again_only_where_the_visit_is_named(
    survey: Path,
) -> None:
    earlier = EARLIER
    for day in (earlier, DAY):
        count(survey, "stop 3", "--stage", "4", "--visit", day)
    said = refused(survey, "stop 3, plant 1", "--stage", "6")
    assert f"stop 3, plant 1 (North, {earlier}); stop 3, plant 1 (North, {DAY})" in said
    assert said.endswith("say which with --visit.")  # the field is given already
    assert counted(survey) == [("stop 3, plant 1", 4)]
    count(survey, "stop 3, plant 1", "--stage", "6", "--visit", earlier)
    assert counted(survey) == [("stop 3, plant 1", 4)]

    fill(survey, "South", walk([3] * 6, stops=3))
    count(survey, "stop 2", "--stage", "4", "--visit", DAY)
    count(survey, "stop 2", "--stage", "4", "--visit", DAY, field="South")
    words = ("stop 2, plant 1", "--stage", "6", "--who", "Ann", "--visit", DAY)
    result = run("count", survey, *words)
    assert result.exit_code == 2
    assert result.stderr.strip().endswith("say which with --field.")


def test_a_plant_of_an_earlier_visit_is_not_counted_again_by_accident(survey: Path) -> None:
    earlier = EARLIER
    count(survey, "stop 3", "--stage", "4", "--visit", earlier)
    said = refused(survey, "stop 3, plant 1", "--stage", "6")
    assert f"has no plant 1; there is one on {earlier}: say --visit {earlier}" in said
    # The call that was printed after a count goes to that plant.
    again = count(survey, "stop 3, plant 1", "--stage", "6", "--visit", earlier)
    assert "It was V4, counted by Ann: the last count stands." in again


def test_names_with_blanks_are_printed_as_they_are_typed(tmp_path: Path) -> None:
    path = tmp_path / "my season.survey"
    fill(path, "North quarter", walk([4] * 3, stops=3))
    said = run(
        "count", path, "stop 3", "--field", "North quarter", "--stage", "5", "--who", "A. Scout"
    ).stderr
    typed = f'count "{path}" "stop 3, plant 1" --field "North quarter" --visit {DAY}'
    assert f'{typed} --stage N --who "A. Scout"' in said
    _, *words = shlex.split(said[said.index("collarvision count") :])
    words[words.index("N")] = "6"
    assert run(*words).exit_code == 0
    with SurveyReader(path) as store:
        assert [one.count.stage for one in stop_counts(store)] == [6]


@pytest.fixture
def photographed(survey: Path) -> Path:
    """The survey with two photos filed as plant 2 of stop 3, and two plants there without."""
    with SurveyWriter(survey) as store:
        at = Place("North", DAY, "3", "folder", "2")
        for number in (71, 72):
            store.add_reading(plant(number, 4), sha256=f"{number:064x}", model=MODEL, place=at)
    for collars in (5, 6):
        count(survey, "stop 3", "--stage", collars)
    return survey


def test_a_plant_without_a_photo_never_shares_a_name_with_a_photographed_one(
    photographed: Path,
) -> None:
    said = refused(photographed, "stop 3, plant 2", "--stage", "9")
    bare = "stop 3, plant 2 without a photo"
    assert f"may be {bare} (North, {DAY}); IMG_007" in said
    assert f'the beginning of its SHA-256, or "{bare}"' in said
    assert counted(photographed) == [("stop 3, plant 1", 5), (bare, 6)]
    with SurveyReader(photographed) as store:
        rows = [row_of(one)["plant"] for one in stop_counts(store, "North")]
    assert rows == ["stop 3, plant 1", bare]
    assert f"{bare} (North, {DAY}): 7 collars" in count(photographed, bare, "--stage", "7")
    assert counted(photographed)[1] == (bare, 7)


def test_a_photographed_plant_is_counted_by_its_number_where_only_one_has_it(survey: Path) -> None:
    with SurveyWriter(survey) as store:
        at = Place("North", DAY, "3", "folder", "02")
        store.add_reading(plant(71, 4), sha256=f"{71:064x}", model=MODEL, place=at)
    assert f"IMG_0071.jpg (North, {DAY}, stop 3)" in count(survey, "stop 3, plant 2", "--stage", 5)
    assert counted(survey) == []
    with SurveyWriter(survey) as store:
        # Its photos may be called so too.
        named = replace(plant(72, 4), photo="stop 3, plant 2.jpg")
        store.add_reading(named, sha256=f"{72:064x}", model=MODEL, place=at)
        picked = pick(store, "stop 3, plant 2", field="North", date=DAY)
    assert picked.photo is not None
    assert picked.photo.photo == named.photo


def test_a_stop_is_one_however_its_number_is_written(survey: Path) -> None:
    for words in ("stop 03", "stop.3", "stop no 3", "stop \N{ARABIC-INDIC DIGIT THREE}"):
        count(survey, words, "--stage", "5", "--visit", DAY)
    assert [name for name, _ in counted(survey)] == [f"stop 3, plant {n}" for n in (1, 2, 3, 4)]
    count(survey, "stop \N{ARABIC-INDIC DIGIT FOUR}", "--stage", "5", "--visit", DAY)
    with SurveyReader(survey) as store:
        assert [stop.name for stop in store.stops("North") if stop.date == DAY] == list("1234")
    assert [rows.stop_key(name) for name in ("007", "0", "B 07b", "1.05", "10")] == [
        "7", "0", "b 7b", "1.05", "10",
    ]  # fmt: skip


def test_of_stops_that_differ_in_case_the_exact_spelling_wins(survey: Path) -> None:
    with SurveyWriter(survey) as store:
        made = HandCount("Ann", "2027-06-04T10:00:00+00:00", 6)
        for name in ("Gate", "gate"):
            store.add_stop_count(Place("North", DAY, name), made)
        for name in ("Gate", "gate"):
            picked = pick(store, f"stop {name}", field="North", date=DAY)
            assert picked.stop is not None
            assert picked.stop.name == name
        with pytest.raises(PickError, match="say which with its exact spelling"):
            pick(store, "stop GATE", field="North", date=DAY)


def test_a_photo_that_is_called_like_a_stop_is_looked_for_first(survey: Path) -> None:
    with SurveyWriter(survey) as store:
        for number, name in enumerate(("stop8.jpg", "stop3.jpg"), start=81):
            found = replace(plant(number, 4), photo=name)
            at = Place("North", DAY, "1", "folder")
            store.add_reading(found, sha256=f"{number:064x}", model=MODEL, place=at)
    assert "stop8.jpg (North" in count(survey, "stop8", "--stage", "5")
    assert "stop3.jpg (North" in count(survey, "stop3.jpg", "--stage", "5")
    assert counted(survey) == []
    said = refused(survey, "stop3", "--stage", "5", "--visit", DAY)
    assert f"; stop 3 (North, {DAY}): say which with the beginning of its SHA-256, or" in said
    assert said.endswith('or "stop 3".')
    assert f"stop 3 (North, {DAY})" in count(survey, "stop 3", "--stage", "5")


def test_a_stop_of_another_visit_is_told_with_its_day(survey: Path) -> None:
    count(survey, "stop 9", "--stage", "5", "--visit", DAY)
    earlier = EARLIER
    said = refused(survey, "stop 9, plant 1", "--stage", "6", "--visit", earlier)
    assert f"Stop 9 was not at the visit of {earlier} (it was on {DAY})" in said
    assert f'count "stop 9" --visit {earlier} for a first plant there' in said
    assert f'like "stop 12" --visit {DAY}' in refused(survey, "stop 12, plant 1", "--stage", "6")


def test_nothing_counted_says_where_a_height_alone_will_do(survey: Path) -> None:
    assert "that has a photo or was counted before" in refused(survey, "stop 9, plant 1")


def test_a_count_of_a_clock_that_is_fast_is_told_to_stand(survey: Path) -> None:
    with SurveyWriter(survey) as store:
        ahead = HandCount("Bo", "2999-01-01T00:00:00+00:00", 9)
        store.add_stop_count(Place("North", DAY, "3"), ahead)
        photo = next(row for row in store.plants("North", DAY))
        store.add_hand_count(photo.sha256, replace(ahead, height_mm=254.0))
    stands = f"A count dated {ahead.counted_at} (V9, counted by Bo) still stands: check the clock."
    said = count(survey, "stop 3, plant 1", "--stage", "5")
    assert stands in said
    assert "the last count stands" not in said
    assert counted(survey) == [("stop 3, plant 1", 9)]
    assert stands in count(survey, photo.sha256, "--stage", photo.stage)
    assert "still stands" not in count(survey, "stop 3, plant 1", "--height", "20 in")


def test_counts_at_stops_from_before_are_each_a_plant_of_its_own(tmp_path: Path) -> None:
    path = of_version(
        3,
        tmp_path / "old.survey",
        """
        INSERT INTO fields (id, name) VALUES (1, 'North');
        INSERT INTO visits VALUES (1, 1, '2027-06-04');
        INSERT INTO stops (id, visit_id, name) VALUES (1, 1, '3');
        INSERT INTO hand_counts (id, stop_id, who, counted_at, stage, save_key) VALUES
            (1, 1, 'Ann', '2027-06-04T10:00', 16, NULL), (2, 1, 'Ann', '2027-06-04T11:00', 5, 'k');
        """,
    )
    with SurveyReader(path) as store:
        found = list(stop_counts(store))
    assert [(one.number, one.count.stage, len(one.counts)) for one in found] == [
        (1, 16, 1),
        (2, 5, 1),
    ]
    connection = sqlite3.connect(path)
    assert connection.execute("SELECT again_of, save_key FROM hand_counts").fetchall() == [
        (None, None),
        (None, "k"),
    ]
    with pytest.raises(sqlite3.IntegrityError, match="never changed"):
        connection.execute("UPDATE hand_counts SET stage = 7")
    connection.close()
    check_sound(path)


def test_a_program_that_knows_no_counts_made_again_refuses_the_survey(
    survey: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(schema, "MIGRATIONS", schema.MIGRATIONS[:3])
    with pytest.raises(SurveyError, match="written by a newer collarvision"):
        SurveyReader(survey)
