"""Taking back a plant that was counted at a stop by mistake: kept on the record, in no answer."""

from __future__ import annotations

import csv
import json
import shlex
import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from command import run
from fields import LIMITS, VISIT, fill, plant, walk
from surveys import check_sound, of_version

from collarvision.fieldvisits import FieldVisitsError, visits_of
from collarvision.survey import (
    HandCount,
    Place,
    SurveyError,
    SurveyReader,
    SurveyWriter,
    schema,
)
from collarvision.survey.stopcounts import stop_counts

DAY = VISIT.isoformat()
WHY = ("--withdraw", "counted twice", "--who", "Bo")
P1, P2 = "stop 3, plant 1", "stop 3, plant 2"


@pytest.fixture
def survey(tmp_path: Path) -> Path:
    """Three stops of even plants, and two plants without a photo at the third: V4 and V16."""
    path = tmp_path / "season.survey"
    fill(path, "North", walk([4] * 12, stops=3, height_in=9.0))
    for collars in (4, 16):
        done(path, "stop 3", "--stage", collars, "--who", "Ann")
    return path


def done(survey: Path, what: str, *words: object) -> str:
    result = run("count", survey, what, "--field", "North", *words)
    assert result.exit_code == 0, result.stderr
    return " ".join(result.stderr.split())


def refused(survey: Path, what: str, *words: object, field: str = "North") -> str:
    """What is said to a call that must change nothing."""
    before = held(survey)
    result = run("count", survey, what, "--field", field, *words)
    assert result.exit_code == 2, result.stderr
    assert held(survey) == before
    return " ".join(result.stderr.split())


def held(survey: Path) -> list[str]:
    connection = sqlite3.connect(survey)
    lines = list(connection.iterdump())
    connection.close()
    return lines


def counted(survey: Path) -> dict[str, int | None]:
    """What the field's answer takes of plants without a photo."""
    with SurveyReader(survey) as store:
        plants = visits_of(store, "North").chosen.plants
    return {p.evidence.name: p.evidence.hand_count for p in plants if p.sha256 is None}


def judged(survey: Path, tmp_path: Path, *more: object) -> dict[str, object]:
    limits = tmp_path / "limits.toml"
    limits.write_text(LIMITS, encoding="utf-8")
    words = ("--field", "North", "--day", DAY, "--limits", limits, "--format", "json")
    result = run("field", survey, *words, *more)
    assert result.exit_code == 0, result.stderr
    return json.loads(result.stdout)


def test_a_plant_counted_by_mistake_is_taken_back_and_stays_on_the_record(survey: Path) -> None:
    said = done(survey, P2, *WHY)
    day = withdrawn_on(survey)
    was = f"V16, counted by Ann, withdrawn by Bo on {day}: counted twice."
    assert said.startswith(f"{P2} (North, {DAY}): {was}")
    assert "The count stays on the record, and the plant counts no longer." in said
    assert counted(survey) == {P1: 4}
    with SurveyReader(survey) as store:
        first, second = stop_counts(store, "North", withdrawn=True)
        assert [one.name for one in stop_counts(store, "North")] == [P1]
        notes = visits_of(store, "North").notes
    assert (first.count.stage, first.withdrawn) == (4, ())
    assert (second.count, second.counts) == (None, ())
    (gone,) = second.withdrawn
    assert (gone.count.stage, gone.count.who, gone.who) == (16, "Ann", "Bo")
    assert gone.reason == "counted twice"
    assert f"{P2} doesn't count: {was}" in notes
    connection = sqlite3.connect(survey)
    assert connection.execute("SELECT stage FROM hand_counts").fetchall() == [(4,), (16,)]
    for words in ("UPDATE withdrawals SET who = 'X'", "DELETE FROM withdrawals"):
        with pytest.raises(sqlite3.IntegrityError, match="a withdrawal is never"):
            connection.execute(words)
    connection.close()
    check_sound(survey)


def withdrawn_on(survey: Path) -> str:
    connection = sqlite3.connect(survey)
    (said,) = connection.execute("SELECT max(said_at) FROM withdrawals").fetchone()
    connection.close()
    return said[:10]


def test_it_counts_no_longer_in_verdicts_and_they_say_so(survey: Path, tmp_path: Path) -> None:
    def verdicts(answer: dict) -> dict[str, str]:
        return {one["limit"]: one["verdict"] for one in answer["verdicts"]}

    # One plant past a maximum is enough for past, so that a plant in error bars the whole field.
    product = "Product A, over the top"
    before = judged(survey, tmp_path)
    assert verdicts(before)[product] == "past"
    assert "withdrawn" not in json.dumps(before)
    done(survey, P2, *WHY)
    report = tmp_path / "north.html"
    after = judged(survey, tmp_path, "--report", report)
    assert verdicts(after)[product] == "open"
    told = f"{P2} doesn't count: V16, counted by Ann, withdrawn by Bo"
    assert told in json.dumps(after)
    page = report.read_text(encoding="utf-8").replace("&#39;", "'").replace("&#x27;", "'")
    assert told in page
    shown = run("field", survey, "--field", "North", "--day", DAY).stdout
    assert told in " ".join(shown.split())


