"""As read: how a photo's content was read last, and which picture the survey knows already."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass

from collarvision.survey.reader import SurveyReader
from collarvision.survey.values import ModelFacts, PlantRow

PIXELS = "pixels_sha256"
"""Where a survey's record holds a hash of the decoded pixels. Notes written into a file change its
bytes, and leave the picture as it was."""

SENT_PIXELS = "sent_pixels_sha256"
"""Where it holds that hash of the picture as a phone sent it, of which the survey has a copy that
was encoded anew. The copy's pixels are others."""

READ_WITH = "read_with"
"""Where a survey's record holds what the reading was asked for."""


@dataclass(frozen=True)
class AsRead:
    """A reading, and how it was made.

    Attributes
    ----------
    read_at : str
        UTC, ISO 8601.
    fault : bool
        The program failed on it.
    has_card, has_height : bool
    height_rule : str or None
        None where nobody noted it, as in records of earlier versions without a height.
    check_bar_mm : float or None
        None where nobody noted it.
    read_codes : bool
        The card's code was looked for.
    """

    read_at: str
    fault: bool
    has_card: bool
    has_height: bool
    height_rule: str | None
    check_bar_mm: float | None
    read_codes: bool


def as_read(store: SurveyReader, sha256: str, model: ModelFacts) -> AsRead | None:
    """Say how this model read this content last by its calibration; None if it hasn't yet."""
    row = store._one(
        f"""
        SELECT r.read_at, json_extract(c.record, '$.fault', '$.card.markers_found', '$.height_mm',
            '$.height_rule', '$.{READ_WITH}') AS said
        FROM photos AS p JOIN readings AS r ON r.photo_id = p.id
        JOIN models AS m ON m.id = r.model_id JOIN records AS c ON c.reading_id = r.id
        WHERE p.sha256 = :sha256 AND m.sha256 = :model AND r.calibration = :calibration
        ORDER BY r.attempt DESC LIMIT 1
        """,
        sha256=sha256,
        model=model.sha256,
        calibration=model.calibration,
    )
    if row is None:
        return None
    fault, markers, height, rule, asked = store._made(json.loads, row["said"])
    asked = asked or {}
    return AsRead(
        read_at=row["read_at"],
        fault=fault is not None,
        has_card=markers is not None,
        has_height=height is not None,
        height_rule=asked.get("height_rule", rule),
        check_bar_mm=asked.get("check_bar_mm"),
        read_codes=bool(asked.get("read_codes")),
    )


# As the indexes of `collarvision.survey.schema` have them.
_NOTED = "CASE WHEN json_valid(c.record) THEN json_extract(c.record, '$.{}') END"


def same_pixels(store: SurveyReader, photo: PlantRow) -> str | None:
    """The hash of another photo that holds or held the same pixels, whatever its name.

    Where the folders of both name their plants, they are believed.
    """
    if photo.record.get(PIXELS) is None:
        return None
    return _photo_of(
        store, photo.sha256, photo.record[PIXELS], photo.record.get(SENT_PIXELS), photo.plant
    )


def known_picture(store: SurveyReader, sha256: str, pixels_sha256: str) -> PlantRow | None:
    """The photo that the survey has of this content, or of these pixels; None if it has none."""
    known = store.plant(sha256)
    if known is not None:
        return known
    found = _photo_of(store, sha256, pixels_sha256)
    return None if found is None else store.plant(found)


def notes_that_stay(connection: sqlite3.Connection, photo_id: int) -> dict[str, str]:
    """What a photo's further readings note too: what was sent isn't seen in the copy of it."""
    row = connection.execute(
        f"SELECT {_NOTED.format(SENT_PIXELS)} FROM photos AS p "
        "JOIN records AS c ON c.reading_id = p.latest_id WHERE p.id = ?",
        (photo_id,),
    ).fetchone()
    return {} if row is None or row[0] is None else {SENT_PIXELS: row[0]}


def _photo_of(
    store: SurveyReader, sha256: str, pixels: str, sent: str | None = None, plant: str | None = None
) -> str | None:
    """The hash of the first other photo that was read, or sent, with the pixels `pixels` or `sent`.

    One of another plant, where both have a plant's name from a folder, is none.
    """
    # A plant's name on a photo from the page was given by a person, not by a folder.
    row = store._one(
        f"""
        SELECT o.sha256 FROM records AS c JOIN readings AS r ON r.id = c.reading_id
        JOIN photos AS o ON o.id = r.photo_id
        WHERE ({_NOTED.format(PIXELS)} IN (:pixels, :sent)
        OR {_NOTED.format(SENT_PIXELS)} IN (:pixels, :sent))
        AND o.sha256 <> :sha256 AND (o.plant IS NULL OR ifnull(:plant, o.plant) = o.plant
        OR o.filed_by = 'page') ORDER BY o.id LIMIT 1
        """,
        sha256=sha256,
        pixels=pixels,
        sent=sent,
        plant=plant,
    )
    return None if row is None else str(row[0])
