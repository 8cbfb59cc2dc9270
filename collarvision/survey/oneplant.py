"""One plant: photos that show the same one get its name, inside the writer's transaction."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from collarvision.survey.faults import SurveyError
from collarvision.survey.values import PlantRow
from collarvision.together import pictures_of

SAME_PHOTO = "This is the same photo: go round the plant and take another."
FROM_ABOVE = "A photo from above shows no single plant"


class OnePictureError(SurveyError):
    """Photos that all hold one picture: it is one look at a plant, not several."""


def see_one_plant(rows: Sequence[PlantRow]) -> None:
    """See that photos may be several looks at one plant.

    Raises
    ------
    OnePictureError
        All of them hold one picture.
    """
    if len(rows) > 1 and len(pictures_of([row.record for row in rows])) == 1:
        raise OnePictureError(SAME_PHOTO)


def name_plant(connection: sqlite3.Connection, photo_ids: Sequence[int]) -> str:
    """Give photos, by their ids, the name that one of them has, or the next number there.

    Raises
    ------
    SurveyError
        They are in no field, or of several visits or stops.
    """
    marks = ", ".join("?" * len(photo_ids))
    those = f"FROM photos WHERE id IN ({marks})"
    at = connection.execute(f"SELECT DISTINCT visit_id, stop_id {those}", photo_ids).fetchall()
    if len(at) != 1 or at[0]["visit_id"] is None:
        raise SurveyError(
            "Photos of one plant must be of one field, one visit and one stop, and these aren't."
        )
    (name,) = connection.execute(f"SELECT min(plant) {those}", photo_ids).fetchone()
    if name is None:
        (highest,) = connection.execute(
            "SELECT max(CAST(plant AS INTEGER)) FROM photos WHERE visit_id = ? "
            "AND ifnull(stop_id, 0) = ifnull(?, 0)",
            tuple(at[0]),
        ).fetchone()
        name = str(1 + int(highest or 0))
    connection.execute(f"UPDATE photos SET plant = ? WHERE id IN ({marks})", (name, *photo_ids))
    return str(name)
