"""Skips: the plants missing from one row of a perfect field, wherever its patches' borders lie."""

from __future__ import annotations

import time

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from collarvision.above.coverage import Coverage
from collarvision.above.rows import find_rows
from collarvision.above.stand import Stood, count_stand

SPACING_M, ROWS_M = 0.17, 0.76


def perfect(long_m: float, rows: int) -> tuple[np.ndarray, np.ndarray]:
    """Plants (n, 2) m and each one's row; rows run along x from 0."""
    x = (np.arange(round(long_m / SPACING_M)) + 0.5) * SPACING_M
    along, row = (one.ravel() for one in np.meshgrid(x, np.arange(rows)))
    return np.column_stack([along, (row + 0.5) * ROWS_M]), row


def stood_of(points: np.ndarray, long_m: float, rows: int, angle_deg: float = 0.0) -> Stood:
    a = np.radians(angle_deg)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    cell = 0.1
    side = np.hypot(long_m, rows * ROWS_M) + 1.0
    count = int(2 * side / cell)
    x = (np.arange(count) + 0.5) * cell - side
    at = np.stack(np.meshgrid(x, -x), -1) @ turn  # back into the field's own axes
    mask = (at >= 0).all(-1) & (at[..., 0] < long_m) & (at[..., 1] < rows * ROWS_M)
    points = points @ turn.T
    return count_stand(
        find_rows(points),
        np.zeros(len(points)),
        Coverage(mask, -side, side, cell),
        scale_error=0.03,
        count_error=0.02,
    )


def told(
    long_m: float, rows: int, skips: list[tuple[int, float, float]], angle_deg: float = 0.0
) -> tuple[int, int, Stood]:
    """Plants missing in truth and as told; a skip is a row, from m and to m."""
    points, row = perfect(long_m, rows)
    gone = np.zeros(len(row), bool)
    for which, start, end in skips:
        gone |= (row == which) & (points[:, 0] >= start) & (points[:, 0] < end)
    stood = stood_of(points[~gone], long_m, rows, angle_deg)
    assert stood.stand is not None
    return int(gone.sum()), sum(gap.missing for gap in stood.gaps), stood


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from([18.0, 30.0, 42.0, 60.0]),
    st.floats(0.0, 1.0),
    st.floats(0.5, 30.0),
    st.integers(1, 10),
    st.sampled_from([0.0, 33.0, 90.0, 151.0]),
)
@example(30.0, 10 / 30, 3.0, 5, 0.0)
@example(30.0, 8 / 30, 6.0, 5, 0.0)
@example(30.0, 5 / 30, 6.0, 5, 0.0)
@example(30.0, 4 / 30, 8.0, 5, 0.0)
@example(60.0, 12 / 60, 24.0, 5, 0.0)
@example(60.0, 0.0, 24.0, 5, 0.0)
@example(60.0, 36 / 60, 24.0, 5, 0.0)
def test_one_skip_is_told_whole(
    long_m: float, where: float, skip_m: float, row: int, angle_deg: float
) -> None:
    """Once, whole, and with the length of row that it has taken from nothing."""
    start = where * long_m
    # A row of few plants is none: at least 3 m of it stand.
    end = min(start + skip_m, long_m if start >= 3.0 else long_m - 3.0)
    missing, found, stood = told(long_m, 12, [(row, start, end)], angle_deg)
    assert found == pytest.approx(missing, abs=2)
    assert len([gap for gap in stood.gaps if gap.missing > 1]) <= 1
    assert stood.stand is not None
    assert stood.stand.row_length_m == pytest.approx(12 * long_m, abs=0.01 * 12 * long_m)
    assert stood.stand.plants == pytest.approx(12 * round(long_m / SPACING_M) - missing, rel=0.003)


def test_rows_skipped_side_by_side() -> None:
    """Two units of a planter ran empty for 22 m: a row stands on one side of each."""
    missing, found, _ = told(60.0, 12, [(5, 12.0, 34.0), (6, 12.0, 34.0)])
    assert found == pytest.approx(missing, abs=3)


def test_a_skip_in_a_fields_first_row() -> None:
    missing, found, _ = told(60.0, 12, [(0, 12.0, 36.0)])
    assert found == pytest.approx(missing, abs=2)


def test_a_row_that_may_end_is_not_drawn_on() -> None:
    """Nothing stands beyond a field's first row: what it lacks at its end may be the headland."""
    missing, found, _ = told(60.0, 12, [(0, 20.0, 60.0)])
    assert 0 <= found <= missing


def test_bent_rows_are_joined_too() -> None:
    points, row = perfect(60.0, 12)
    gone = (row == 5) & (points[:, 0] >= 15.0) & (points[:, 0] < 40.0)
    bent = np.column_stack([points[:, 0], points[:, 1] + 0.0006 * points[:, 0] ** 2])[~gone]
    coverage = Coverage(np.ones((200, 620), bool), -1.0, 15.0, 0.1)
    stood = count_stand(
        find_rows(bent), np.zeros(len(bent)), coverage, scale_error=0.03, count_error=0.02
    )
    big = [gap for gap in stood.gaps if gap.missing > 20]
    assert [gap.missing for gap in big] == [pytest.approx(gone.sum(), abs=3)]


def test_ground_without_rows_is_no_gap() -> None:
    """A drowned hollow of 30 m: its rows are not drawn on through it."""
    points, row = perfect(60.0, 48)
    drowned = (np.abs(points[:, 0] - 30.0) < 15.0) & (np.abs(row - 23.5) < 16)
    stand = stood_of(points[~drowned], 60.0, 48).stand
    assert stand is not None
    assert stand.rowless_share > 0.05
    per_ha = (~drowned).sum() / (60.0 * 48 * ROWS_M) * 10_000
    assert stand.per_ha == pytest.approx(per_ha, rel=0.05)


def test_a_large_mosaic_is_joined_in_a_moment() -> None:
    """Two hectares, 141,000 plants: joining takes less time than finding the lines."""
    points, _ = perfect(150.0, 160)
    points = points + np.random.default_rng(0).normal(0.0, 0.02, points.shape)
    started = time.process_time()
    found = find_rows(points)
    assert time.process_time() - started < 30.0
    assert found is not None
    on = np.concatenate([line.members for line in found.lines])
    assert len(np.unique(on)) == len(on) > 0.995 * len(points)
    goes_on = [line.goes_on for line in found.lines if line.goes_on >= 0]
    assert len(np.unique(goes_on)) == len(goes_on)
    assert len(found.lines) - len(goes_on) == 160
