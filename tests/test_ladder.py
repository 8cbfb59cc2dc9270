"""Ladder: leaves on the rungs of the leaf numbers, against every way written out one by one.

Source of the rules: R.L. Nielsen, Purdue University, May 2019 (the stage is the number of the
highest leaf whose collar is visible, lost leaves counted; leaves above it are in the whorl).
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collarvision.ladder import (
    MISSED,
    MOST_MISSED,
    SHIFTS,
    SPURIOUS_FIT,
    Rung,
    number_leaves,
    stage_on_ladder,
)

NONE_LOST = np.array([1.0, 0.0, 0.0, 0.0])


def leaves(numbers, out_up_to, real=0.98, sure=0.97):
    return [Rung(real, sure if n <= out_up_to + 0.5 else 1 - sure, n) for n in numbers]


@pytest.mark.parametrize("stage", range(10))
def test_a_plain_plant_is_at_its_highest_collar(stage):
    p = stage_on_ladder(leaves(range(1, stage + 3), stage), NONE_LOST, 0.4)
    assert p.sum() == pytest.approx(1.0)
    assert p.argmax() == stage
    assert p[stage] > 0.85


def test_a_leaf_found_twice_counts_once():
    p = stage_on_ladder(leaves([1.0, 2.1, 2.0, 3.0, 4.0, 5.0], 4), NONE_LOST, 0.4)
    assert p.argmax() == 4


def test_a_leaf_not_found_is_counted_where_its_number_is_left_out():
    p = stage_on_ladder(leaves([1.0, 2.0, 4.1, 5.0, 6.0], 5), NONE_LOST, 0.4)
    assert p.argmax() == 5


def test_lost_leaves_start_the_ladder_higher():
    lost = np.array([0.02, 0.08, 0.88, 0.02])
    p = stage_on_ladder(leaves([3.0, 4.0, 5.0, 6.0], 5), lost, 0.4)
    assert p.argmax() == 5


def test_all_numbers_off_by_one_do_not_outvote_a_sure_first_leaf():
    p = stage_on_ladder(leaves([2.0, 3.0, 4.0, 5.0], 4.0), NONE_LOST, 0.4)
    assert p.argmax() == 3


def test_no_leaves_is_as_many_as_are_lost():
    np.testing.assert_allclose(stage_on_ladder([], NONE_LOST, 0.4)[:2], [1.0, 0.0])


@pytest.mark.parametrize(
    ("numbers", "lost_most", "expected"),
    [
        ([1.1, 1.9, 3.2, 4.0], 0, [1, 2, 3, 4]),
        ([1.0, 2.0, 2.1, 3.0], 0, [1, 2, 2, 3]),  # found twice
        ([1.0, 2.0, 4.0, 5.0], 0, [1, 2, 4, 5]),  # one not found
        ([3.1, 3.9, 5.0], 2, [3, 4, 5]),
        ([], 0, []),
    ],
)
def test_leaves_are_numbered_in_order(numbers, lost_most, expected):
    lost = np.full(4, 0.03)
    lost[lost_most] = 0.91
    assert number_leaves(numbers, lost) == expected


@given(st.lists(st.floats(-1, 14), max_size=12))
def test_numbers_never_fall(numbers):
    ranks = number_leaves(numbers, np.full(4, 0.25))
    assert len(ranks) == len(numbers)
    assert all(a <= b for a, b in itertools.pairwise(ranks))
    assert all(rank >= 1 for rank in ranks)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0.05, 0.95), st.floats(0.05, 0.95), st.floats(0.5, 5.5)), max_size=3
    ),
    st.floats(0.3, 1.0),
)
def test_the_chain_sums_over_every_way(cues, sigma):
    lost = np.array([0.6, 0.3, 0.1, 0.0])
    rungs = [Rung(*cue) for cue in cues]
    every_way = np.zeros(13)
    for shift, chance in SHIFTS:
        weights = np.zeros(13)
        # Each leaf: none at all, or placed after 0 .. MOST_MISSED missed ones, out or in the whorl
        # with so many of the missed ones out.
        options = [None] + [
            (missed, out, below)
            for missed in range(MOST_MISSED + 1)
            for out in (True, False)
            for below in ((missed,) if out else range(missed + 1))
        ]
        for first, way in itertools.product(
            range(4), itertools.product(options, repeat=len(rungs))
        ):
            weight, stage, rung = lost[first], first, first
            for leaf, choice in zip(rungs, way, strict=True):
                if choice is None:
                    weight *= (1 - leaf.real) * SPURIOUS_FIT
                    continue
                missed, out, below = choice
                in_order = stage == rung
                rung += missed + 1
                fit = np.exp(-0.5 * ((rung - leaf.number + shift) / sigma) ** 2) + 1e-3
                weight *= leaf.real * MISSED**missed * (1 - MISSED) * fit
                if out:
                    weight *= leaf.out * in_order
                    stage = rung
                elif in_order:
                    weight *= (1 - leaf.out) / (missed + 1)
                    stage += below
                else:
                    weight *= (1 - leaf.out) * (below == 0)
            weights[min(stage, 12)] += weight
        every_way += chance * weights
    expected = every_way / every_way.sum()
    np.testing.assert_allclose(stage_on_ladder(rungs, lost, sigma), expected, atol=1e-9)
