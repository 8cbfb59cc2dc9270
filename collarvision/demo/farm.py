"""Farm: the demo's fields, stops and walks. All of it is invented, down to the weather.

The fields lie on plain farmland coordinates and belong to nobody. Days are counted back from the
day that the demo is laid out for, so that its windows lie ahead whenever somebody tries it.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta, timezone
from pathlib import Path
from typing import Any, Final

FARM: Final = "Quillfeather Farm"
ORIGIN: Final = (41.7000, -95.0000)
"""Latitude and longitude of the farm's south-western corner, degrees WGS 84."""

ZONE: Final = timezone(timedelta(hours=-5))
VISIT_DAYS_AGO: Final = {1: 8, 2: 1}
FORECAST_DAYS: Final = 10
SEASON_DAYS: Final = 45

# 1 degree of latitude; one of longitude is shorter by the cosine. Good to 1 % over one farm.
METRES_A_DEGREE: Final = 111_100.0


@dataclass(frozen=True)
class DemoField:
    """A field: its outline and its stops in metres east and north of `ORIGIN`."""

    key: str
    name: str
    outline_m: tuple[tuple[float, float], ...]
    stops_m: tuple[tuple[float, float], ...]
    first_hour: int


FIELDS: Final = (
    DemoField(
        "owl",
        "Owl Forty",
        ((0, 0), (400, 0), (400, 400), (0, 400)),
        ((70, 90), (310, 80), (330, 300), (110, 320)),
        8,
    ),
    DemoField(
        "acre",
        "Long Acre",
        ((430, 0), (1030, 0), (1030, 260), (430, 260)),
        ((500, 70), (690, 190), (850, 60), (970, 200)),
        10,
    ),
    DemoField(
        "mill",
        "Mill Corner",
        ((430, 290), (1030, 290), (1030, 400), (700, 640), (430, 640)),
        ((500, 350), (620, 520), (760, 400), (900, 350)),
        12,
    ),
    DemoField(
        "creek",
        "Creek Bottom",
        ((0, 430), (400, 430), (400, 560), (330, 600), (250, 700), (120, 690), (0, 610)),
        ((80, 490), (300, 500), (180, 620)),
        14,
    ),
    # Flown first: its stops are those that `collarvision walk` chooses (`collarvision.demo.flown`).
    DemoField(
        "heron",
        "Heron Slope",
        ((1060, 0), (1360, 0), (1360, 400), (1060, 400)),
        ((1283, 325), (1137, 382), (1091, 217), (1094, 31), (1283, 72)),
        15,
    ),
)


def field_of(key: str) -> DemoField:
    """Give a field by its key."""
    return next(field for field in FIELDS if field.key == key)


@dataclass(frozen=True)
class DemoPhoto:
    """One packaged photo and where and when it is said to have been taken."""

    file: str
    field: DemoField
    visit: int
    stop: int
    plant: int
    taken_at: datetime
    gps: tuple[float, float]

    @property
    def place(self) -> Path:
        """Where it goes, by the folder rule of `collarvision batch`."""
        day = self.taken_at.date().isoformat()
        number = 100 * (1 + [f.key for f in FIELDS].index(self.field.key)) + 5 * self.stop
        name = f"IMG_{self.visit}{number + self.plant:04d}.jpg"
        return Path("photos", self.field.name, day, f"stop {self.stop}", name)


def photos_of(files: Sequence[str], today: date) -> Iterator[DemoPhoto]:
    """Place packaged photos, named ``owl-2-s3-p1.jpg``: field, visit, stop, plant."""
    fields = {field.key: field for field in FIELDS}
    for file in files:
        key, visit, stop, plant = file.removesuffix(".jpg").split("-")[:4]
        field, day = fields[key], today - timedelta(days=VISIT_DAYS_AGO[int(visit)])
        number, within = int(stop[1:]), int(plant[1:])
        at = datetime(day.year, day.month, day.day, field.first_hour, 5, 20, tzinfo=ZONE)
        at += timedelta(minutes=14 * (number - 1) + 2 * within, seconds=17 * within)
        east, north = field.stops_m[number - 1]
        # A phone's own error: a few metres, another for each plant.
        turn = 2.4 * within + number + int(visit)
        gps = degrees(east + 3.5 * math.cos(turn), north + 3.5 * math.sin(turn))
        yield DemoPhoto(file, field, int(visit), number, within, at, gps)


def degrees(east_m: float, north_m: float) -> tuple[float, float]:
    """Latitude and longitude of a point of the farm."""
    across = METRES_A_DEGREE * math.cos(math.radians(ORIGIN[0]))
    return (
        round(ORIGIN[0] + north_m / METRES_A_DEGREE, 7),
        round(ORIGIN[1] + east_m / across, 7),
    )


def outlines() -> str:
    """Give the fields as GeoJSON (RFC 7946): longitude first, outer rings counterclockwise."""
    features: list[dict[str, Any]] = []
    for field in FIELDS:
        ring = [degrees(*corner) for corner in (*field.outline_m, field.outline_m[0])]
        features.append(
            {
                "type": "Feature",
                "properties": {"name": field.name},
                "geometry": {
                    "type": "Polygon",
                    "coordinates": [[[longitude, latitude] for latitude, longitude in ring]],
                },
            }
        )
    return json.dumps({"type": "FeatureCollection", "features": features}, indent=1) + "\n"


def weather(today: date) -> str:
    """Daily minimum and maximum in °F as CSV: the season so far, and a forecast from today on.

    An invented early summer, some 20 growing degree days (86/50 °F) a day.
    """
    lines = ["Date,Low (F),High (F)"]
    for ahead in range(-SEASON_DAYS, FORECAST_DAYS):
        warming = 0.12 * ahead
        wave = 5 * math.sin(ahead / 2.3) + 3 * math.sin(ahead / 5.1 + 1)
        high, low = 80 + warming + wave, 59 + warming + 0.7 * wave
        lines.append(f"{today + timedelta(days=ahead)},{low:.0f},{high:.0f}")
    return "\n".join(lines) + "\n"


def limits(today: date) -> str:
    """Limits of two invented products, in the form of `collarvision.limitsfile`."""
    harvest = today + timedelta(days=95)
    return f"""\
# Invented limits of two invented products, to try the commands with. For a real field type your
# limits from the label in your hand: the label is the law; local rules and licensed practice
# decide.

planned_harvest = {harvest}

[[limit]]
name = "Product A, over the top"
method = "broadcast"
leaf = "collars"
min_leaves = 2
min_height = "4 in"
min_when = "either"
max_leaves = 6
max_height = "20 in"
max_when = "whichever first"

[[limit]]
name = "Product B, between the rows"
method = "directed, with drop nozzles"
leaf = "collars"
max_leaves = 8
max_height = "36 in"
max_when = "whichever first"
days_before_harvest = 60

[[tank_mix]]
name = "A with B"
limits = ["Product A, over the top", "Product B, between the rows"]
"""
