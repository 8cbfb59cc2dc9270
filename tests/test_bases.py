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

from collarvision.bases import ABOVE_BASE, NEAR_SHARE, WORTH_A_LOOK, plant_near, square_near
from collarvision.looks import BASE, made_look
from collarvision.parts import gather, take_looks
from collarvision.photo import Photo


@pytest.fixture(scope="module")
def model(tmp_path_factory):
    return write_network(tmp_path_factory.mktemp("model") / "colours.onnx")


def seedling(tall: int = 160) -> np.ndarray:
    """A photo of 2400 x 3200 px with a plant at (600, 2500), whose leaves are a few px wide."""
    rgb = np.full((3200, 2400, 3), GREY, np.uint8)
    bar(rgb, 598, 2500 - tall, 602, 2500, BLUE)
    bar(rgb, 600, 2508 - tall, 650, 2512 - tall, GREEN)
    spot(rgb, 650, 2510 - tall, 6, YELLOW)
    spot(rgb, 600, 2500, 22, MAGENTA)
    return rgb


def test_a_seedling_thinner_than_the_looks_see_is_looked_for_at_its_base(model):
    looks = take_looks(Photo("drawn", seedling(), ""), model=model)
    assert looks.near is not None
    x0, y0, x1, y1 = looks.box
    assert (x0 < 595, y0 < 2340, x1 > 650, y1 > 2490) == (True,) * 4
    # As wide and high as a third of the square that it was found in, which is 800 px wide.
    assert (x1 - x0, y1 - y0) == pytest.approx((267, 267), abs=3)
    parts = gather(looks)
    assert np.hypot(parts.base.x - 600, parts.base.y - 2500) < 25
    assert np.hypot(parts.tips[0].x - 650, parts.tips[0].y - 2350) < 5


def test_where_a_plant_is_found_nothing_more_is_looked_for(model):
    rgb = seedling()
    bar(rgb, 560, 1500, 640, 2500, BLUE)
    assert take_looks(Photo("drawn", rgb, ""), model=model).near is None


def test_a_photo_of_nothing_stays_one(model):
    looks = take_looks(Photo("drawn", np.full((800, 600, 3), GREY, np.uint8), ""), model=model)
    assert looks.near is None
    assert looks.box is None


def test_blades_without_a_base_are_no_seedling(model):
    rgb = seedling()
    rgb[2440:] = GREY  # what stood there has neither foot nor soil
    spot(rgb, 600, 2500, 22, (210, 70, 200))
    looks = take_looks(Photo("drawn", rgb, ""), model=model)
    assert looks.near is None
    assert looks.box is None


def test_what_the_near_look_says_of_the_photo_takes_the_first_look_s_place(model):
    """The look that saw nothing would call a photo empty in which a plant was found."""
    looks = take_looks(Photo("drawn", seedling(), ""), model=model)
    looks.first.summary[13] = 9.0  # no plant
    assert gather(looks).usability["no_plant"] < 0.2


def test_whether_there_are_several_plants_stays_with_the_look_at_the_whole_photo(model):
    looks = take_looks(Photo("drawn", seedling(), ""), model=model)
    looks.first.summary[14] = 9.0
    assert gather(looks).usability["several"] > 0.5
    looks.first.summary[14] = 0.0
    looks.near.summary[14] = 9.0
    assert gather(looks).usability["several"] < 0.4


@pytest.mark.parametrize("tall", [520, 700, 900])
def test_a_thin_plant_that_reaches_out_of_the_square_is_read_whole(model, tall):
    looks = take_looks(Photo("drawn", seedling(tall), ""), model=model)
    assert looks.near is not None
    tip = gather(looks).tips[0]
    assert np.hypot(tip.x - 650, tip.y - (2510 - tall)) < 12


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 59), st.integers(0, 79), st.floats(-3.4, 5), st.booleans())
def test_the_square_holds_the_likeliest_base_and_mostly_what_is_above_it(column, row, heat, other):
    maps = [np.full((25, 80, 60), -9.0, np.float32) for _ in range(2)]
    maps[other][BASE, row, column] = heat
    places = [np.array([[c, 0.0, c / 2], [0.0, c, c / 2]]) for c in (40.0, 20.0)]
    looks = [made_look(one, np.zeros(31), place) for one, place in zip(maps, places, strict=True)]
    left, top, side = square_near(tuple(looks), (2400, 3200))
    assert side == NEAR_SHARE * 3200
    x, y = places[other] @ (column, row, 1.0)
    assert (x - left) / side == pytest.approx(0.5, abs=0.01)
    assert (y - top) / side == pytest.approx(ABOVE_BASE, abs=0.01)


def test_where_no_base_is_likely_nothing_is_looked_at():
    maps = np.zeros((25, 80, 60), np.float32)
    maps[BASE] = np.log(WORTH_A_LOOK / (1 - WORTH_A_LOOK)) - 0.01
    look = made_look(maps, np.zeros(31), np.array([[40.0, 0, 20], [0, 40.0, 20]]))
    assert square_near((look, look), (2400, 3200)) is None


def test_a_base_without_a_plant_is_no_plant():
    maps = np.zeros((25, 160, 160), np.float32)
    maps[0], maps[BASE, 80, 80] = 9.0, 5.0
    look = made_look(maps, np.zeros(31), np.array([[5.0, 0, 2], [0, 5.0, 2]]))
    assert plant_near(look, (2400, 3200)) is None
