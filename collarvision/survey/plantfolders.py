"""Plant folders: where photos are filed, and names of a place's plants, also those of a folder."""

from __future__ import annotations

from collarvision.survey.reader import SurveyReader
from collarvision.survey.rows import as_known, stop_key, storable
from collarvision.survey.values import Place

_AT = """
    FROM photos AS p JOIN visits AS v ON v.id = p.visit_id JOIN fields AS f ON f.id = v.field_id
    LEFT JOIN stops AS s ON s.id = p.stop_id
"""
_THERE = """
    p.plant IS NOT NULL AND f.name = :field AND ifnull(v.date, '') = ifnull(:date, '')
    AND ifnull(s.name, '') = ifnull(:stop, '')
"""


def plant_names(store: SurveyReader, place: Place) -> set[str]:
    """Names of the plants at a place that photos were said to be of."""
    return {
        str(row[0])
        for row in store._rows(
            f"SELECT DISTINCT p.plant {_AT} WHERE {_THERE}", **_asked(store, place)
        )
    }


def plant_names_of_folder(store: SurveyReader, place: Place, folder: str) -> set[str]:
    """Those of the names that photos of one folder have; `folder` ends with its separator."""
    begin = storable(folder)
    return {
        str(row[0])
        for row in store._rows(
            f"SELECT DISTINCT p.plant {_AT} JOIN photo_files AS pf ON pf.photo_id = p.id "
            f"WHERE pf.path >= :begin AND pf.path < :end AND {_THERE}",
            begin=begin,
            end=begin[:-1] + chr(ord(begin[-1]) + 1),  # every path that begins so, by the index
            **_asked(store, place),
        )
    }


def place_of(store: SurveyReader, sha256: str) -> Place | None:
    """Where a photo is filed, with what told its field; None where it is in none."""
    row = store._one(
        f"SELECT f.name, v.date, s.name, p.filed_by, p.plant {_AT} WHERE p.sha256 = :sha256",
        sha256=sha256,
    )
    return None if row is None else Place(*row)


def known_stop(store: SurveyReader, place: Place) -> str | None:
    """A place's stop as its visit spells it: ``stop 07`` is ``stop 7``, by `rows.stop_key`.

    Surveys of earlier versions may have both: there each stays what it is called. A stop that
    holds nothing any more gives no spelling.
    """
    if place.stop is None or place.field is None:
        return place.stop
    name = storable(place.stop)
    spelt = [
        str(row[0])
        for row in store._rows(
            "SELECT s.name FROM fields AS f JOIN visits AS v ON v.field_id = f.id "
            "JOIN stops AS s ON s.visit_id = v.id "
            "WHERE f.name = :field AND ifnull(v.date, '') = ifnull(:date, '') "
            "AND (EXISTS (SELECT 1 FROM photos AS p WHERE p.stop_id = s.id) "
            "OR EXISTS (SELECT 1 FROM hand_counts AS h WHERE h.stop_id = s.id)) ORDER BY s.id",
            **_asked(store, place),
        )
    ]
    if name in spelt:
        return name
    key = stop_key(name)
    return next((one for one in spelt if stop_key(one) == key), name)


def was_named(store: SurveyReader, field: str) -> bool:
    """Whether photos were ever found for a field: filed there once, or lying in folders of it."""
    return (
        store._one(
            "SELECT v.id FROM visits AS v JOIN fields AS f ON f.id = v.field_id "
            "WHERE f.name = :field LIMIT 1",
            field=field,
        )
        is not None
    )


def _asked(store: SurveyReader, place: Place) -> dict[str, str | None]:
    return {
        "field": None if place.field is None else _as_known(store, storable(place.field)),
        "date": place.date,
        "stop": None if place.stop is None else storable(place.stop),
    }


def _as_known(store: SurveyReader, field: str) -> str:
    """A field's name as the survey spells it."""
    return as_known(field, [row[0] for row in store._rows("SELECT name FROM fields ORDER BY id")])
