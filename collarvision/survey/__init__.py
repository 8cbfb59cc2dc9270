"""Survey: one SQLite file that holds everything known of a farm's fields, and its only writer.

`SurveyWriter` files photos, readings and hand counts; `SurveyReader` asks. Both give and take the
frozen types of `collarvision.survey.values`, and fail with `SurveyError`, one sentence a person can
act on.
"""

from __future__ import annotations

from collarvision.survey.faults import SurveyError
from collarvision.survey.reader import SurveyReader
from collarvision.survey.values import (
    Decision,
    Field,
    FileFacts,
    HandCount,
    Limit,
    ModelFacts,
    PhotoFacts,
    Place,
    PlantRow,
    StageCount,
    Stop,
    StoredReading,
    Visit,
    Waiting,
)
from collarvision.survey.writer import SurveyWriter

__all__ = [
    "Decision",
    "Field",
    "FileFacts",
    "HandCount",
    "Limit",
    "ModelFacts",
    "PhotoFacts",
    "Place",
    "PlantRow",
    "StageCount",
    "Stop",
    "StoredReading",
    "SurveyError",
    "SurveyReader",
    "SurveyWriter",
    "Visit",
    "Waiting",
]
