"""Rows: what is asked of the survey's tables, and how the answer's rows become values."""

from __future__ import annotations

import json
import re
import sqlite3
import unicodedata
from collections.abc import Iterable

from collarvision.survey.values import HandCount, PhotoFacts, PlantRow

PLACE = """
    LEFT JOIN visits AS v ON v.id = p.visit_id
    LEFT JOIN fields AS f ON f.id = v.field_id
    LEFT JOIN stops AS s ON s.id = p.stop_id
"""
COUNT = """
    h.id AS count_id, h.who, h.counted_at, h.stage AS counted_stage, h.nodes,
    h.height_mm AS counted_height_mm, h.note, h.way
"""
"""Columns of a hand count `h`, as `hand_count` takes them."""

COUNTED = "(stage IS NOT NULL OR nodes IS NOT NULL)"
"""Whether a hand count tells the plant's stage. A height alone doesn't: it ends no wait, and is no
answer to a word that there is nothing to count."""

SET_ASIDE = f"""
    (SELECT reason FROM set_asides AS sa WHERE sa.photo_id = p.id
     AND NOT EXISTS (SELECT 1 FROM hand_counts WHERE photo_id = p.id AND {COUNTED}
                     AND julianday(counted_at) >= julianday(sa.said_at))
     ORDER BY julianday(sa.said_at) DESC, sa.id DESC LIMIT 1)
"""
"""Why a photo `p` is set aside; null where it isn't, or was counted since."""

_PLANT = f"""
    SELECT p.name AS photo, p.sha256, p.view, f.name AS field, v.date, s.name AS stop, p.plant,
        p.taken_at,
        ifnull(p.latitude, s.latitude) AS latitude, ifnull(p.longitude, s.longitude) AS longitude,
        r.outcome, r.stage, r.confidence, r.height_mm, r.read_at, r.calibration, r.id AS reading_id,
        m.name AS model, c.record,
        (SELECT path FROM photo_files AS pf WHERE pf.photo_id = p.id
         ORDER BY seen_ns DESC, path LIMIT 1) AS path,
        {COUNT},
        t.height_mm AS last_height_mm, t.counted_at AS height_at, t.id AS height_id,
        {SET_ASIDE} AS set_aside
"""
# Collars and height may be entered one by one: the last count that tells collars or nodes comes
# before a later one that tells only a height. The last is the one that was made last, whenever it
# came in: labels of last year may be imported today.
_LATEST = f"""
    JOIN readings AS r ON r.id = p.latest_id
    JOIN records AS c ON c.reading_id = r.id
    JOIN models AS m ON m.id = r.model_id
    LEFT JOIN hand_counts AS h ON h.id = (
        SELECT id FROM hand_counts WHERE photo_id = p.id
        ORDER BY {COUNTED} DESC, counted_at DESC, id DESC LIMIT 1)
    LEFT JOIN hand_counts AS t ON t.id = (
        SELECT id FROM hand_counts WHERE photo_id = p.id AND height_mm IS NOT NULL
        ORDER BY counted_at DESC, id DESC LIMIT 1)
"""
KEPT = """(
    EXISTS (SELECT 1 FROM photos AS x WHERE x.visit_id = v.id)
    OR EXISTS (SELECT 1 FROM decisions AS d WHERE d.visit_id = v.id)
    OR EXISTS (SELECT 1 FROM stops AS t JOIN hand_counts AS k ON k.stop_id = t.id
               WHERE t.visit_id = v.id
               AND NOT EXISTS (SELECT 1 FROM withdrawals WHERE hand_count_id = k.id)))
"""
"""Whether a visit `v` holds something. One whose photos were all filed elsewhere, or whose counts
were all withdrawn, is none any more: as a field's last visit it would be the field's answer."""

