"""Stop counts: what people counted at a stop on plants that have no photo.

Such a plant is known by its number at its stop: plants are numbered as they were first counted
there. A count that is made again is a row of its own, like every count, and names the plant's first
one. A plant that was counted by mistake is withdrawn: its counts and its number stay, and none of
them counts any more. It may be counted anew.
"""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from collarvision.survey import rows
from collarvision.survey.faults import SurveyError
from collarvision.survey.reader import SurveyReader
from collarvision.survey.values import HandCount, Withdrawn


@dataclass(frozen=True)
class StopCount:
    """One plant without a photo.

    Attributes
    ----------
    id : int
        Of its first count.
    number : int
        At its stop, from 1.
    field : str
    date : str or None
        Of the visit.
    stop_id : int
    stop : str
    gps : (latitude, longitude) or None
        Of the stop; degrees WGS 84.
    counts : tuple of HandCount
        Those that stand, the one made first comes first; none where the plant is withdrawn.
    numbered_alike : bool
        Photos at the stop were filed under a plant of the same number, which is another one.
    withdrawn : tuple of Withdrawn
        Counts that were taken back, the one made first comes first.
    """

    id: int
    number: int
    field: str
    date: str | None
    stop_id: int
    stop: str
    gps: tuple[float, float] | None
    counts: tuple[HandCount, ...]
    numbered_alike: bool = False
    withdrawn: tuple[Withdrawn, ...] = ()

    @property
    def count(self) -> HandCount | None:
        """The count that stands; None where the plant is withdrawn."""
        return standing(self.counts) if self.counts else None

    @property
    def withdrawn_last(self) -> Withdrawn:
        """The count that was taken back last; there must be one."""
        return max(self.withdrawn, key=lambda one: one.said_at)

    @property
    def at(self) -> str:
        """The stop in words."""
        return self.stop if self.stop.lower().startswith("stop") else f"stop {self.stop}"

    @property
    def called(self) -> str:
        """The plant in words, at its stop.

        Its number stays, since a person may have noted it: photos filed later under the same one
        only make its name longer.
        """
        return f"plant {self.number}{' without a photo' if self.numbered_alike else ''}"

    @property
    def name(self) -> str:
        """What the plant is called, and counted again by."""
        return f"{self.at}, {self.called}"


def standing(counts: Sequence[HandCount]) -> HandCount:
    """Of a plant's counts in order, the last of collars or nodes, with the last height.

    The two may have been entered one by one. Where no count tells collars or nodes it is the last.
    """
    told = [one for one in counts if one.stage is not None or one.nodes is not None]
    tall = [one.height_mm for one in counts if one.height_mm is not None]
    return replace((told or counts)[-1], height_mm=tall[-1] if tall else None)


def stop_counts(
    store: SurveyReader, field: str | None = None, *, withdrawn: bool = False
) -> Iterator[StopCount]:
    """Every plant that was counted at a stop without a photo, of all fields or one, in order.

    Plants that were withdrawn are among them only where they are asked for.
    """
    for plant in _plants(store, rows.where(field), field=field):
        if plant.counts or withdrawn:
            yield plant


def plants_at(store: SurveyReader, stop_id: int) -> list[StopCount]:
    """Every plant that was counted at one stop without a photo, withdrawn ones too, in order."""
    return list(_plants(store, "WHERE h.stop_id = :stop_id", stop_id=stop_id))


def stop_of(store: SurveyReader, plant: int) -> int:
    """The id of the stop that a plant without a photo was counted at, by its `StopCount.id`."""
    row = store._one("SELECT stop_id FROM hand_counts WHERE id = :plant", plant=plant)
    assert row is not None
    return int(row[0])


def plant_number(name: str | None) -> int | None:
    """The number that a plant's name is, as photos are filed under it; None for other names."""
    return int(name) if name is not None and name.isdecimal() else None


