"""The closer look: where it is taken, and how its collars join those of the second look.

The looks are made by hand: normal bells of heat (width as in training) at known photo px.
"""

from __future__ import annotations

import numpy as np
import pytest

from collarvision.closer import (
    CLOSE_SIDES,
    CLOSER,
    close_coarsest,
    close_px,
    close_square,
    join_collars,
    strip,
)
from collarvision.looks import READ_PX, Look, peaks, xy
from collarvision.network import GLOBAL_CHANNELS

CELLS = 160


def look(px_per_cell: float, left: float, top: float, collars, base=None) -> Look:
    """A look whose collar heat has bells at photo px (x, y) of the given scores."""
    maps = np.full((20, CELLS, CELLS), -7.0, np.float32)
    maps[10:20] = 0.0
    affine = np.array([[px_per_cell, 0, left], [0, px_per_cell, top]], dtype=float)
    rows, columns = np.mgrid[:CELLS, :CELLS]

    def bell(channel: int, x: float, y: float, score: float) -> None:
        c, r = (x - left) / px_per_cell, (y - top) / px_per_cell
        p = score * np.exp(-0.5 * ((columns - c) ** 2 + (rows - r) ** 2) / 1.2**2)
        maps[channel] = np.maximum(maps[channel], np.log(p + 1e-4) - np.log(1 - p + 1e-4))
        maps[18][np.hypot(columns - c, rows - r) < 2] = 0.75  # leaf number 3

    for x, y, score in collars:
        bell(5, x, y, score)
    if base is not None:
        bell(7, *base, 0.9)
    return Look(maps, np.zeros(GLOBAL_CHANNELS, np.float32), affine, np.zeros((CELLS, CELLS)))


def listed(one: Look) -> list[tuple[float, float, float, float]]:
    rows, columns, scores = peaks(one.maps[5], None, 0.15, 1.3)
    return [
        (*xy(one.photo_from_map, x, y), float(s), 3.0)
        for x, y, s in zip(columns, rows, scores, strict=True)
    ]


def test_no_suspected_collar_no_closer_look():
    assert close_square(look(10, 0, 0, [], base=(800, 1500))) is None


def test_the_square_holds_all_collars_of_a_short_stalk():
    collars = [(800, 1400 - 60 * k, 0.8) for k in range(4)]
    left, top, side = close_square(look(10, 0, 0, collars, base=(800, 1500)))
    assert CLOSE_SIDES[0] * 1600 - 1 <= side <= CLOSE_SIDES[1] * 1600 + 1
    for x, y, _ in collars:
        assert left + 0.1 * side < x < left + 0.9 * side
        assert top + 0.1 * side < y < top + 0.9 * side


@pytest.mark.parametrize(
    ("lean_deg", "part"),
    [(0, "upright"), (12, "upright"), (25, "whole"), (45, "whole"), (65, "whole")],
)
def test_half_of_the_square_is_left_out_where_the_stalk_keeps_to_the_rest(lean_deg, part):
    foot = np.array([500.0, 1400.0])
    for quarter in range(4):
        turn = np.radians(lean_deg + 90 * quarter)
        up = np.array([np.sin(turn), -np.cos(turn)])
        at = [foot + up * d for d in (60, 200, 300)]
        second = look(10, 0, 0, [(*p, 0.8) for p in at], base=tuple(foot))
        square = close_square(second)
        got = strip(square, second)
        assert got == (part if quarter % 2 == 0 or part == "whole" else "level")
        if got == "whole":
            continue
        across = 0 if got == "upright" else 1
        for p in at:
            from_middle = p[across] - square[across] - square[2] / 2
            # Whether it is in the square at all is another matter: a tall stalk's foot isn't.
            if 0 < p[1 - across] - square[1 - across] < square[2]:
                assert abs(from_middle) < 0.25 * square[2]


def test_no_suspected_collar_is_left_out_by_a_strip():
    """The stalk's foot was taken to be right under one collar; the others stand aside of that."""
    collars = [(800 + 50 * k, 1400 - 60 * k, 0.8) for k in range(4)]
    second = look(10, 0, 0, collars, base=(950, 1800))
    square = close_square(second)
    assert strip(square, second) == "whole"
    assert strip(square, look(10, 0, 0, [], base=(950, 1800))) == "whole"