FACTS = """
    SELECT sha256, name, visit_id IS NOT NULL AS filed, taken_at, latitude, longitude, focal_eq_mm,
        width, height, view
    FROM photos
"""
# CROSS JOIN is SQLite's word for "in this order": from a field to its photos through the indexes,
# however large the survey is, visit by visit without sorting.
OF_FIELD = """
    FROM fields AS f CROSS JOIN visits AS v ON v.field_id = f.id
    CROSS JOIN photos AS p ON p.visit_id = v.id
"""
PLANT = f"{_PLANT} FROM photos AS p {_LATEST} {PLACE}"
PLANT_OF_FIELD = f"{_PLANT} {OF_FIELD} {_LATEST} LEFT JOIN stops AS s ON s.id = p.stop_id"


def where(field: str | None = None, date: str | None = None, sha256: str | None = None) -> str:
    """SQL that asks for :field, :date and :sha256, where they are given."""
    asked = [("p.sha256 = :sha256", sha256), ("f.name = :field", field), ("v.date = :date", date)]
    said = [words for words, value in asked if value is not None]
    return f"WHERE {' AND '.join(said)}" if said else ""


def storable(text: str) -> str:
    """Text as SQLite takes it: file names may hold bytes that are no text."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def folded(field: str) -> str:
    """A field's name without what makes no other field of it: case and blanks."""
    return " ".join(field.casefold().split())


def stop_key(stop: str) -> str:
    """A stop's name without what makes no other stop of it: case, blanks, zeros before a number.

    Digits of every script are those of ASCII; a phone's keyboard chooses them, not the person.
    """
    name = " ".join(ascii_digits(stop).casefold().split())
    return re.sub(r"(?<![0-9.,])0+(?=[0-9])", "", name)  # 1.05 is not 1.5


def ascii_digits(text: str) -> str:
    """Text with the digits of every script as 0 to 9."""
    return "".join(str(unicodedata.decimal(c)) if c.isdecimal() else c for c in text)


def as_known(field: str, known: Iterable[str]) -> str:
    """A field's name as it is known: the first spelling stands for all that fold alike."""
    names = list(known)
    if field in names:
        return field
    same = folded(field)
    return next((name for name in names if folded(name) == same), field)


def gps(row: sqlite3.Row) -> tuple[float, float] | None:
    """A row's `latitude` and `longitude`, degrees WGS 84."""
    if row["latitude"] is None or row["longitude"] is None:
        return None
    return row["latitude"], row["longitude"]


def facts(row: sqlite3.Row) -> PhotoFacts:
    """One row of `FACTS`."""
    return PhotoFacts(
        sha256=row["sha256"],
        name=row["name"],
        view=row["view"],
        filed=bool(row["filed"]),
        taken_at=row["taken_at"],
        gps=gps(row),
        focal_eq_mm=row["focal_eq_mm"],
        size_px=None if row["width"] is None else (row["width"], row["height"]),
    )


def hand_count(row: sqlite3.Row, height_mm: str = "counted_height_mm") -> HandCount:
    """A row with the columns of `COUNT`; `height_mm` names the one that the height comes from."""
    return HandCount(
        who=row["who"],
        counted_at=row["counted_at"],
        stage=row["counted_stage"],
        nodes=row["nodes"],
        height_mm=row[height_mm],
        note=row["note"],
        way=row["way"],
        id=row["count_id"],
    )


def plant(row: sqlite3.Row) -> PlantRow:
    """One row of `PLANT` or `PLANT_OF_FIELD`."""
    return PlantRow(
        photo=row["photo"],
        sha256=row["sha256"],
        path=row["path"],
        view=row["view"],
        field=row["field"],
        date=row["date"],
        stop=row["stop"],
        plant=row["plant"],
        taken_at=row["taken_at"],
        gps=gps(row),
        outcome=row["outcome"],
        stage=row["stage"],
        confidence=row["confidence"],
        height_mm=row["height_mm"],
        read_at=row["read_at"],
        model=row["model"],
        calibration=row["calibration"],
        hand_count=None if row["who"] is None else hand_count(row, "last_height_mm"),
        record=json.loads(row["record"]),
        reading_id=row["reading_id"],
        set_aside=row["set_aside"],
        height_at=row["height_at"],
        height_id=row["height_id"],
    )
