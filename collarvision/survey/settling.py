"""Settling: where a photo is filed, inside the writer's transaction."""

from __future__ import annotations

import sqlite3

from collarvision.survey.oneplant import name_plant
from collarvision.survey.rows import storable
from collarvision.survey.values import Place


def settle(
    connection: sqlite3.Connection,
    photo_id: int,
    visit_id: int | None,
    stop_id: int | None,
    place: Place,
    *,
    replace: bool,
) -> None:
    """File a photo, by its id, at a visit and a stop; without `replace` only one that is nowhere.

    What somebody said of a plant stands as long as its photo stays where it was.
    """
    if visit_id is None:
        return
    only_new = "" if replace else "AND visit_id IS NULL"
    connection.execute(
        "UPDATE photos SET plant = coalesce(:plant, CASE WHEN visit_id IS :visit AND "
        "stop_id IS :stop THEN plant END), visit_id = :visit, stop_id = :stop, filed_by = :by "
        f"WHERE id = :photo {only_new}",
        {
            "plant": None if place.plant is None else storable(place.plant),
            "visit": visit_id,
            "stop": stop_id,
            "by": place.filed_by,
            "photo": photo_id,
        },
    )


def settle_together(
    connection: sqlite3.Connection, known_id: int, new_id: int, *, refile: bool
) -> None:
    """File two photos that are the same picture as one plant, at one place.

    That is where the known one is; with `refile`, or if it is nowhere, where the new one is. But
    the photos of a plant's folder stay one plant's: what the page has of it goes to them. And
    within a field a day outdoes none, and a folder's day outdoes one that the page guessed.
    """
    filed = {
        row["id"]: row
        for row in connection.execute(
            "SELECT p.id, visit_id, stop_id, plant, filed_by, taken_at, field_id, date, "
            "EXISTS (SELECT 1 FROM photo_files WHERE photo_id = p.id) AS has_file "
            "FROM photos AS p LEFT JOIN visits AS v ON v.id = visit_id WHERE p.id IN (?, ?)",
            (known_id, new_id),
        )
    }
    known, new = filed[known_id], filed[new_id]
    if known["visit_id"] is None and new["visit_id"] is None:
        return
    if _joins_folder(connection, known, new) or _joins_folder(connection, new, known):
        return
    stays, moves = known_id, new_id
    if _new_stays(known, new, refile):
        stays, moves = new_id, known_id
    connection.execute(
        "UPDATE photos SET (visit_id, stop_id, filed_by) = "
        "(SELECT visit_id, stop_id, filed_by FROM photos WHERE id = :stays), "
        "plant = (SELECT CASE WHEN o.visit_id IS photos.visit_id AND o.stop_id IS photos.stop_id "
        "THEN photos.plant END FROM photos AS o WHERE o.id = :stays) WHERE id = :moves",
        {"stays": stays, "moves": moves},
    )
    name_plant(connection, (stays, moves))


def _new_stays(known: sqlite3.Row, new: sqlite3.Row, refile: bool) -> bool:
    """Whether two photos of one picture are filed where the new one is."""
    if known["visit_id"] is None or new["visit_id"] is None:
        return known["visit_id"] is None
    if refile and not known["has_file"]:
        return True  # the new one is what became of it
    if known["field_id"] == new["field_id"]:
        if known["date"] is None or new["date"] is None:
            return new["date"] is not None or (refile and known["date"] is None)
        # A photo from the page that tells no day was taken to be of the day it was sent.
        if (known["filed_by"], known["taken_at"], known["plant"]) == ("page", None, None):
            return refile or (new["filed_by"] == "folder" and new["date"] != known["date"])
    return refile


def _joins_folder(connection: sqlite3.Connection, page: sqlite3.Row, folder: sqlite3.Row) -> bool:
    """File a photo from the page, with its plant's others, as the plant of a folder's photo.

    False, and nothing is done, where they are no such photos, or of several visits or stops. A
    plant that has photos of a folder already stays apart.
    """
    if (
        page["filed_by"] != "page"
        or folder["filed_by"] == "page"
        or folder["plant"] is None
        or page["visit_id"] != folder["visit_id"]
        or page["stop_id"] not in (None, folder["stop_id"])
    ):
        return False
    those = connection.execute(
        "SELECT id, filed_by FROM photos WHERE id = :id OR "
        "(visit_id = :visit_id AND stop_id IS :stop_id AND plant = :plant)",
        dict(page),
    ).fetchall()
    if any(one["filed_by"] != "page" for one in those):
        return False
    connection.executemany(
        "UPDATE photos SET (stop_id, plant, filed_by) = "
        "(SELECT stop_id, plant, filed_by FROM photos WHERE id = ?) WHERE id = ?",
        [(folder["id"], one["id"]) for one in those],
    )
    return True
