"""Reader: questions to a survey. Answers are frozen values, and long ones come one by one."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, TypeVar

from collarvision.survey import counting, rows
from collarvision.survey.faults import told
from collarvision.survey.opening import Mode, connect, disconnect
from collarvision.survey.values import (
    Decision,
    Field,
    FileFacts,
    HandCount,
    Limit,
    PhotoFacts,
    PlantRow,
    SetAside,
    StageCount,
    Stop,
    StoredCount,
    StoredReading,
    Visit,
    Waiting,
)

_Value = TypeVar("_Value")


class SurveyReader:
    """A survey opened for reading; a context manager.

    Parameters
    ----------
    path : str or Path
        It must be there.

    Raises
    ------
    collarvision.survey.SurveyError
        From here and from every question: see `collarvision.survey.faults`.
    """

    _mode: Mode = "read"

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        self._connection = connect(self.path, self._mode)

    def close(self) -> None:
        """Close the file; it can't be used any more."""
        disconnect(self._connection, self.path, self._mode)

    def __enter__(self) -> SurveyReader:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def fields(self) -> Iterator[Field]:
        """Every field, by name."""
        for row in self._rows(
            f"""
            SELECT f.id, f.name, f.boundary, count(p.id) AS photos,
                (SELECT count(*) FROM visits AS v WHERE v.field_id = f.id AND {rows.KEPT}) AS visits
            FROM fields AS f
            LEFT JOIN visits AS w ON w.field_id = f.id
            LEFT JOIN photos AS p ON p.visit_id = w.id
            GROUP BY f.id ORDER BY f.name
            """
        ):
            boundary = None if row["boundary"] is None else self._made(json.loads, row["boundary"])
            yield Field(row["id"], row["name"], boundary, row["visits"], row["photos"])

    def visits(self, field: str | None = None) -> Iterator[Visit]:
        """Every visit that holds something, or those of one field, by field and date."""
        for row in self._rows(
            f"""
            SELECT v.id, f.name, v.date,
                (SELECT count(*) FROM photos WHERE visit_id = v.id) AS photos
            FROM visits AS v JOIN fields AS f ON f.id = v.field_id
            WHERE {rows.KEPT} {"AND f.name = :field" if field is not None else ""}
            ORDER BY f.name, v.date
            """,
            field=field,
        ):
            yield Visit(*row)

    def stops(self, field: str | None = None, *, withdrawn: bool = False) -> Iterator[Stop]:
        """Every stop of those visits, or of one field's, by field, date and name.

        With `withdrawn` those as well whose visits hold withdrawn counts alone.
        """
        counted = "OR EXISTS (SELECT 1 FROM hand_counts WHERE stop_id = s.id)" if withdrawn else ""
        for row in self._rows(
            f"""
            SELECT s.id, f.name AS field, v.date, s.name, s.latitude, s.longitude
            FROM stops AS s JOIN visits AS v ON v.id = s.visit_id JOIN fields AS f
            ON f.id = v.field_id
            WHERE ({rows.KEPT} {counted}) {"AND f.name = :field" if field is not None else ""}
            ORDER BY f.name, v.date, s.name
            """,
            field=field,
        ):
            yield Stop(row["id"], row["field"], row["date"], row["name"], rows.gps(row))

    def stage_counts(
        self, field: str | None = None, date: str | None = None
    ) -> Iterator[StageCount]:
        """Plants by visit, outcome and stage, of the whole survey, a field, or one visit."""
        # A field's photos are reached through it. For the whole survey the counting comes first,
        # over an index alone, and only its few results are looked up and sorted.
        if field is not None:
            counted = (
                "SELECT v.id AS visit_id, r.outcome, r.stage, count(*) AS plants" + rows.OF_FIELD
            )
        else:
            counted = (
                "SELECT p.visit_id, r.outcome, r.stage, count(*) AS plants FROM photos AS p"
                + ("" if date is None else " JOIN visits AS v ON v.id = p.visit_id")
            )
        for row in self._rows(
            f"""
            SELECT f.name, v.date, n.outcome, n.stage, n.plants FROM (
                {counted} JOIN readings AS r ON r.id = p.latest_id
                {rows.where(field, date)} GROUP BY 1, 2, 3
            ) AS n
            LEFT JOIN visits AS v ON v.id = n.visit_id LEFT JOIN fields AS f ON f.id = v.field_id
            ORDER BY f.name, v.date, n.outcome, n.stage
            """,
            field=field,
            date=date,
        ):
            yield StageCount(*row)

    def plants(
        self, field: str | None = None, date: str | None = None, *, unfiled: bool = False
    ) -> Iterator[PlantRow]:
        """Every photo with its latest reading, visit by visit, as of the moment of asking.

        With `unfiled` those alone that are in no field.
        """
        asked = "WHERE p.visit_id IS NULL" if unfiled else rows.where(field, date)
        sql = (
            f"{rows.PLANT_OF_FIELD} {asked}"
            if field is not None
            else f"{rows.PLANT} {asked} ORDER BY p.visit_id, p.id"
        )
        for row in self._rows(sql, field=field, date=date):
            yield self._made(rows.plant, row)

    def plant(self, sha256: str) -> PlantRow | None:
        """One photo with its latest reading; None if the survey doesn't hold it."""
        row = self._one(f"{rows.PLANT} WHERE p.sha256 = :sha256", sha256=sha256)
        return None if row is None else self._made(rows.plant, row)

    def counts(
        self, sha256: str | None = None, field: str | None = None, *, several: bool = False
    ) -> Iterator[StoredCount]:
        """Hand counts of photos with what they rest on: all, a photo's or a field's, in order.

        With `several` those of all plants on which more than one person counted.
        """
        asked = counting.OF_SEVERAL if several else counting.question(sha256, field)
        for row in self._rows(asked, sha256=sha256, field=field):
            yield self._made(counting.stored_count, row)

    def count_saved(self, save_key: str) -> StoredCount | None:
        """The hand count that was saved under this key, if one was."""
        found = self._rows(counting.SAVED, save_key=save_key)
        return next((self._made(counting.stored_count, row) for row in found), None)

    def set_asides(self, sha256: str) -> Iterator[SetAside]:
        """Everybody's word that this photo holds nothing to count, the one said first is first."""
        for row in self._rows(counting.ASIDES, sha256=sha256):
            yield SetAside(*row)

    def entered_at(self, save_key: str) -> str | None:
        """When a count was made, or a photo set aside, that was saved under this key, if so."""
        row = self._one(counting.ENTERED_AT, save_key=save_key)
        return None if row is None else row[0]

    def history(self, sha256: str) -> Iterator[StoredReading]:
        """All readings of a photo's content, the first one first."""
        for row in self._rows(
            """
            SELECT m.name AS model, m.sha256 AS model_sha256, r.calibration, r.attempt, r.read_at,
                r.outcome, r.stage, r.confidence, r.height_mm, r.id = p.latest_id AS latest,
                c.record
            FROM photos AS p JOIN readings AS r ON r.photo_id = p.id
            JOIN records AS c ON c.reading_id = r.id JOIN models AS m ON m.id = r.model_id
            WHERE p.sha256 = :sha256 ORDER BY r.id
            """,
            sha256=sha256,
        ):
            said = dict(row)
            said["latest"] = bool(said["latest"])
            yield StoredReading(**{**said, "record": self._made(json.loads, said["record"])})

    def waiting(self, field: str | None = None, *, unfiled: bool = False) -> Iterator[Waiting]:
        """Photos that ask for a hand count and have none yet, by field and date.

        With `unfiled` those alone that are in no field.

        A height alone is no count: the plant goes on waiting, or stays set aside. Nobody counts
        collars on a photo from above.
        """
        # A field's photos are reached through it, those of all by an index of what may wait.
        photos = (
            f"{rows.OF_FIELD} JOIN readings AS r ON r.id = p.latest_id "
            "LEFT JOIN stops AS s ON s.id = p.stop_id"
            if field is not None
            else "FROM readings AS r JOIN photos AS p ON p.id = r.photo_id AND p.latest_id = r.id"
            + rows.PLACE
        )
        for row in self._rows(
            f"""
            SELECT f.name, v.date, s.name, p.name, p.sha256, r.stage,
                json_extract(c.record, '$.reasons'), p.plant
            {photos} JOIN records AS c ON c.reading_id = r.id
            WHERE r.outcome = 'hand-count' AND p.view = 'side'
            AND NOT EXISTS (SELECT 1 FROM hand_counts WHERE photo_id = p.id AND {rows.COUNTED})
            AND NOT EXISTS (SELECT 1 FROM set_asides WHERE photo_id = p.id)
            {"AND p.visit_id IS NULL" if unfiled else ""}
            {"AND f.name = :field" if field is not None else ""}
            ORDER BY f.name, v.date, s.name, p.name
            """,
            field=field,
        ):
            field_name, date, stop, photo, sha256, stage, reasons, plant = row
            said = tuple(self._made(json.loads, reasons))
            yield Waiting(field_name, date, stop, photo, sha256, stage, said, plant)

    def shared_visits(self, field: str | None = None) -> Iterator[tuple[str, str | None]]:
        """Field and date of the visits whose photos were said to be of this plant or that."""
        for row in self._rows(
            f"""
            SELECT DISTINCT f.name, v.date FROM photos AS p JOIN visits AS v ON v.id = p.visit_id
            JOIN fields AS f ON f.id = v.field_id WHERE p.plant IS NOT NULL
            {"AND f.name = :field" if field is not None else ""} ORDER BY f.name, v.date
            """,
            field=field,
        ):
            yield row[0], row[1]

    def hand_counts(self, sha256: str) -> Iterator[HandCount]:
        """All hand counts of a photo, the one made first comes first."""
        for row in self._rows(
            f"""
            SELECT {rows.COUNT} FROM hand_counts AS h JOIN photos AS p ON p.id = h.photo_id
            WHERE p.sha256 = :sha256 ORDER BY h.counted_at, h.id
            """,
            sha256=sha256,
        ):
            yield rows.hand_count(row)

    def limits(self) -> Iterator[Limit]:
        """Every limit ever entered, the first one first."""
        for row in self._rows("SELECT id, name, terms, who, entered_at FROM limits ORDER BY id"):
            yield Limit(**{**dict(row), "terms": self._made(json.loads, row["terms"])})

    def decisions(self, field: str | None = None) -> Iterator[Decision]:
        """Every decision, or those for one field, the first one first."""
        for row in self._rows(
            f"""
            SELECT d.id, f.name AS field, v.date, l.name AS 'limit', d.who, d.decided_at,
                d.verdict, d.basis
            FROM decisions AS d JOIN visits AS v ON v.id = d.visit_id
            JOIN fields AS f ON f.id = v.field_id LEFT JOIN limits AS l ON l.id = d.limit_id
            {"WHERE f.name = :field" if field is not None else ""} ORDER BY d.id
            """,
            field=field,
        ):
            yield Decision(**{**dict(row), "basis": self._made(json.loads, row["basis"])})

    def outcome_of(
        self, sha256: str, model_sha256: str, calibration: str | None = None
    ) -> str | None:
        """What this model said of this content last; None when it hasn't read it yet.

        With a calibration, only readings that were made by that one count.
        """
        row = self._one(
            f"""
            SELECT r.outcome FROM photos AS p JOIN readings AS r ON r.photo_id = p.id
            JOIN models AS m ON m.id = r.model_id
            WHERE p.sha256 = :sha256 AND m.sha256 = :model
            {"" if calibration is None else "AND r.calibration = :calibration"}
            ORDER BY r.attempt DESC LIMIT 1
            """,
            sha256=sha256,
            model=model_sha256,
            calibration=calibration,
        )
        return None if row is None else str(row[0])

    def photo(self, sha256: str) -> PhotoFacts | None:
        """What the file of this content said of itself; None if the survey doesn't hold it."""
        row = self._one(f"{rows.FACTS} WHERE sha256 = :sha256", sha256=sha256)
        return None if row is None else rows.facts(row)

    def photos_named(self, name: str) -> Iterator[PhotoFacts]:
        """Every photo of this base name."""
        known = rows.storable(name)
        for row in self._rows(f"{rows.FACTS} WHERE name = :name ORDER BY id", name=known):
            yield rows.facts(row)

    def file_at(self, path: str) -> tuple[FileFacts, str] | None:
        """What was seen at a path last, and the SHA-256 of its content then."""
        row = self._one(
            """
            SELECT pf.path, pf.size, pf.mtime_ns, pf.seen_ns, p.sha256
            FROM photo_files AS pf JOIN photos AS p ON p.id = pf.photo_id WHERE pf.path = :path
            """,
            path=rows.storable(path),
        )
        return None if row is None else (FileFacts(*row[:4]), str(row[4]))

    def files_of(self, sha256: str) -> Iterator[str]:
        """Every path that this content was seen at."""
        for row in self._rows(
            """
            SELECT pf.path FROM photo_files AS pf JOIN photos AS p ON p.id = pf.photo_id
            WHERE p.sha256 = :sha256 ORDER BY pf.path
            """,
            sha256=sha256,
        ):
            yield row[0]

    def confidences(self, hashes: Iterable[str]) -> dict[str, float]:
        """Confidence of the latest reading of each photo that has one, by the photo's hash."""
        found = {}
        for sha256 in hashes:
            row = self._one(
                "SELECT r.confidence FROM photos AS p JOIN readings AS r ON r.id = p.latest_id "
                "WHERE p.sha256 = :sha256",
                sha256=sha256,
            )
            if row is not None and row[0] is not None:
                found[sha256] = float(row[0])
        return found

    def state(self) -> tuple[int, ...]:
        """Numbers that change with photos, readings, places, plants' names, counts and fields."""
        row = self._one(counting.STATE)
        assert row is not None
        return counting.state_numbers(row)

    def field_states(self) -> dict[str, tuple[int, ...]]:
        """Like `state`, for each field by itself."""
        found = self._rows(counting.FIELD_STATES)
        return {row[0]: counting.state_numbers(tuple(row)[1:]) for row in found}

    def photo_count(self) -> int:
        """Photos in the survey, by content."""
        row = self._one("SELECT count(*) FROM photos")
        assert row is not None
        return int(row[0])

    def _rows(self, sql: str, **values: Any) -> Iterator[sqlite3.Row]:
        with self._told():
            cursor = self._connection.execute(sql, values)
        while True:
            with self._told():
                some = cursor.fetchmany(256)
            if not some:
                return
            yield from some

    def _one(self, sql: str, **values: Any) -> sqlite3.Row | None:
        with self._told():
            row: sqlite3.Row | None = self._connection.execute(sql, values).fetchone()
            return row

    def _made(self, make: Callable[[Any], _Value], stored: Any) -> _Value:
        """What a row or a text of the survey says."""
        with self._told():
            return make(stored)

    @contextmanager
    def _told(self) -> Iterator[None]:
        with told(self.path):
            yield
