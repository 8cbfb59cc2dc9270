"""The room that says where a plant leaves the photo. Cells and photo px here are drawn by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from drawn_plants import draw

from collarvision.cutoff import cut_off

SIZE = (3000, 4000)
PX_PER_CELL = 4.0


def cut(*spans: tuple[int, int, int]):
    """What is said of rows of cells from one column to another: (row, first, last)."""
    cells = np.zeros((SIZE[1] // 4, SIZE[0] // 4), bool)
    for row, first, last in spans:
        cells[row, first : last + 1] = True
    affine = np.array([[PX_PER_CELL, 0, 2.0], [0, PX_PER_CELL, 2.0]])
    parts = replace(draw(2).parts, photo_from_map=affine, px_per_map_px=PX_PER_CELL)
    return cut_off(SimpleNamespace(size=SIZE), parts, cells)  # type: ignore[arg-type]


def test_nothing_near_a_side_is_whole() -> None:
    assert cut((500, 300, 400)) is None
    assert cut() is None


@pytest.mark.parametrize(("first", "last"), [(0, 200), (550, 749)])
def test_the_highest_leaf_that_leaves_counts_though_a_lower_one_reaches_further(
    first: int, last: int
) -> None:
    """Two leaves pass within a hair of the side: both may go on outside."""
    short = 2 if first == 0 else -2
    lower, higher = (350, first, last), (270, first + max(short, 0), last + min(short, 0))
    found = cut(lower, higher)
    assert found is not None
    assert found.sides == ("left" if first == 0 else "right",)
    assert found.highest_px == pytest.approx(270 * PX_PER_CELL + 2.0)
    assert cut(lower).highest_px == pytest.approx(350 * PX_PER_CELL + 2.0)


def test_what_ends_inside_is_not_asked() -> None:
    found = cut((350, 0, 200), (100, 40, 200))
    assert found is not None
    assert found.highest_px == pytest.approx(350 * PX_PER_CELL + 2.0)
