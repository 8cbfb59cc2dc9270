"""Rows and paces in a photo without a place: rows of many lines, turned, bent, with a headland."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from flights import zoned

from collarvision.above.rows import find_rows
from collarvision.walk.flight import Flight
from collarvision.walk.rowplaces import RowPlace, row_places

ROWS, SPACING_M, LONG_M, PACE_M = 18, 0.76, 24.0, 0.75


def planted(length_m: float = LONG_M, rows: int = ROWS) -> tuple[np.ndarray, np.ndarray]:
    """Plants of straight rows up a photo of 14 m by 24 m, (n, 2), and the row of each, 1 first."""
    random = np.random.default_rng(4)
    along = np.arange(0.1, length_m, 0.17)
    row = np.repeat(np.arange(1, rows + 1), len(along))
    points = np.column_stack([row * SPACING_M, np.tile(along, rows)])
    return points + random.normal(0, 0.015, points.shape), row


def seen(points: np.ndarray, line: np.ndarray | None = None) -> Flight:
    """A photo's flight with these plants, on the lines that the program itself finds."""
    if line is None:
        found = find_rows(points)
        assert found is not None
        line = np.full(len(points), -1)
        for number, one in enumerate(found.lines):
            line[one.members] = number
    return replace(
        zoned()[0], located=False, x_m=points[:, 0], y_m=points[:, 1], row=line.astype(np.int32)
    )


def turned(points: np.ndarray, degrees: float) -> np.ndarray:
    a = np.radians(degrees)
    return np.asarray(points @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]]))


@pytest.mark.parametrize("degrees", [0.0, 2.0, 20.0, -35.0, -90.0, -70.0])
def test_a_row_of_several_lines_counts_once_and_is_paced_from_its_end(degrees: float) -> None:
    points, row = planted()
    flight = seen(turned(points, degrees))
    assert len(np.unique(flight.row[flight.row >= 0])) > 1.5 * ROWS  # else nothing is tried here
    tell = row_places(flight)
    for plant in range(0, len(points), 37):
        place = tell(flight.x_m[plant], flight.y_m[plant])
        assert place is not None
        assert place.row == row[plant]
        assert place.paces == pytest.approx(points[plant, 1] / PACE_M, abs=0.8)
        # A quarter turn to the right lays the left row on top and the lower end on the left.
        wide = degrees < -45
        assert (place.side, place.end) == (("top", "left") if wide else ("left", "bottom"))


def test_rows_that_bend_by_more_than_their_spacing_stay_apart() -> None:
    points, row = planted(60.0)
    bent = points + np.column_stack([1.2 * (points[:, 1] / 60.0) ** 2, np.zeros(len(points))])
    tell = row_places(seen(bent))
    for plant in range(0, len(points), 97):
        place = tell(*bent[plant])
        assert place is not None
        assert place.row == row[plant]
        assert place.paces == pytest.approx(points[plant, 1] / PACE_M, abs=0.8)


def test_rows_of_a_headland_arent_counted_among_the_others() -> None:
    points, row = planted(10.0)
    across = np.column_stack([np.arange(0.5, 14.0, 0.17), np.full(80, 11.0)])
    line = np.concatenate([row, np.full(len(across), 90), np.full(len(across), 91)])
    field = np.concatenate([points, across, across + [0.0, SPACING_M]])
    place = row_places(seen(field, line))(*points[row == 12][30])
    assert place == RowPlace(12, "left", round(30 * 0.17 / PACE_M), "bottom")


def test_one_row_alone_and_none() -> None:
    points, row = planted(15.0, rows=1)
    # In two pieces, as two patches have it.
    line = np.where(points[:, 1] < 7.0, 0, 1)
    place = row_places(seen(points, line))(*points[60])
    assert place == RowPlace(1, "left", round(60 * 0.17 / PACE_M), "bottom")
    assert row_places(seen(points, np.full(len(points), -1)))(1.0, 1.0) is None
    assert place.words == "row 1 from the left of the photo, 14 paces from its bottom end"
