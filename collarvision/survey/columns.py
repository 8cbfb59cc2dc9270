"""Columns: values as the survey's tables take them."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from collarvision.answer import Reading
from collarvision.survey.faults import SurveyError
from collarvision.survey.rows import storable
from collarvision.survey.values import HandCount


def record_text(reading: Reading, notes: Mapping[str, Any] | None = None) -> str:
    """One record, with the survey's own notes, as JSON text that SQLite and every reader takes."""
    text = json.dumps({**reading.record(), **(notes or {})}, ensure_ascii=False, allow_nan=False)
    # File names may hold bytes that are no text.
    return text.encode("utf-8", "replace").decode("utf-8")


def hand_values(count: HandCount) -> dict[str, Any]:
    """A hand count by the names of its columns."""
    return {
        "who": storable(count.who),
        "counted_at": count.counted_at,
        "stage": count.stage,
        "nodes": count.nodes,
        "height_mm": count.height_mm,
        "note": None if count.note is None else storable(count.note),
        "way": count.way,
    }


def impossible(count: HandCount) -> SurveyError:
    """What is said of numbers that the tables refuse."""
    return SurveyError(
        f"This hand count can't be stored ({count.stage} collars, {count.nodes} nodes, "
        f"{count.height_mm} mm): check the numbers, and that the stop is there."
    )


def json_text(value: dict[str, Any]) -> str:
    """A value as strict JSON."""
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def number(value: float | None) -> float | None:
    """A finite number as SQLite takes it; None for all else."""
    # NumPy's numbers would be stored as bytes.
    return None if value is None or not math.isfinite(value) else float(value)


def now() -> str:
    """This moment, UTC, ISO 8601."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")
