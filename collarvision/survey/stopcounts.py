"""Stop counts: what people counted at a stop on plants that have no photo.

Such a plant is known by its number at its stop: plants are numbered as they were first counted
there. A count that is made again is a row of its own, like every count; by its key it belongs to
the plant's first one.
"""

from __future__ import annotations

import re
import sqlite3
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from collarvision.survey import rows
from collarvision.survey.faults import SurveyError
from collarvision.survey.reader import SurveyReader
from collarvision.survey.values import HandCount

# A key is unique in the survey, and no count at a stop has another one.
_AGAIN = re.compile(r"stop-plant-(\d+)-again-\d+")


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
        All of them, the one made first comes first.
    """

    id: int
    number: int
    field: str
    date: str | None
    stop_id: int
    stop: str
    gps: tuple[float, float] | None
    counts: tuple[HandCount, ...]

    @property
    def count(self) -> HandCount:
        """The count that stands."""
        return standing(self.counts)

    @property
    def at(self) -> str:
        """The stop in words."""
        return self.stop if self.stop.lower().startswith("stop") else f"stop {self.stop}"

    @property
    def name(self) -> str:
        """What the plant is called, and counted again by."""
        return f"{self.at}, plant {self.number}"


def standing(counts: Sequence[HandCount]) -> HandCount:
    """Of a plant's counts in order, the last of collars or nodes, with the last height.

    The two may have been entered one by one. Where no count tells collars or nodes it is the last.
    """
    told = [one for one in counts if one.stage is not None or one.nodes is not None]
    tall = [one.height_mm for one in counts if one.height_mm is not None]
    return replace((told or counts)[-1], height_mm=tall[-1] if tall else None)


def stop_counts(store: SurveyReader, field: str | None = None) -> Iterator[StopCount]:
    """Every plant that was counted at a stop without a photo, of all fields or one, in order."""
    found: dict[int, list[sqlite3.Row]] = {}
    for row in store._rows(
        f"""
        SELECT h.id, h.save_key, f.name AS field, v.date, s.id AS stop_id, s.name AS stop,
            s.latitude, s.longitude, {rows.COUNT}
        FROM hand_counts AS h JOIN stops AS s ON s.id = h.stop_id
        JOIN visits AS v ON v.id = s.visit_id JOIN fields AS f ON f.id = v.field_id
        {rows.where(field)} ORDER BY h.id
        """,
        field=field,
    ):
        again = _AGAIN.fullmatch(row["save_key"] or "")
        found.setdefault(int(again[1]) if again else row["id"], []).append(row)
    at_stop: Counter[int] = Counter()
    for first_id, counted in found.items():
        first = counted[0]
        at_stop[first["stop_id"]] += 1
        # The last is the one that was made last, as with photos.
        counted.sort(key=lambda row: (row["counted_at"], row["id"]))
        yield StopCount(
            first_id,
            at_stop[first["stop_id"]],
            first["field"],
            first["date"],
            first["stop_id"],
            first["stop"],
            rows.gps(first),
            tuple(map(rows.hand_count, counted)),
        )


def again_values(connection: sqlite3.Connection, plant: int) -> dict[str, Any]:
    """Columns of a further count of a plant, by its `StopCount.id`, in the writer's transaction.

    Raises
    ------
    SurveyError
        No plant without a photo has this id.
    """
    first = connection.execute(
        "SELECT stop_id, save_key FROM hand_counts WHERE id = ? AND stop_id IS NOT NULL", (plant,)
    ).fetchone()
    if first is None or first["save_key"] is not None:
        raise SurveyError(f"No plant {plant} was counted at a stop: count it there first.")
    (before,) = connection.execute(
        "SELECT count(*) FROM hand_counts WHERE stop_id = ? AND save_key GLOB ?",
        (first["stop_id"], f"stop-plant-{plant}-again-*"),
    ).fetchone()
    return {
        "stop_id": first["stop_id"],
        "save_key": f"stop-plant-{plant}-again-{before + 1}",
    }
