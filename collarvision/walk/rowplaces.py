"""Row places: rows and paces of a photo that has no place on the earth.

`collarvision above` fits a line to each row in each patch of some metres, so a row of a long photo
has several lines. Who walks counts rows, so the lines that go on in each other are joined first.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from collarvision.above.rows import LEAST_SPACING_M
from collarvision.answer import count_of
from collarvision.walk.flight import Flight

PACE_M: Final = 0.75
"""A grown person's pace, about 2.5 ft: common practice, count your own."""

_NEAR: Final = 5  # plants that tell where a line is at the end of the next
_PARALLEL: Final = 0.9  # cosine; lines of a headland run across the others and aren't counted


@dataclass(frozen=True)
class RowPlace:
    """A place told without coordinates, for a photo that has none.

    Attributes
    ----------
    row : int
        Counted from `side`, 1 first.
    side : str
        Of the photo: ``left`` or ``top``.
    paces : int
        Along the row from its end at the photo's `end`.
    end : str
        ``bottom`` or ``left``.
    """

    row: int
    side: str
    paces: int
    end: str

    @property
    def words(self) -> str:
        """In a sentence's part."""
        paces = count_of(self.paces, "pace")
        return f"row {self.row} from the {self.side} of the photo, {paces} from its {self.end} end"


@dataclass(frozen=True, eq=False)
class _Line:
    """Plants of one line, in order along it."""

    plants: np.ndarray
    along: np.ndarray
    across: np.ndarray

    def across_near(self, along: float) -> float:
        """Where the line is at a place along it, by its plants nearest to that place."""
        near = np.argsort(np.abs(self.along - along), kind="stable")[:_NEAR]
        return float(self.across[near].mean())

    def joined(self, other: _Line) -> _Line:
        along = np.concatenate([self.along, other.along])
        order = np.argsort(along, kind="stable")
        return _Line(
            np.concatenate([self.plants, other.plants])[order],
            along[order],
            np.concatenate([self.across, other.across])[order],
        )


def row_places(flight: Flight) -> Callable[[float, float], RowPlace | None]:
    """Count a photo's rows once, and give what tells row and paces of the plant nearest to a point.

    It gives None where no rows were found.
    """
    direction = _direction(flight)
    if direction is None:
        return lambda x, y: None
    upright = abs(direction[1]) >= abs(direction[0])
    # Along: up the photo, or to its right; across: from its left, or from its top.
    direction = direction * np.sign(direction[1] if upright else direction[0])
    aside = np.array([direction[1], -direction[0]])
    rows = _joined(_lines(flight, direction, aside))
    if not rows:
        return lambda x, y: None
    rows.sort(key=lambda row: float(row.across.mean()))
    plants = np.concatenate([row.plants for row in rows])
    number = np.repeat(np.arange(len(rows)), [len(row.plants) for row in rows])
    paces = np.concatenate([row.along - row.along[0] for row in rows]) / PACE_M

    def told(x: float, y: float) -> RowPlace:
        near = int(np.hypot(flight.x_m[plants] - x, flight.y_m[plants] - y).argmin())
        return RowPlace(
            row=int(number[near]) + 1,
            side="left" if upright else "top",
            paces=round(float(paces[near])),
            end="bottom" if upright else "left",
        )

    return told


def _direction(flight: Flight) -> np.ndarray | None:
    """Unit vector that most rows run along; None without rows."""
    points = np.column_stack([flight.x_m, flight.y_m])
    spread = np.zeros((2, 2))
    for line in np.unique(flight.row[flight.row >= 0]):
        off = points[flight.row == line]
        off = off - off.mean(axis=0)
        spread += off.T @ off
    if not spread.any():
        return None
    return np.asarray(np.linalg.eigh(spread)[1][:, -1])


def _lines(flight: Flight, direction: np.ndarray, aside: np.ndarray) -> list[_Line]:
    """Lines that run as most do, from the nearest end on."""
    points = np.column_stack([flight.x_m, flight.y_m])
    lines = []
    for number in np.unique(flight.row[flight.row >= 0]):
        own = np.flatnonzero(flight.row == number)
        along, across = points[own] @ direction, points[own] @ aside
        if along.std() < _PARALLEL * np.hypot(along.std(), across.std()):
            continue
        order = np.argsort(along, kind="stable")
        lines.append(_Line(own[order], along[order], across[order]))
    return sorted(lines, key=lambda line: float(line.along[0]))


def _joined(lines: list[_Line]) -> list[_Line]:
    """Rows: each line goes on in the row that lies nearest where it begins, if one is near."""
    near = _spacing(lines) / 2
    rows: list[_Line] = []
    for line in lines:
        begins = float(line.along[0])
        away = [abs(row.across_near(begins) - line.across_near(begins)) for row in rows]
        nearest = int(np.argmin(away)) if away else -1
        if nearest >= 0 and away[nearest] < near:
            rows[nearest] = rows[nearest].joined(line)
        else:
            rows.append(line)
    return rows


def _spacing(lines: list[_Line]) -> float:
    """Distance from row to row: the middle of those between lines that lie side by side."""
    steps = []
    for line in lines:
        middle = float(np.median(line.along))
        own = line.across_near(middle)
        beside = [
            off
            for other in lines
            if other.along[0] <= middle <= other.along[-1]
            and (off := abs(other.across_near(middle) - own)) >= LEAST_SPACING_M
        ]
        if beside:
            steps.append(min(beside))
    return float(np.median(steps)) if steps else LEAST_SPACING_M