def _plants(store: SurveyReader, asked: str, **values: Any) -> Iterator[StopCount]:
    found: dict[int, list[sqlite3.Row]] = {}
    for row in store._rows(
        f"""
        SELECT h.id, ifnull(h.again_of, h.id) AS first_id, f.name AS field, v.date,
            s.id AS stop_id, s.name AS stop, s.latitude, s.longitude, {rows.COUNT},
            w.who AS withdrawn_by, w.said_at AS withdrawn_at, w.reason
        FROM hand_counts AS h JOIN stops AS s ON s.id = h.stop_id
        LEFT JOIN withdrawals AS w ON w.hand_count_id = h.id
        JOIN visits AS v ON v.id = s.visit_id JOIN fields AS f ON f.id = v.field_id
        {asked} ORDER BY h.id
        """,
        **values,
    ):
        found.setdefault(row["first_id"], []).append(row)
    at_stop: Counter[int] = Counter()
    of_photos: dict[int, set[int | None]] = {}
    for first_id, counted in found.items():
        first = counted[0]
        stop_id = first["stop_id"]
        if stop_id not in of_photos:
            of_photos[stop_id] = _numbers_of_photos(store, stop_id)
        at_stop[stop_id] += 1
        number = at_stop[stop_id]
        # The last is the one that was made last, as with photos.
        counted.sort(key=lambda row: (row["counted_at"], row["id"]))
        yield StopCount(
            first_id,
            number,
            first["field"],
            first["date"],
            stop_id,
            first["stop"],
            rows.gps(first),
            tuple(rows.hand_count(row) for row in counted if row["withdrawn_by"] is None),
            number in of_photos[stop_id],
            tuple(
                Withdrawn(
                    rows.hand_count(row), row["withdrawn_by"], row["withdrawn_at"], row["reason"]
                )
                for row in counted
                if row["withdrawn_by"] is not None
            ),
        )


def _numbers_of_photos(store: SurveyReader, stop_id: int) -> set[int | None]:
    """Numbers of the plants that photos at a stop were filed under."""
    asked = "SELECT DISTINCT plant FROM photos WHERE stop_id = :stop_id AND plant IS NOT NULL"
    return {plant_number(row[0]) for row in store._rows(asked, stop_id=stop_id)}


def again_values(connection: sqlite3.Connection, plant: int) -> dict[str, Any]:
    """Columns of a further count of a plant, by its `StopCount.id`, in the writer's transaction.

    Raises
    ------
    SurveyError
        No plant without a photo has this id.
    """
    first = connection.execute(
        "SELECT stop_id FROM hand_counts WHERE id = ? AND stop_id IS NOT NULL AND again_of IS NULL",
        (plant,),
    ).fetchone()
    if first is None:
        raise SurveyError(f"No plant {plant} was counted at a stop: count it there first.")
    return {"stop_id": first["stop_id"], "again_of": plant}


def counts_to_withdraw(
    connection: sqlite3.Connection, plant: int, counted_by: str | None = None
) -> list[int]:
    """Ids of the counts that stand of a plant, by its `StopCount.id`, in the writer's transaction.

    All of them, or one person's.

    Raises
    ------
    SurveyError
        No plant without a photo has this id, or no such count of it stands.
    """
    again_values(connection, plant)
    found = connection.execute(
        "SELECT id FROM hand_counts AS h WHERE (id = :plant OR again_of = :plant) AND NOT EXISTS "
        "(SELECT 1 FROM withdrawals WHERE hand_count_id = h.id) "
        "AND (:who IS NULL OR who = :who) ORDER BY id",
        {"plant": plant, "who": counted_by},
    ).fetchall()
    if not found and counted_by is not None:
        raise SurveyError(f"No count of this plant by {counted_by} stands: nothing was changed.")
    if not found:
        raise SurveyError(
            "This plant was withdrawn already: nothing was changed. Count it anew if it is to "
            "count again."
        )
    return [row[0] for row in found]
