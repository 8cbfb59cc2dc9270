"""Survey: one SQLite file that holds everything known of a farm's fields, and its only writer.

`SurveyWriter` files photos, readings and hand counts; `SurveyReader` asks. Both give and take the
frozen types of `collarvision.survey.values`, and fail with `SurveyError`, one sentence a person can
act on.
"""

from __future__ import annotations

from collarvision.survey.faults import SurveyError
from collarvision.survey.reader import SurveyReader
from collarvision.survey.values import (
    CountWay,
    Decision,
    Field,
    FileFacts,
    HandCount,
    Limit,
    ModelFacts,
    NotCounted,
    PhotoFacts,
    Place,
    PlantRow,
    SetAside,
    StageCount,
    Stop,
    StoredCount,
    StoredReading,
    Visit,
    Waiting,
    Withdrawn,
)
from collarvision.survey.writer import SurveyWriter

__all__ = [
    "CountWay",
    "Decision",
    "Field",
    "FileFacts",
    "HandCount",
    "Limit",
    "ModelFacts",
    "NotCounted",
    "PhotoFacts",
    "Place",
    "PlantRow",
    "SetAside",
    "StageCount",
    "Stop",
    "StoredCount",
    "StoredReading",
    "SurveyError",
    "SurveyReader",
    "SurveyWriter",
    "Visit",
    "Waiting",
    "Withdrawn",
]