def test_a_withdrawn_plant_is_counted_anew_by_the_call_that_is_told(survey: Path) -> None:
    said = done(survey, P2, *WHY)
    _, *words = shlex.split(said[said.index("collarvision count") :])
    words[words.index("N")] = "5"
    result = run(*words)
    again = " ".join(result.stderr.split())
    assert result.exit_code == 0, again
    assert f"It was withdrawn by Bo on {withdrawn_on(survey)}: counted twice." in again
    assert "Now it counts again." in again
    assert counted(survey) == {P1: 4, P2: 5}
    with SurveyReader(survey) as store:
        assert not [one for one in visits_of(store, "North").notes if "withdrawn" in one]
    # The count made anew is taken back alone, and the next plant takes the next number.
    said = done(survey, P2, *WHY)
    assert "V5, counted by Bo, withdrawn" in said
    assert "V16" not in said
    said = done(survey, "stop 3", "--stage", "6", "--who", "Ann")
    assert "This is plant 3 of stop 3; plant 2 stays withdrawn." in said
    assert '--withdraw "WHY"' in said
    assert counted(survey) == {P1: 4, "stop 3, plant 3": 6}


def test_all_counts_of_a_plant_are_taken_back_together(survey: Path) -> None:
    done(survey, P2, "--stage", "5", "--who", "Bo")
    said = done(survey, P2, *WHY)
    assert "V16, counted by Ann, withdrawn" in said
    assert "V5, counted by Bo, withdrawn" in said
    assert "The counts stay on the record" in said
    assert counted(survey) == {P1: 4}
    said = refused(survey, P2, "--height", "14 in", "--who", "Bo")
    assert "A height alone tells no stage" in said


def test_one_persons_counts_of_a_plant_are_taken_back_alone(survey: Path, tmp_path: Path) -> None:
    done(survey, P2, "--stage", "5", "--who", "Bo")
    done(survey, P2, "--stage", "9", "--who", "Cy Lee")
    said = refused(survey, P2, *WHY, "--counted-by", "Bob")
    assert "No count of stop 3, plant 2 by Bob stands: give --counted-by as Ann or Bo or" in said
    assert 'or "Cy Lee". Nothing was withdrawn.' in said
    said = done(survey, P2, *WHY, "--counted-by", "Cy Lee")
    assert f"{P2} (North, {DAY}): V9, counted by Cy Lee, withdrawn by Bo on" in said
    assert f"and out of the answers: {P2} is now V5, counted by Bo." in said
    assert "counts no longer" not in said
    assert counted(survey) == {P1: 4, P2: 5}
    # The plant's first count too: its number and its other counts stay.
    done(survey, P2, *WHY, "--counted-by", "Ann")
    assert counted(survey) == {P1: 4, P2: 5}
    with SurveyReader(survey) as store:
        _, second = stop_counts(store, "North")
    assert [one.who for one in second.counts] == ["Bo"]
    assert [one.count.who for one in second.withdrawn] == ["Ann", "Cy Lee"]
    assert "by Ann stands" in refused(survey, P2, *WHY, "--counted-by", "Ann")
    done(survey, P2, "--height", "20 in", "--who", "Dee")
    said = refused(survey, P2, *WHY, "--counted-by", "Bo")
    assert "A height alone would be left of stop 3, plant 2: withdraw all of its counts" in said
    assert "goes with --withdraw" in refused(
        survey, P2, "--stage", "5", "--who", "Bo", "--counted-by", "Bo"
    )
    said = done(survey, P2, *WHY)
    assert "and the plant counts no longer" in said
    assert counted(survey) == {P1: 4}


