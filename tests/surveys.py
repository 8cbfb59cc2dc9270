"""Readings to put into surveys, and a look at whether a survey is sound."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from collarvision.answer import Reading
from collarvision.survey import ModelFacts, Place, SurveyWriter, schema

MODEL = ModelFacts("a" * 64, "first", "guesses")
NEWER = ModelFacts("b" * 64, "second", "guesses")
NORTH = Place("North", "2027-05-20", "3", "folder")


def reading(name: str = "IMG_1.jpg", stage: int | None = 3, **more: object) -> Reading:
    if stage is None:
        return Reading(photo=name, outcome="rejected", reasons=("No plant.",), **more)  # type: ignore[arg-type]
    probabilities = tuple(float(k == stage) for k in range(13))
    return Reading(  # type: ignore[arg-type]
        **{
            "photo": name,
            "outcome": "staged",
            "stage": stage,
            "confidence": 0.95,
            "stage_probabilities": probabilities,
            **more,
        }
    )


def sha(number: int) -> str:
    return f"{number:064x}"


def check_sound(path: Path) -> None:
    """SQLite's own opinion of the file."""
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    connection.close()


def of_version(version: int, path: Path, script: str) -> Path:
    """A survey as a program of an earlier version made it, with what a script puts into it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(schema, "MIGRATIONS", schema.MIGRATIONS[:version])
        SurveyWriter(path, create=True).close()
    connection = sqlite3.connect(path)
    connection.executescript(script)
    connection.close()
    return path
