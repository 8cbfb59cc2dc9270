"""Model rows: the networks that read photos, inside the writer's transaction."""

from __future__ import annotations

import sqlite3

from collarvision.survey.values import ModelFacts


def model_id(connection: sqlite3.Connection, model: ModelFacts) -> int:
    """Id of a network, by its file's SHA-256; it is added, or given its name, where that lacks."""
    connection.execute(
        "INSERT INTO models (sha256, name) VALUES (:sha256, :name) ON CONFLICT (sha256) "
        "DO UPDATE SET name = excluded.name WHERE name IS NULL AND excluded.name IS NOT NULL",
        {"sha256": model.sha256, "name": model.name},
    )
    row = connection.execute("SELECT id FROM models WHERE sha256 = ?", (model.sha256,)).fetchone()
    return int(row[0])


def has_read(
    connection: sqlite3.Connection, photo_id: int, model_id: int, calibration: str
) -> bool:
    """Whether a network has read a photo by a calibration, all by their ids or versions."""
    found = connection.execute(
        "SELECT 1 FROM readings WHERE photo_id = ? AND model_id = ? AND calibration = ?",
        (photo_id, model_id, calibration),
    ).fetchone()
    return found is not None
