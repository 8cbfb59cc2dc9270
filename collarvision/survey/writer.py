"""Writer: the only code that changes a survey. Each call is one transaction, all of it or none."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from collarvision.answer import Reading
from collarvision.handles import Handle
from collarvision.survey.asread import notes_that_stay
from collarvision.survey.columns import (
    hand_values,
    impossible,
    json_text,
    now,
    number,
    record_text,
)
from collarvision.survey.counting import label_values
from collarvision.survey.faults import SurveyError
from collarvision.survey.modelrows import has_read, model_id
from collarvision.survey.oneplant import name_plant, see_one_plant
from collarvision.survey.reader import SurveyReader
from collarvision.survey.rows import as_known, storable
from collarvision.survey.settling import settle, settle_together
from collarvision.survey.stopcounts import again_values, counts_to_withdraw
from collarvision.survey.values import FileFacts, HandCount, ModelFacts, NotCounted, Place


class SurveyWriter(SurveyReader):
    """A survey opened for writing; a context manager. With `create` it is made if there is none."""

    def __init__(self, path: str | Path, *, create: bool = False) -> None:
        self._mode = "create" if create else "write"
        super().__init__(path)

    def __enter__(self) -> SurveyWriter:
        return self

    def add_reading(
        self,
        reading: Reading,
        *,
        sha256: str,
        model: ModelFacts,
        place: Place | None = None,
        file: FileFacts | None = None,
        again: bool = False,
        refile: bool | None = None,
        notes: Mapping[str, Any] | None = None,
    ) -> bool:
        """Store a reading with the photo it is of and the place that belongs to.

        Parameters
        ----------
        reading : Reading
        sha256 : str
            Of the photo's bytes; two files of the same bytes are one photo.
        model : ModelFacts
        place : Place, optional
            Where the photo belongs. It fills in what isn't known yet; with `refile` it replaces.
        file : FileFacts, optional
            Where the content was seen.
        again : bool
            Add a reading even if this model has read the photo before by this calibration.
        refile : bool, optional
            File the photo anew; by default as `again` says.
        notes : mapping, optional
            What the survey's record holds beside the reading (see `collarvision.survey.asread`).

        Returns
        -------
        bool
            False when this model's reading by this calibration was already there: then it is left
            as it is.
        """
        place = place or Place()
        with self._transaction():
            visit_id, stop_id = self._place_ids(place, reading.gps)
            photo_id = self._photo_id(reading, sha256)
            refiled = again if refile is None else refile
            settle(self._connection, photo_id, visit_id, stop_id, place, replace=refiled)
            if file is not None:
                self._note_file(photo_id, file)
            read_by = model_id(self._connection, model)
            last = self._value(
                "SELECT max(attempt) FROM readings WHERE photo_id = ? AND model_id = ?",
                photo_id,
                read_by,
            )
            read = has_read(self._connection, photo_id, read_by, model.calibration)
            if last is not None and not again and read:
                return False
            notes = notes_that_stay(self._connection, photo_id) | dict(notes or {})
            reading_id = self._insert(
                "readings",
                photo_id=photo_id,
                model_id=read_by,
                attempt=(last or 0) + 1,
                calibration=model.calibration,
                read_at=now(),
                outcome=reading.outcome,
                stage=reading.stage,
                confidence=number(reading.confidence),
                height_mm=number(reading.height_mm),
            )
            self._insert("records", reading_id=reading_id, record=record_text(reading, notes))
        return True

    def note_file(self, sha256: str, file: FileFacts, place: Place | None = None) -> None:
        """Note that a known photo's content lies at this path, and file it if nobody has yet.

        Raises
        ------
        SurveyError
            The survey has no photo of this content.
        """
        with self._transaction():
            photo_id = self._known_photo(sha256)
            self._note_file(photo_id, file)
            filed = self._value("SELECT visit_id FROM photos WHERE id = ?", photo_id) is not None
            if place is not None and place.field is not None and not filed:
                at = self._connection.execute(
                    "SELECT latitude, longitude FROM photos WHERE id = ?", (photo_id,)
                ).fetchone()
                gps = None if at[0] is None else (at[0], at[1])
                visit_id, stop_id = self._place_ids(place, gps)
                settle(self._connection, photo_id, visit_id, stop_id, place, replace=False)

    def add_field(self, name: str, boundary: dict[str, Any] | None = None) -> int:
        """Make sure that a field is there, give it this boundary if one is given, and its id."""
        with self._transaction():
            field_id = self._field_id(name)
            if boundary is not None:
                self._connection.execute(
                    "UPDATE fields SET boundary = ? WHERE id = ?", (json_text(boundary), field_id)
                )
        return field_id

    def add_hand_count(
        self,
        sha256: str,
        count: HandCount,
        *,
        handles: Iterable[Handle] = (),
        reading_id: int | None = None,
        save_key: str | None = None,
    ) -> int:
        """Store what a person counted on a photo's plant; earlier counts stay. Gives its id.

        Parameters
        ----------
        sha256 : str
        count : HandCount
        handles : iterable of Handle
            The points it rests on.
        reading_id : int, optional
            Of the reading that the person was shown.
        save_key : str, optional
            A count with this key that is there already is left as it is.

        Raises
        ------
        SurveyError
            No such photo, nothing counted, or a number that no plant has.
        """
        if count.stage is None and count.nodes is None and count.height_mm is None:
            raise SurveyError("Nothing was counted: give collars, nodes or a height.")
        try:
            with self._transaction():
                photo_id = self._known_photo(sha256)
                there = self._value("SELECT id FROM hand_counts WHERE save_key = ?", save_key)
                if there is not None:
                    return int(there)
                count_id = self._insert(
                    "hand_counts",
                    photo_id=photo_id,
                    reading_id=reading_id,
                    save_key=save_key,
                    **hand_values(count),
                )
                for values in label_values(count_id, handles):
                    self._insert("labels", **values)
                return count_id
        except sqlite3.IntegrityError as error:
            raise impossible(count) from error

    def set_aside(
        self,
        sha256: str,
        who: str,
        reason: NotCounted,
        save_key: str | None = None,
        said_at: str | None = None,
    ) -> None:
        """Store a person's word that a photo holds nothing to count; a later count outdoes it."""
        said = {"who": storable(who), "said_at": said_at or now(), "reason": reason}
        with self._transaction():
            photo_id = self._known_photo(sha256)
            if self._value("SELECT 1 FROM set_asides WHERE save_key = ?", save_key) is None:
                self._insert("set_asides", photo_id=photo_id, save_key=save_key, **said)

    def say_one_plant(self, photos: Iterable[str]) -> str:
        """Note that these photos, by their SHA-256, show one plant; gives the plant's name there.

        It keeps the name that one of them has, or takes the next number at their stop.

        Raises
        ------
        SurveyError
            One isn't there or in no field, they are of several visits or stops, or the same photo.
        """
        with self._transaction():
            ids = {one: self._known_photo(one) for one in photos}
            see_one_plant([row for row in map(self.plant, ids) if row is not None])
            return name_plant(self._connection, list(ids.values()))

    def say_one_picture(self, known: str, new: str, *, refile: bool = False) -> None:
        """Note that two photos, by their SHA-256, are the same picture; see `settle_together`."""
        with self._transaction():
            ids = self._known_photo(known), self._known_photo(new)
            settle_together(self._connection, *ids, refile=refile)

    def say_own_plants(self, photos: Iterable[str]) -> None:
        """Note that each of these photos, by their SHA-256, shows a plant of its own."""
        with self._transaction():
            ids = [(self._known_photo(sha256),) for sha256 in photos]
            self._connection.executemany("UPDATE photos SET plant = NULL WHERE id = ?", ids)

    def add_stop_count(self, stop: int | Place, count: HandCount) -> int:
        """Store a count of another plant without a photo, at a stop's id or place. Gives its id."""
        try:
            with self._transaction():
                stop_id = stop if isinstance(stop, int) else self._place_ids(stop, None)[1]
                return self._insert("hand_counts", stop_id=stop_id, **hand_values(count))
        except sqlite3.IntegrityError as error:
            raise impossible(count) from error

    def count_stop_plant_again(self, plant: int, count: HandCount) -> int:
        """Store a further count of a plant without a photo, by its `StopCount.id`. Gives its id."""
        try:
            with self._transaction():
                values = again_values(self._connection, plant)
                return self._insert("hand_counts", **values, **hand_values(count))
        except sqlite3.IntegrityError as error:
            raise impossible(count) from error

    def withdraw_stop_plant(
        self, plant: int, *, who: str, reason: str, counted_by: str | None = None
    ) -> None:
        """Take back the counts that stand of a plant without a photo, or one person's of them.

        The plant goes by its `StopCount.id`. They stay on the record, and it may be counted anew.

        Raises
        ------
        SurveyError
            No such plant, or no such count of it stands.
        """
        said = {"who": storable(who), "said_at": now(), "reason": storable(reason)}
        with self._transaction():
            for count_id in counts_to_withdraw(self._connection, plant, counted_by):
                self._insert("withdrawals", hand_count_id=count_id, **said)

    def add_limit(self, name: str, terms: dict[str, Any], who: str) -> int:
        """Store a limit as the user typed it from the label. Gives its id."""
        with self._transaction():
            return self._insert(
                "limits",
                name=storable(name),
                terms=json_text(terms),
                who=storable(who),
                entered_at=now(),
            )

    def add_decision(
        self,
        visit_id: int,
        *,
        who: str,
        verdict: str,
        basis: dict[str, Any],
        limit_id: int | None = None,
    ) -> int:
        """Store what was decided for a visit, and what that rested on. Gives its id."""
        with self._transaction():
            return self._insert(
                "decisions",
                visit_id=visit_id,
                limit_id=limit_id,
                who=storable(who),
                decided_at=now(),
                verdict=storable(verdict),
                basis=json_text(basis),
            )

    # ------------------------------------------------------------------ inside a transaction

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        with self._told():
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._connection.execute("COMMIT")
            except BaseException:
                # A full disk may already have undone it.
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise

    def _place_ids(
        self, place: Place, gps: tuple[float, float] | None
    ) -> tuple[int | None, int | None]:
        """Ids of the visit and the stop, made if new; a stop means nothing without a field."""
        if place.field is None:
            return None, None
        field_id = self._field_id(place.field)
        visit_id = self._value(
            "SELECT id FROM visits WHERE field_id = ? AND ifnull(date, '') = ifnull(?, '')",
            field_id,
            place.date,
        )
        if visit_id is None:
            visit_id = self._insert("visits", field_id=field_id, date=place.date)
        if place.stop is None:
            return visit_id, None
        name = storable(place.stop)
        stop_id = self._value(
            "SELECT id FROM stops WHERE visit_id = ? AND name = ?", visit_id, name
        )
        if stop_id is None:
            stop_id = self._insert("stops", visit_id=visit_id, name=name)
        if gps is not None:
            self._connection.execute(
                "UPDATE stops SET latitude = ?, longitude = ? WHERE id = ? AND latitude IS NULL",
                (*gps, stop_id),
            )
        return visit_id, stop_id

    def _field_id(self, name: str) -> int:
        name = storable(name)
        found = self._value("SELECT id FROM fields WHERE name = ?", name)
        if found is None:
            known = dict(self._connection.execute("SELECT name, id FROM fields ORDER BY id"))
            found = known.get(as_known(name, known))
        return int(found) if found is not None else self._insert("fields", name=name)

    def _photo_id(self, reading: Reading, sha256: str) -> int:
        found = self._value("SELECT id FROM photos WHERE sha256 = ?", sha256)
        if found is not None:
            # An earlier version may not have known a view from above.
            self._connection.execute(
                "UPDATE photos SET view = ? WHERE id = ? AND view <> ?",
                (reading.view, found, reading.view),
            )
            return int(found)
        latitude, longitude = reading.gps or (None, None)
        width, height = reading.photo_size or (None, None)
        return self._insert(
            "photos",
            sha256=sha256,
            name=storable(reading.photo),
            view=reading.view,
            taken_at=reading.taken_at,
            latitude=latitude,
            longitude=longitude,
            focal_eq_mm=number(reading.focal_eq_mm),
            width=width,
            height=height,
        )

    def _note_file(self, photo_id: int, file: FileFacts) -> None:
        self._connection.execute(
            "INSERT OR REPLACE INTO photo_files (path, photo_id, size, mtime_ns, seen_ns) "
            "VALUES (?, ?, ?, ?, ?)",
            (storable(file.path), photo_id, file.size, file.mtime_ns, file.seen_ns),
        )

    def _known_photo(self, sha256: str) -> int:
        photo_id = self._value("SELECT id FROM photos WHERE sha256 = ?", sha256)
        if photo_id is None:
            raise SurveyError(f"The survey {self.path} holds no photo {sha256}: stage it first.")
        return int(photo_id)

    def _value(self, sql: str, *values: Any) -> Any:
        row = self._connection.execute(sql, values).fetchone()
        return None if row is None else row[0]

    def _insert(self, table: str, **values: Any) -> int:
        marks = ", ".join("?" * len(values))
        cursor = self._connection.execute(
            f"INSERT INTO {table} ({', '.join(values)}) VALUES ({marks})", tuple(values.values())
        )
        assert cursor.lastrowid is not None
        return cursor.lastrowid