def test_what_cannot_be_withdrawn_is_said_in_a_sentence(survey: Path) -> None:
    done(survey, P2, *WHY)
    said = refused(survey, P2, *WHY)
    assert (
        f"{P2} (North, {DAY}) was already withdrawn by Bo on {withdrawn_on(survey)}: counted"
        in said
    )
    assert "Nothing was changed. To count it anew, give --stage N in place of" in said
    for words, told in {
        "stop 3, plant 7": "has no plant 7 without a photo: 2 were counted there, numbered from 1.",
        "stop 9": "The survey has no photo or stop 'stop 9' there",
        "stop 9, plant 1": "The survey has no photo or stop 'stop 9, plant 1' there",
        "stop 3": f'Say which plant of stop 3 (North, {DAY}) is meant: "{P1}" (V4, counted',
        "stop 2": f"No plant without a photo counts at stop 2 (North, {DAY}).",
        "IMG_0001": "is a photo: count it again, as the last count stands, or, where it shows no",
    }.items():
        said = refused(survey, words, *WHY)
        assert told in said
        assert "Nothing was withdrawn." in said
    assert "no field 'Nort'" in refused(survey, P1, *WHY, field="Nort")
    assert "--withdraw is empty" in refused(survey, P1, "--withdraw", " ", "--who", "Bo")
    assert "--who is empty" in refused(survey, P1, "--withdraw", "slip", "--who", " ")
    for option in (("--stage", "5"), ("--nodes", "3"), ("--height", "9 in"), ("--note", "x")):
        assert "count anew in another call" in refused(survey, P1, *WHY, *option)
    with SurveyWriter(survey) as store:
        _, second = stop_counts(store, withdrawn=True)
        with pytest.raises(SurveyError, match="withdrawn already: nothing was changed"):
            store.withdraw_stop_plant(second.id, who="Bo", reason="slip")
        with pytest.raises(SurveyError, match="No plant 99 was counted"):
            store.withdraw_stop_plant(99, who="Bo", reason="slip")
        photo = store.add_hand_count(
            next(store.plants("North")).sha256, HandCount("Ann", "2027-06-04T10:00:00+00:00", 4)
        )
        with pytest.raises(SurveyError, match=f"No plant {photo} was counted"):
            store.withdraw_stop_plant(photo, who="Bo", reason="slip")


def test_a_visit_of_withdrawn_counts_alone_is_no_visit_of_the_field(survey: Path) -> None:
    later = (VISIT + timedelta(days=5)).isoformat()
    with SurveyWriter(survey) as store:
        made = HandCount("Ann", f"{later}T10:00:00+00:00", 9)
        store.add_stop_count(Place("North", later, "3"), made)
        assert visits_of(store, "North").chosen.day == VISIT + timedelta(days=5)
    done(survey, P1, *WHY, "--visit", later)
    with SurveyReader(survey) as store:
        assert visits_of(store, "North").chosen.day == VISIT
        assert {one.date for one in store.visits("North")} == {DAY}
        assert {one.date for one in store.stops("North")} == {DAY}
    # No further plant lands there unasked, and that one is still found by its day.
    assert f"(North, {DAY})" in done(survey, "stop 3", "--stage", "4", "--who", "Ann")
    assert "was already withdrawn by Bo" in refused(survey, P1, *WHY, "--visit", later)
    said = refused(survey, P1, *WHY)
    assert f"{P1} (North, {DAY}); {P1} (North, {later}), withdrawn: say which with --visit" in said
    done(survey, P1, "--stage", "5", "--who", "Ann", "--visit", later)
    with SurveyReader(survey) as store:
        assert visits_of(store, "North").chosen.day == VISIT + timedelta(days=5)


def test_a_visit_that_is_none_any_more_is_told_before_the_answer(survey: Path) -> None:
    """Past by it, the field would be open without it, and nobody would know why."""
    later, limits = (VISIT + timedelta(days=1)).isoformat(), survey.with_name("limits.toml")
    limits.write_text(LIMITS, encoding="utf-8")
    made = HandCount("Ann", f"{later}T10:00:00+00:00", 9)
    with SurveyWriter(survey) as store:
        for stop, who in (("1", "Bo"), ("2", "Bo"), ("3", "Cy")):
            one = store.add_stop_count(Place("North", later, stop), made)
            store.withdraw_stop_plant(one, who=who, reason="other field.")
    done(survey, P2, *WHY)  # of a visit with others, in the notes as ever
    words = ["field", survey, "--field", "North", "--limits", limits, "--day", later]
    said = " ".join(run(*words).stdout.split())
    today = datetime.now(UTC).date()
    why = (
        f"All 3 plants counted on {later} were withdrawn by Bo on {today} (other field), Cy on "
        f"{today} (other field): that day is no visit any more."
    )
    assert f"Mind: {why}" in said.split("Limit ")[0]
    assert f"visit of {VISIT}" in said
    asked = run(*words, "--visit", later)
    assert asked.exit_code == 2
    told = " ".join(asked.stderr.split())
    assert f"North has no visit on {later}: its visits are {DAY}. {why}" in told
    with SurveyWriter(survey) as store:  # counted anew it is a visit again
        store.add_stop_count(Place("North", later, "1"), made)
    again = run(*words).stdout
    assert "PAST" in again
    assert "no visit any more" not in again


