"""Flown: the demo's flight over one field, two days before the demo's day. No photo was taken.

Its plants are invented (`collarvision.demo.invented`), as `collarvision above` would have found
them on photos; the field's own photos from the ground are renders of plants at the stages that the
same invention has at its stops.
"""

from __future__ import annotations

import math
import tempfile
from datetime import date, timedelta
from functools import cache
from pathlib import Path
from typing import Final

from collarvision.above.values import FieldAbove
from collarvision.demo import farm
from collarvision.demo.invented import InventedField, Patch

KEY: Final = "heron"
FOLDER: Final = "flight"
DAYS_AGO: Final = 2
PHOTOS: Final = 48
_FRAME_M: Final = (5.5, 3.7)  # twenty megapixels at 1 mm a pixel


def heron() -> InventedField:
    """Give the flown field: a warm slope in the north-west, a cold wet corner in the south-east."""
    return InventedField(
        size_m=(300.0, 400.0),
        leaves=5.5,
        patches=(
            Patch(60, 330, (150, 120), 0.4, 1.35),
            Patch(245, 70, (110, 85), -0.5, -1.7, late=0.12, missing=0.14),
        ),
        drift=0.12,
        drift_m=60.0,
        rows=0.1,
        plants=0.45,
        late=0.06,
        more_tips=2.7,
        seen_drift=0.12,
        seed=11,
    )


def flight(today: date) -> FieldAbove:
    """Fly over it."""
    field = farm.field_of(KEY)
    corner = min(field.outline_m)
    metres = (
        farm.METRES_A_DEGREE,
        farm.METRES_A_DEGREE * math.cos(math.radians(farm.ORIGIN[0])),
    )
    return heron().fly(
        farm.degrees(*corner),
        metres,
        today - timedelta(days=DAYS_AGO),
        photos=PHOTOS,
        frame_m=_FRAME_M,
        name=field.name,
    )


@cache
def flight_files(today: date) -> dict[str, bytes]:
    """Give the flight's files as `collarvision above --out` writes them, by name in the demo."""
    from collarvision.abovereport.files import save_field

    with tempfile.TemporaryDirectory() as spare:
        folder = Path(spare) / FOLDER
        save_field(flight(today), folder)
        return {
            str(Path(FOLDER, path.relative_to(folder))): path.read_bytes()
            for path in sorted(folder.rglob("*"))
            if path.is_file()
        }