@pytest.mark.parametrize("share", [0.36, 0.45, 0.7])
def test_the_closer_look_magnifies_as_far_as_the_network_s_largest_picture_lets_it(share):
    second = look(10, 0, 0, [])
    side = round(share * 10 * CELLS)
    wide = close_px((0, 0, side), second)
    assert wide % 32 == 0
    assert wide <= READ_PX
    magnified = (wide / side) / (READ_PX / (10 * CELLS))
    assert magnified == pytest.approx(min(CLOSER, 1 / share), rel=0.04)


@pytest.mark.parametrize("span", [20.0, 150.0, 400.0])
def test_what_a_closer_look_needs_is_known_before_its_square_is(span: float) -> None:
    second = look(5.0, 100, 50, [(500, 700, 0.9), (505, 700 - span, 0.9)], base=(500, 800))
    square = close_square(second)
    assert square is not None
    asked = square[2] / (0.5 * close_px(square, second))
    assert close_coarsest(round(5.0 * CELLS), 0.5) == pytest.approx(asked, rel=0.04)


@pytest.mark.parametrize("up", [(0.0, -1.0), (0.7, -0.7), (1.0, 0.0)])
def test_of_a_tall_stalk_the_upper_collars_are_in(up):
    foot = np.array([300.0, 1400.0])
    at = [foot + np.array(up) * d for d in (60, 200, 400, 700, 1000, 1100)]
    left, top, side = close_square(look(10, 0, 0, [(*p, 0.8) for p in at], base=tuple(foot)))
    assert side <= CLOSE_SIDES[1] * 1600 + 1
    for x, y in at[-2:]:
        assert left < x < left + side
        assert top < y < top + side


def test_two_collars_that_were_one_are_two_and_keep_the_plants_numbers():
    second = look(10, 0, 0, [(800, 800, 0.8), (800, 1200, 0.9)])
    close = look(3, 560, 560, [(800, 795, 0.9), (800, 812, 0.9)])
    joined = join_collars(listed(second), second, close, 0.15)
    near = sorted(y for _, y, _, _ in joined if y < 1000)
    assert near == pytest.approx([795, 812], abs=3)
    assert all(rank == pytest.approx(3.0, abs=0.05) for *_, rank in joined)
    # What lies outside the closer look is left alone.
    assert [one for one in joined if one[1] > 1000] == [
        one for one in listed(second) if one[1] > 1000
    ]


def test_beside_a_strip_collars_are_the_second_looks_alone():
    second = look(10, 0, 0, [(800, 800, 0.5), (640, 800, 0.5)])
    close = look(3, 560, 560, [(800, 800, 0.9)])
    slim = Look(
        close.maps[:, :, 40:120],
        close.summary,
        close.photo_from_map + np.array([[0, 0, 120.0], [0, 0, 0]]),
        close.plant[:, 40:120],
    )
    joined = {
        round(x, -1): score for x, _, score, _ in join_collars(listed(second), second, slim, 0.15)
    }
    assert joined[640] == pytest.approx(0.5, abs=0.02)
    assert 0.6 < joined[800] < 0.9


def test_a_speck_that_the_closer_look_does_not_see_loses_its_score():
    second = look(10, 0, 0, [(800, 800, 0.5)])
    close = look(3, 560, 560, [])
    assert join_collars(listed(second), second, close, 0.15) == []


def test_both_looks_have_a_say_on_a_collar():
    second = look(10, 0, 0, [(800, 800, 0.5)])
    close = look(3, 560, 560, [(803, 799, 0.9)])
    ((x, y, score, _),) = join_collars(listed(second), second, close, 0.15)
    assert (x, y) == pytest.approx((803, 799), abs=2)
    assert 0.5 < score < 0.9


@pytest.mark.parametrize("y", [1026, 1010, 580, 570])
def test_a_collar_at_the_closer_look_s_rim_is_one_collar(y):
    """The closer look shows photo px 560 to 1040; a collar near its edge is in both looks."""
    second = look(10, 0, 0, [(800, 800, 0.9), (800, y, 0.9)])
    close = look(3, 560, 560, [(800, 800, 0.9), (800, y, 0.9)])
    joined = join_collars(listed(second), second, close, 0.15)
    assert sorted(at for _, at, *_ in joined) == pytest.approx(sorted([800, y]), abs=6)