def test_a_field_where_all_was_withdrawn_says_what_to_do(tmp_path: Path) -> None:
    path = tmp_path / "s.survey"
    with SurveyWriter(path, create=True) as store:
        made = HandCount("Ann", "2027-06-04T10:00:00+00:00", 4)
        only = store.add_stop_count(Place("North", DAY, "3"), made)
        before = store.state(), store.field_states()
        store.withdraw_stop_plant(only, who="Bo", reason="another field")
        assert store.state() != before[0]  # what is worked out from a survey is worked out anew
        with pytest.raises(FieldVisitsError, match="All that was counted in North was withdrawn"):
            visits_of(store, "North")


def test_a_withdrawal_changes_the_state_of_its_field_alone(survey: Path) -> None:
    fill(survey, "South", [(plant(90, 2), "2")])
    with SurveyWriter(survey) as store:
        before = store.field_states()
        store.withdraw_stop_plant(next(stop_counts(store)).id, who="Bo", reason="slip")
        after = store.field_states()
    assert after["North"] != before["North"]
    assert after["South"] == before["South"]


def test_exports_say_what_was_withdrawn_and_give_it_no_count(survey: Path, tmp_path: Path) -> None:
    done(survey, P2, *WHY)
    sentence = f"V16, counted by Ann, withdrawn by Bo on {withdrawn_on(survey)}: counted twice."
    for form in ("csv", "json", "geojson"):
        result = run("export", survey, "--to", tmp_path / f"o.{form}")
        assert "1 of them was withdrawn: without a hand count" in " ".join(result.stderr.split())
    with open(tmp_path / "o.csv", encoding="utf-8", newline="") as stream:
        table = {row["plant"]: row for row in csv.DictReader(stream) if row["photo"] == ""}
    assert (table[P1]["hand_stage"], table[P1]["withdrawn"]) == ("4", "")
    assert (table[P2]["hand_stage"], table[P2]["withdrawn"]) == ("", sentence)
    assert {table[P2][name] for name in ("hand_by", "hand_at", "hand_way")} == {""}
    rows = json.loads((tmp_path / "o.json").read_text(encoding="utf-8"))
    assert {tuple(row["withdrawn"]) for row in rows} == {(), (sentence,)}
    result = run("export", survey, "--to", tmp_path / "o.coco.json")
    assert "Left out: 1 plant that was counted at a stop" in " ".join(result.stderr.split())


def test_withdrawn_counts_in_parquet(survey: Path, tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    done(survey, P2, *WHY)
    assert run("export", survey, "--to", tmp_path / "o.parquet").exit_code == 0
    rows = parquet.read_table(tmp_path / "o.parquet").to_pylist()
    told = {row["plant"]: (row["hand_stage"], len(row["withdrawn"])) for row in rows}
    assert (told[P1], told[P2]) == ((4, 0), (None, 1))


def test_a_survey_from_before_takes_withdrawals(tmp_path: Path) -> None:
    path = of_version(
        4,
        tmp_path / "old.survey",
        """
        INSERT INTO fields (id, name) VALUES (1, 'North');
        INSERT INTO visits VALUES (1, 1, '2027-06-04');
        INSERT INTO stops (id, visit_id, name) VALUES (1, 1, '3');
        INSERT INTO hand_counts (id, stop_id, who, counted_at, stage, again_of) VALUES
            (1, 1, 'Ann', '2027-06-04T10:00', 16, NULL), (2, 1, 'Ann', '2027-06-04T11:00', 5, NULL),
            (3, 1, 'Bo', '2027-06-04T12:00', 15, 1);
        """,
    )
    with SurveyReader(path) as store:
        assert [len(one.counts) for one in stop_counts(store)] == [2, 1]
    done(path, P1, *WHY)
    assert counted(path) == {P2: 5}
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA user_version").fetchone() == (len(schema.MIGRATIONS),)
    taken = connection.execute("SELECT hand_count_id, who, reason FROM withdrawals").fetchall()
    assert taken == [(1, "Bo", "counted twice"), (3, "Bo", "counted twice")]
    with pytest.raises(sqlite3.IntegrityError, match="UNIQUE"):
        connection.execute(
            "INSERT INTO withdrawals (hand_count_id, who, said_at, reason) "
            "VALUES (1, 'Bo', '2027-06-05', 'slip')"
        )
    connection.close()
    check_sound(path)


def test_a_program_that_knows_no_withdrawals_refuses_the_survey(
    survey: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(schema, "MIGRATIONS", schema.MIGRATIONS[:4])
    with pytest.raises(SurveyError, match="written by a newer collarvision"):
        SurveyReader(survey)
