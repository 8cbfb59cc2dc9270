"""Bases: a seedling that no look at the whole photo shows is found about the likeliest base.

The pictures' colours are read without error by a tiny network; where another plant's base is told
is checked in `test_parts.py`.
"""

from __future__ import annotations

import numpy as np
import pytest
from colour_network import BLUE, GREEN, GREY, MAGENTA, YELLOW, bar, spot, write_network
from hypothesis import given, settings
from hypothesis import strategies as st

from collarvision.bases import ABOVE_BASE, BASE, NEAR_SHARE, square_near
from collarvision.looks import made_look
from collarvision.parts import gather, take_looks
from collarvision.photo import Photo


@pytest.fixture(scope="module")
def model(tmp_path_factory):
    return write_network(tmp_path_factory.mktemp("model") / "colours.onnx")


def seedling(x: int, y: int, *, base_radius: float) -> np.ndarray:
    """A photo of 2400 x 3200 px with a plant of 100 px, whose leaves are a few px wide."""
    rgb = np.full((3200, 2400, 3), GREY, np.uint8)
    bar(rgb, x - 2, y - 100, x + 2, y, BLUE)
    bar(rgb, x, y - 92, x + 50, y - 88, GREEN)
    spot(rgb, x + 50, y - 90, 5, YELLOW)
    spot(rgb, x, y, base_radius, MAGENTA)
    return rgb


def test_a_seedling_thinner_than_the_looks_see_is_looked_for_at_its_base(model):
    looks = take_looks(Photo("drawn", seedling(600, 2500, base_radius=10), ""), model=model)
    assert looks.near is not None
    x0, y0, x1, y1 = looks.box
    assert (x0 < 590, y0 < 2400, x1 > 650, y1 > 2500) == (True,) * 4
    # As wide and high as a third of the square that it was found in, which is 800 px wide.
    assert (x1 - x0, y1 - y0) == pytest.approx((267, 267), abs=3)
    parts = gather(looks)
    # Blue above the base and grey under it make this spot's heat lopsided.
    assert np.hypot(parts.base.x - 600, parts.base.y - 2500) < 15
    assert np.hypot(parts.tips[0].x - 650, parts.tips[0].y - 2410) < 5


def test_where_a_plant_is_found_nothing_more_is_looked_for(model):
    rgb = seedling(600, 2500, base_radius=10)
    bar(rgb, 560, 1500, 640, 2500, BLUE)
    assert take_looks(Photo("drawn", rgb, ""), model=model).near is None


def test_a_photo_of_nothing_stays_one(model):
    looks = take_looks(Photo("drawn", np.full((800, 600, 3), GREY, np.uint8), ""), model=model)
    assert looks.near is None
    assert looks.box is None


def test_blades_without_a_base_are_no_seedling(model):
    rgb = seedling(600, 2500, base_radius=10)
    rgb[2440:] = GREY  # what stood there has neither foot nor soil
    spot(rgb, 600, 2500, 3, (200, 116, 160))
    looks = take_looks(Photo("drawn", rgb, ""), model=model)
    assert looks.near is None
    assert looks.box is None


def test_what_the_near_look_says_of_the_photo_takes_the_first_look_s_place(model):
    """The look that saw nothing would call a photo empty in which a plant was found."""
    looks = take_looks(Photo("drawn", seedling(600, 2500, base_radius=10), ""), model=model)
    looks.first.summary[13] = 9.0  # no plant
    assert gather(looks).usability["no_plant"] < 0.2


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 59), st.integers(0, 79), st.floats(-5, 5), st.booleans())
def test_the_square_holds_the_likeliest_base_and_mostly_what_is_above_it(column, row, heat, other):
    maps = [np.full((20, 80, 60), -9.0, np.float32) for _ in range(2)]
    maps[other][BASE, row, column] = heat
    affine = np.array([[40.0, 0.0, 20.0], [0.0, 40.0, 20.0]])
    first, second = (made_look(one, np.zeros(31), affine) for one in maps)
    left, top, side = square_near((first, second), (2400, 3200))
    assert side == NEAR_SHARE * 3200
    x, y = 40 * column + 20, 40 * row + 20
    assert (x - left) / side == pytest.approx(0.5, abs=0.01)
    assert (y - top) / side == pytest.approx(ABOVE_BASE, abs=0.01)
