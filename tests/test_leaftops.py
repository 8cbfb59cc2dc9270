"""Leaf tops: what the maps tell is kept where the plant is, and found again by photo px."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collarvision.leaftops import LAPLACE_SD, REACH_CELLS, STEP, TOWARD_SCALE, leaf_tops
from collarvision.network import BLADE, MAP_CHANNELS

AFFINE = np.array([[3.0, 0.0, 100.0], [0.0, 3.0, 40.0]])


def maps_of(cells: list[tuple[int, int]], values: tuple[float, float, float, float]) -> np.ndarray:
    """Maps (25, 40, 50) whose plant is these (row, column) cells, all telling the same."""
    maps = np.zeros((MAP_CHANNELS, 40, 50), np.float32)
    maps[0] = 1.0
    maps[20:24] = 9.0  # what is told where there is no plant says nothing
    for row, column in cells:
        maps[BLADE, row, column] = 5.0
        maps[20:24, row, column] = values
    return maps


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 39),
    st.integers(0, 49),
    st.floats(-8, 8),
    st.floats(-4, 2),
    st.floats(-6, 6),
    st.floats(-6, 6),
)
def test_what_is_told_at_a_cell_is_read_at_its_place(row, column, toward, spread, arches, out):
    tops = leaf_tops(maps_of([(row, column)], (toward, spread, arches or 0.1, out)), AFFINE)
    x, y = 100.0 + 3.0 * column, 40.0 + 3.0 * row
    assert tops.values.shape == (4, 1, 1)
    got = tops.at(x, y)
    if not tops.values.any():
        return  # all four are told as nothing: no cell of the plant is known from that
    assert got is not None
    near = STEP * TOWARD_SCALE * 3.0
    assert got.toward_px == pytest.approx(toward * TOWARD_SCALE * 3.0, abs=near)
    # The sd of a Laplace distribution is its scale times the root of two.
    told = LAPLACE_SD * math.exp(spread) * TOWARD_SCALE * 3.0
    assert got.toward_sd_px == pytest.approx(told, rel=0.03)
    assert got.arches == pytest.approx(1 / (1 + math.exp(-(arches or 0.1))), abs=0.01)
    assert got.half_out == pytest.approx(1 / (1 + math.exp(-out)), abs=0.01)


def test_a_place_far_from_the_plant_tells_nothing():
    tops = leaf_tops(maps_of([(20, 20)], (1.0, 0.5, 2.0, -2.0)), AFFINE)
    for cells, found in ((REACH_CELLS, True), (REACH_CELLS + 1, False)):
        assert (tops.at(160.0 + 3.0 * cells, 100.0) is not None) is found
        assert (tops.at(160.0, 100.0 - 3.0 * cells) is not None) is found
    assert tops.at(-500.0, 4000.0) is None


def test_no_plant_tells_nothing():
    tops = leaf_tops(maps_of([], (0, 0, 0, 0)), AFFINE)
    assert tops.at(160.0, 100.0) is None


def test_between_two_cells_the_nearer_counts_more():
    maps = maps_of([(20, 20), (20, 22)], (1.0, 0.5, 2.0, 2.0))
    maps[23, 20, 22] = -2.0
    tops = leaf_tops(maps, AFFINE)
    chances = [tops.at(100.0 + 3.0 * column, 100.0).half_out for column in (20.0, 21.0, 22.0)]
    assert chances[0] > 0.7 > chances[1] > 0.3 > chances[2]
    assert chances[1] == pytest.approx(0.5, abs=0.01)
