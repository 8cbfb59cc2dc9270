"""Fields with known plants, stored in a survey as a batch would store them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from hashlib import sha256
from pathlib import Path

import numpy as np
from surveys import MODEL, reading

from collarvision.answer import Reading
from collarvision.survey import FileFacts, Place, SurveyWriter

VISIT = date(2027, 6, 4)
INCH = 25.4
BOUNDARY = {
    "type": "Polygon",
    "coordinates": [
        [[-93.61, 41.52], [-93.602, 41.52], [-93.602, 41.525], [-93.61, 41.5255], [-93.61, 41.52]]
    ],
}

LIMITS = """\
planned_harvest = 2027-10-10

[[limit]]
name = "Product A, over the top"
method = "broadcast"
leaf = "collars"
min_leaves = 2
min_height = "4 in"
min_when = "either"
max_leaves = 6
max_height = "20 in"

[[limit]]
name = "Product B"
method = "directed with drop nozzles"
leaf = "collars"
max_leaves = 8
max_height = "36 in"
days_before_harvest = 45

[[tank_mix]]
name = "A with B"
limits = ["Product A, over the top", "Product B"]
"""


def plant(
    number: int,
    stage: int,
    *,
    height_in: float | None = None,
    sure: float = 0.97,
    outcome: str = "staged",
    at: tuple[float, float] | None = (41.522, -93.606),
    **more: object,
) -> Reading:
    """A reading whose doubt lies on the stages beside its own."""
    stage = int(stage)
    near = [k for k in (stage - 1, stage + 1) if 0 <= k < 13]
    probabilities = [0.0] * 13
    probabilities[stage] = sure
    for k in near:
        probabilities[k] = (1 - sure) / len(near)
    found = reading(
        f"IMG_{number:04}.jpg",
        stage,
        confidence=sure,
        stage_probabilities=tuple(probabilities),
        gps=at,
        **more,
    )
    if outcome == "hand-count":
        found = replace(found, outcome="hand-count", reasons=("Leaf 1 is probably lost.",))
    if height_in is not None:
        mm = height_in * INCH
        found = replace(found, height_mm=mm, height_interval_mm=(mm * 0.96, mm * 1.04))
    return found


def walk(
    stages: Sequence[int],
    *,
    stops: int = 5,
    height_in: float | None = None,
    first: int = 1,
    seed: int = 0,
    sure: float = 0.97,
) -> list[tuple[Reading, str]]:
    """Readings with their stops: as many plants a stop as fit, heights spread a little."""
    random = np.random.default_rng(seed)
    found = []
    for k, stage in enumerate(stages):
        stop = k * stops // len(stages) + 1
        tall = None if height_in is None else height_in * float(random.normal(1, 0.05))
        at = (41.521 + 0.0007 * stop, -93.6085 + 0.001 * stop)
        found.append((plant(first + k, stage, height_in=tall, sure=sure, at=at), str(stop)))
    return found


def fill(
    path: Path,
    field: str,
    plants: Sequence[tuple[Reading, str]],
    day: date | None = VISIT,
    *,
    boundary: dict[str, object] | None = None,
    photo: Path | None = None,
) -> None:
    """Put a visit into a survey; `photo` is where the first plant's picture lies."""
    with SurveyWriter(path, create=True) as store:
        store.add_field(field, boundary)
        for number, (found, stop) in enumerate(plants):
            key = sha256(f"{field} {day} {found.photo}".encode()).hexdigest()
            file = None
            if photo is not None and number == 0:
                file = FileFacts(str(photo), photo.stat().st_size, 0, 0)
            store.add_reading(
                found,
                sha256=key,
                model=MODEL,
                place=Place(field, day.isoformat() if day else None, stop, "folder"),
                file=file,
            )


def weather_csv(
    path: Path, first: date = date(2027, 5, 1), days: int = 90, unit: str = "F"
) -> Path:
    """Steady weather of 17.5 °F-days a day: 80/55 °F (Purdue Univ.'s worked example)."""
    low, high = (55, 80) if unit == "F" else (12.8, 26.7)
    rows = [f"{first + timedelta(days=k)},{low},{high}" for k in range(days)]
    path.write_text(f"date,tmin_{unit},tmax_{unit}\n" + "\n".join(rows) + "\n", encoding="utf-8")
    return path
