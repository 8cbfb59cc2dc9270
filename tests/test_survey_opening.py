"""Opening a survey: what isn't one is refused, what is older is brought up to date."""

from __future__ import annotations

import os
import sqlite3
from functools import partial
from pathlib import Path

import pytest
from command import run
from surveys import MODEL, NORTH, check_sound, reading, sha

from collarvision.survey import SurveyError, SurveyReader, SurveyWriter, schema
from collarvision.survey.asread import as_read

SAMPLES = Path(__file__).parent.parent / "sample_images"


def test_what_is_not_a_survey_is_refused(tmp_path: Path) -> None:
    text, other, empty = tmp_path / "text", tmp_path / "other.db", tmp_path / "empty"
    text.write_text("photo,stage\n" * 200)
    empty.touch()
    connection = sqlite3.connect(other)
    connection.execute("CREATE TABLE t (x)")
    connection.commit()
    connection.close()
    for path in (text, other):
        for kind in (SurveyReader, SurveyWriter):
            with pytest.raises(SurveyError, match="is not a survey"):
                kind(path)
    for kind in (SurveyReader, SurveyWriter):
        with pytest.raises(SurveyError, match="holds nothing yet"):
            kind(empty)
    with pytest.raises(SurveyError, match="is a folder"):
        SurveyWriter(tmp_path, create=True)
    with pytest.raises(SurveyError, match="make it first"):
        SurveyWriter(tmp_path / "no" / "s.survey", create=True)
    with pytest.raises(SurveyError, match="There is no survey"):
        SurveyReader(tmp_path / "gone.survey")
    assert text.read_text().startswith("photo,stage")
    assert not (tmp_path / "gone.survey").exists()


def test_a_survey_cut_short_is_told_as_damaged(tmp_path: Path) -> None:
    path = tmp_path / "s.survey"
    with SurveyWriter(path, create=True) as survey:
        for number in range(40):
            survey.add_reading(reading(), sha256=sha(number), model=MODEL, place=NORTH)
    os.truncate(path, path.stat().st_size // 2)
    for kind in (SurveyReader, SurveyWriter, partial(SurveyWriter, create=True)):
        with pytest.raises(SurveyError, match="is damaged: go back to a copy of it"):
            list(kind(path).plants())
    stage = ["IMG_1.jpg", "--stage", "3", "--who", "Ann"]
    for words in (["count", path, *stage], ["batch", SAMPLES, "--survey", path]):
        result = run(*words)
        assert result.exit_code == 3
        assert f"The survey {path} is damaged" in result.stderr


@pytest.mark.parametrize("spoilt", ["'{oops'", "CAST(x'7bff7d' AS TEXT)"])
def test_a_spoilt_record_is_told_as_damage(tmp_path: Path, spoilt: str) -> None:
    path = tmp_path / "s.survey"
    with SurveyWriter(path, create=True) as survey:
        survey.add_reading(reading(), sha256=sha(1), model=MODEL, place=NORTH)
    connection = sqlite3.connect(path)
    with connection:
        connection.execute("DROP TRIGGER records_stay")
        connection.execute(f"UPDATE records SET record = {spoilt}")
    connection.close()
    with SurveyReader(path) as survey:
        for asked in (
            lambda: list(survey.plants()),
            lambda: survey.plant(sha(1)),
            lambda: list(survey.history(sha(1))),
            lambda: as_read(survey, sha(1), MODEL),
        ):
            with pytest.raises(SurveyError, match="is damaged: go back to a copy of it"):
                asked()
    result = run("export", path, "--to", tmp_path / "plants.csv")
    assert result.exit_code == 3
    assert f"The survey {path} is damaged" in result.stderr


def test_a_survey_of_a_newer_version_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "s.survey"
    SurveyWriter(path, create=True).close()
    connection = sqlite3.connect(path)
    connection.execute(f"PRAGMA user_version = {len(schema.MIGRATIONS) + 1}")
    connection.close()
    before = path.read_bytes()
    for kind in (SurveyReader, SurveyWriter):
        with pytest.raises(SurveyError, match=r"newer collarvision .*update"):
            kind(path)
    assert path.read_bytes() == before


def test_a_survey_says_what_it_is_and_uses_a_write_ahead_log(tmp_path: Path) -> None:
    path = tmp_path / "s.survey"
    SurveyWriter(path, create=True).close()
    header = path.read_bytes()[:100]
    # Offsets: https://www.sqlite.org/fileformat.html, section 1.3
    assert int.from_bytes(header[68:72], "big") == schema.APPLICATION_ID
    assert int.from_bytes(header[60:64], "big") == len(schema.MIGRATIONS)
    assert header[18:20] == b"\x02\x02"  # WAL


def test_a_closed_survey_is_one_file(tmp_path: Path) -> None:
    path = tmp_path / "s.survey"
    with SurveyWriter(path, create=True) as survey:
        survey.add_reading(reading(), sha256=sha(1), model=MODEL)
        with SurveyReader(path) as opened:
            assert len(list(opened.plants())) == 1
    with SurveyReader(path) as opened:
        assert len(list(opened.plants())) == 1
    assert [file.name for file in tmp_path.iterdir()] == ["s.survey"]


def test_a_reader_cannot_change_anything(tmp_path: Path) -> None:
    path = tmp_path / "s.survey"
    SurveyWriter(path, create=True).close()
    with SurveyReader(path) as opened, pytest.raises(sqlite3.OperationalError):
        opened._connection.execute("DELETE FROM fields")


ADDED = "CREATE TABLE extra (x INTEGER);\nINSERT INTO extra SELECT count(*) FROM photos;\n"


def test_an_older_survey_is_brought_up_to_date(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "s.survey"
    with SurveyWriter(path, create=True) as survey:
        survey.add_reading(reading(), sha256=sha(1), model=MODEL, place=NORTH)
    before = len(schema.MIGRATIONS)
    monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, ADDED))
    with SurveyReader(path) as survey:
        assert next(survey.plants()).stage == 3
    connection = sqlite3.connect(path)
    assert connection.execute("SELECT x FROM extra").fetchall() == [(1,)]
    assert connection.execute("PRAGMA user_version").fetchone() == (before + 1,)
    connection.close()
    check_sound(path)


