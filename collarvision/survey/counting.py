"""Counting: a hand count with its points, as the survey's tables hold it."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator
from typing import Any
from zlib import crc32

from collarvision.handles import Handle
from collarvision.survey import rows
from collarvision.survey.values import StoredCount

# The same for all photos that show one plant, as `collarvision.plantphotos` puts them together.
_ONE_PLANT = f"""
    CASE WHEN p.plant IS NULL OR p.visit_id IS NULL OR p.view <> 'side'
        OR {rows.SET_ASIDE} IS NOT NULL THEN p.sha256
    ELSE p.visit_id || ' ' || ifnull(p.stop_id, 0) || ' ' || p.plant END
"""

# A correlated list keeps one row a count, so that long answers can come one by one.
_COUNTS = f"""
    SELECT h.id, p.sha256, p.name AS photo, f.name AS field, v.date, {rows.COUNT},
        {_ONE_PLANT} AS one_plant,
        r.stage AS read_stage, r.outcome AS read_outcome, m.sha256 AS model_sha256,
        (SELECT json_group_array(json_array(part, x, y, rank, occluded, lost, rounded))
         FROM (SELECT * FROM labels WHERE hand_count_id = h.id ORDER BY id)) AS handles
    FROM hand_counts AS h JOIN photos AS p ON p.id = h.photo_id
    JOIN readings AS r ON r.id = ifnull(h.reading_id, p.latest_id)
    JOIN models AS m ON m.id = r.model_id
    LEFT JOIN visits AS v ON v.id = p.visit_id LEFT JOIN fields AS f ON f.id = v.field_id
"""

# Photos that were said to be of this plant or that, with where they are, as a text.
_NAMED = "group_concat(p.id || ' ' || p.visit_id || ' ' || ifnull(p.stop_id, 0) || ' ' || p.plant)"

# Two numbers that change where photos are filed at other visits or stops.
_PLACES = "ifnull(sum(p.id * p.visit_id), 0), ifnull(sum(p.id * p.stop_id), 0)"

STATE = f"""
    SELECT count(*), {_PLACES},
        (SELECT {_NAMED} FROM photos AS p WHERE p.plant IS NOT NULL),
        (SELECT ifnull(max(id), 0) FROM readings), (SELECT ifnull(max(id), 0) FROM hand_counts),
        (SELECT ifnull(max(id), 0) FROM set_asides), (SELECT ifnull(max(id), 0) FROM withdrawals),
        (SELECT ifnull(max(id), 0) FROM fields), (SELECT ifnull(max(id), 0) FROM visits)
    FROM photos AS p
"""
"""SQL for numbers, and a text, that change with whatever a survey's answers rest on."""

FIELD_STATES = f"""
    SELECT f.name, count(DISTINCT p.id), {_PLACES}, ifnull(max(p.latest_id), 0),
        ifnull(max(h.id), 0), ifnull(max(a.id), 0),
        (SELECT {_NAMED} FROM photos AS p JOIN visits AS w ON w.id = p.visit_id
         WHERE w.field_id = f.id AND p.plant IS NOT NULL),
        (SELECT ifnull(max(c.id), 0) FROM hand_counts AS c JOIN stops AS s ON s.id = c.stop_id
         JOIN visits AS w ON w.id = s.visit_id WHERE w.field_id = f.id),
        (SELECT ifnull(max(d.id), 0) FROM withdrawals AS d
         JOIN hand_counts AS c ON c.id = d.hand_count_id JOIN stops AS s ON s.id = c.stop_id
         JOIN visits AS w ON w.id = s.visit_id WHERE w.field_id = f.id)
    FROM fields AS f CROSS JOIN visits AS v ON v.field_id = f.id
    CROSS JOIN photos AS p ON p.visit_id = v.id
    LEFT JOIN hand_counts AS h ON h.photo_id = p.id
    LEFT JOIN set_asides AS a ON a.photo_id = p.id
    GROUP BY f.id
"""
"""SQL for the same of each field that has photos, by its name."""


def state_numbers(row: Iterable[int | str | None]) -> tuple[int, ...]:
    """What a survey's state says, each text in it as a number that changes with it."""
    return tuple(one if isinstance(one, int) else crc32((one or "").encode()) for one in row)


def question(sha256: str | None, field: str | None) -> str:
    """SQL for hand counts, with :sha256 and :field as they are asked for."""
    return f"{_COUNTS} {rows.where(field, sha256=sha256)} ORDER BY h.counted_at, h.id"


OF_SEVERAL = f"""
    {_COUNTS} WHERE {_ONE_PLANT} IN (
        SELECT {_ONE_PLANT} FROM hand_counts AS h JOIN photos AS p ON p.id = h.photo_id
        GROUP BY 1 HAVING count(DISTINCT h.who) > 1)
    ORDER BY h.counted_at, h.id
"""
"""SQL for the hand counts of plants with photos on which more than one person counted."""

SAVED = f"{_COUNTS} WHERE h.save_key = :save_key"
"""SQL for the hand count that was saved under a key."""

ENTERED_AT = """
    SELECT counted_at FROM hand_counts WHERE save_key = :save_key
    UNION ALL SELECT said_at FROM set_asides WHERE save_key = :save_key
"""
"""SQL for when the same was made, or a photo was set aside under that key."""

ASIDES = """
    SELECT a.who, a.said_at, a.reason FROM set_asides AS a JOIN photos AS p ON p.id = a.photo_id
    WHERE p.sha256 = :sha256 ORDER BY julianday(a.said_at), a.id
"""
"""SQL for everybody's word that a photo holds nothing to count, in order."""


def stored_count(row: sqlite3.Row) -> StoredCount:
    """One row of `question`'s answer."""
    return StoredCount(
        id=row["id"],
        sha256=row["sha256"],
        photo=row["photo"],
        field=row["field"],
        date=row["date"],
        count=rows.hand_count(row),
        handles=tuple(
            Handle(part, x, y, rank, bool(occluded), bool(lost), bool(rounded))
            for part, x, y, rank, occluded, lost, rounded in json.loads(row["handles"])
        ),
        read_stage=row["read_stage"],
        read_outcome=row["read_outcome"],
        model_sha256=row["model_sha256"],
        one_plant=row["one_plant"],
    )


def label_values(hand_count_id: int, handles: Iterable[Handle]) -> Iterator[dict[str, Any]]:
    """Rows of the table ``labels``."""
    for handle in handles:
        yield {
            "hand_count_id": hand_count_id,
            "part": handle.part,
            "rank": handle.rank,
            "x": None if handle.x is None else float(handle.x),
            "y": None if handle.y is None else float(handle.y),
            "occluded": int(handle.occluded),
            "lost": int(handle.lost),
            "rounded": int(handle.rounded),
        }
