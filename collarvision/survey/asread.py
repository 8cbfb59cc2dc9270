"""As read: how a photo's content was read last by one network and calibration."""

from __future__ import annotations

import json
from dataclasses import dataclass

from collarvision.survey.reader import SurveyReader
from collarvision.survey.values import ModelFacts, PlantRow

PIXELS = "pixels_sha256"
"""Where a survey's record holds a hash of the decoded pixels. Notes written into a file change its
bytes, and leave the picture as it was."""

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


def same_pixels(store: SurveyReader, photo: PlantRow) -> str | None:
    """The hash of another photo of this name that holds the same pixels, if there is one.

    Where the folders of both name their plants, they are believed.
    """
    if photo.record.get(PIXELS) is None:
        return None
    row = store._one(
        f"""
        SELECT o.sha256 FROM photos AS p JOIN photos AS o ON o.name = p.name AND o.id <> p.id
        JOIN records AS c ON c.reading_id = o.latest_id
        WHERE p.sha256 = :sha256 AND o.width = p.width AND o.height = p.height
        AND (o.plant IS NULL OR ifnull(:plant, o.plant) = o.plant)
        AND json_extract(c.record, '$.{PIXELS}') = :pixels ORDER BY o.id LIMIT 1
        """,
        sha256=photo.sha256,
        pixels=photo.record[PIXELS],
        plant=photo.plant,
    )
    return None if row is None else str(row[0])