def test_a_migration_that_fails_half_way_leaves_the_old_survey(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "s.survey"
    SurveyWriter(path, create=True).close()
    with monkeypatch.context() as patch:
        patch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, ADDED + "INSERT INTO no (x);\n"))
        with pytest.raises(sqlite3.OperationalError):
            SurveyWriter(path, create=True)
    with SurveyWriter(path, create=True) as survey:
        assert survey.add_reading(reading(), sha256=sha(1), model=MODEL)
    connection = sqlite3.connect(path)
    tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master")}
    connection.close()
    assert "extra" not in tables


@pytest.mark.skipif(os.name == "nt", reason="needs POSIX rights")
def test_a_survey_that_may_only_be_read(ordinary_user: Path) -> None:
    folder = ordinary_user / "season"
    folder.mkdir()
    path = folder / "s.survey"
    with SurveyWriter(path, create=True) as survey:
        survey.add_reading(reading(), sha256=sha(1), model=MODEL)
    path.chmod(0o444)
    folder.chmod(0o555)
    try:
        with SurveyReader(path) as opened:
            assert [row.stage for row in opened.plants()] == [3]
        with pytest.raises(SurveyError, match="can't be written to"):
            SurveyWriter(path, create=True)
        assert [file.name for file in folder.iterdir()] == ["s.survey"]
        with pytest.raises(SurveyError, match="can't be opened"):
            SurveyWriter(folder / "new.survey", create=True)
        path.chmod(0o000)
        with pytest.raises(SurveyError, match=r"can't be opened|may not be opened"):
            SurveyReader(path)
    finally:
        folder.chmod(0o777)


@pytest.mark.skipif(os.name == "nt", reason="needs POSIX rights")
def test_an_old_survey_that_may_only_be_read_is_not_misread(
    ordinary_user: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = ordinary_user / "s.survey"
    SurveyWriter(path, create=True).close()
    path.chmod(0o444)
    monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, ADDED))
    with pytest.raises(SurveyError, match="and can't be brought up to date"):
        SurveyReader(path)


def test_a_survey_of_version_1_keeps_its_counts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "s.survey"
    with monkeypatch.context() as patch:
        patch.setattr(schema, "MIGRATIONS", schema.MIGRATIONS[:1])
        SurveyWriter(path, create=True).close()
    connection = sqlite3.connect(path)
    connection.executescript(
        f"""
        INSERT INTO models VALUES (1, '{MODEL.sha256}', 'first');
        INSERT INTO photos (id, sha256, name) VALUES (1, '{sha(1)}', 'IMG_1.jpg');
        INSERT INTO readings VALUES (1, 1, 1, 1, 'guesses', '2027', 'staged', 3, 0.9, NULL);
        INSERT INTO records VALUES (1, '{{}}');
        INSERT INTO hand_counts (photo_id, who, counted_at, stage) VALUES (1, 'Ann', '2027', 4);
        """
    )
    connection.close()
    with SurveyReader(path) as survey:
        (count,) = survey.counts()
    assert (count.count.who, count.count.stage, count.count.way) == ("Ann", 4, None)
    assert (count.handles, count.read_stage) == ((), 3)
    check_sound(path)
