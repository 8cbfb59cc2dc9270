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
    LOWEST_SIGMA,
    MISSED,
    MOST_MISSED,
    SPURIOUS_FIT,
    STRAY,
    Numbers,
    Rung,
    alternation,
    number_leaves,
    stage_on_ladder,
)

NONE_LOST = np.array([1.0, 0.0, 0.0, 0.0])
SIGMA = 0.35


def leaves(numbers, out_up_to, real=0.98, sure=0.97):
    return [Rung(real, sure if n <= out_up_to + 0.5 else 1 - sure, n) for n in numbers]


@pytest.mark.parametrize("stage", range(10))
def test_a_plain_plant_is_at_its_highest_collar(stage):
    p = stage_on_ladder(leaves(range(1, stage + 3), stage), NONE_LOST, SIGMA)
    assert p.sum() == pytest.approx(1.0)
    assert p.argmax() == stage
    assert p[stage] > 0.8


def test_a_leaf_found_twice_counts_once():
    p = stage_on_ladder(leaves([1.0, 2.1, 2.0, 3.0, 4.0, 5.0], 4), NONE_LOST, SIGMA)
    assert p.argmax() == 4


def test_a_leaf_not_found_is_counted_where_its_number_is_left_out():
    p = stage_on_ladder(leaves([1.0, 2.0, 4.1, 5.0, 6.0], 5), NONE_LOST, SIGMA)
    assert p.argmax() == 5


def test_lost_leaves_start_the_ladder_higher():
    lost = np.array([0.02, 0.08, 0.88, 0.02])
    p = stage_on_ladder(leaves([3.0, 4.0, 5.0, 6.0], 5), lost, SIGMA)
    assert p.argmax() == 5


def test_all_numbers_off_by_one_do_not_outvote_a_sure_first_leaf():
    p = stage_on_ladder(leaves([2.0, 3.0, 4.0, 5.0], 4.0), NONE_LOST, SIGMA)
    assert p.argmax() == 3


def test_no_leaves_is_as_many_as_are_lost():
    np.testing.assert_allclose(stage_on_ladder([], NONE_LOST, SIGMA)[:2], [1.0, 0.0])


@pytest.mark.parametrize(
    ("numbers", "lost_most", "expected"),
    [
        ([1.1, 1.9, 3.2, 4.0], 0, (1, 2, 3, 4)),
        ([1.0, 2.0, 2.1, 3.0], 0, (1, 2, None, 3)),  # found twice
        ([1.0, 2.0, 4.0, 5.0], 0, (1, 2, 4, 5)),  # one not found
        ([3.1, 3.9, 5.0], 2, (3, 4, 5)),
        ([], 0, ()),
    ],
)
def test_leaves_are_numbered_in_order(numbers, lost_most, expected):
    lost = np.full(4, 0.03)
    lost[lost_most] = 0.91
    # Of two findings of one leaf the first is the doubtful one here: less sure, the later stands.
    rungs = [Rung(0.5 if n == 2.1 else 0.98, 0.5, n) for n in numbers]
    got = number_leaves(rungs, lost, SIGMA)
    assert got.ranks == expected
    assert got.below == lost_most


def test_a_stage_read_higher_gives_a_missed_leaf_a_number_and_one_read_lower_drops_one():
    rungs = leaves([1.0, 2.0, 3.4, 4.4, 5.4], 4, sure=0.995)
    assert number_leaves(rungs, NONE_LOST, 1.0, 4).ranks == (1, 2, 3, 4, 5)
    skipped = number_leaves(rungs, NONE_LOST, 1.0, 5).ranks
    assert skipped in ((1, 2, 3, 5, 6), (1, 2, 4, 5, 6))
    weak = [*rungs[:2], Rung(0.6, 0.9, 3.4), *rungs[3:]]
    assert number_leaves(weak, NONE_LOST, 1.0, 3).ranks == (1, 2, None, 3, 4)


def test_sides_tell_where_a_leaf_was_missed():
    # Numbers leave it open where the missed leaf was; leaves alternate, and two neighbours don't.
    numbers, sides = [1.0, 2.0, 3.5, 4.5, 5.5], [-1, 1, 1, -1, 1]
    rungs = [Rung(0.97, 0.97, n, side) for n, side in zip(numbers, sides, strict=True)]
    assert number_leaves(rungs, NONE_LOST, 1.0, 6).ranks == (1, 2, 4, 5, 6)
    sides = [-1, 1, -1, -1, 1]
    rungs = [Rung(0.97, 0.97, n, side) for n, side in zip(numbers, sides, strict=True)]
    assert number_leaves(rungs, NONE_LOST, 1.0, 6).ranks == (1, 2, 3, 5, 6)


def test_a_second_finding_is_filled_with_the_number_before_it():
    assert Numbers(1, (None, 2, None, 4)).filled == (2, 2, 2, 4)
    assert Numbers(2, (None,)).filled == (3,)


CUES = st.tuples(
    st.floats(0.05, 0.95),
    st.floats(0.05, 0.95),
    st.floats(0.5, 5.5),
    st.sampled_from([-1, 0, 1]),
)
LOST = np.array([0.6, 0.3, 0.1, 0.0])


def every_way(rungs, sigma, below=LOST):
    """Every way, written out: its weight, its stage, its leaves below and its numbers."""
    # Each leaf: none at all, or placed after 0 .. MOST_MISSED missed ones, out or in the whorl
    # with so many of the missed ones out.
    options = [None] + [
        (missed, out, more)
        for missed in range(MOST_MISSED + 1)
        for out in (True, False)
        for more in ((missed,) if out else range(missed + 1))
    ]
    for first in range(len(below)):
        for way in itertools.product(options, repeat=len(rungs)):
            weight, stage, rung, last, ranks = below[first], first, first, None, []
            for leaf, choice in zip(rungs, way, strict=True):
                before, last = last, leaf if leaf.real > 0.5 else last
                if choice is None:
                    weight *= (1 - leaf.real) * SPURIOUS_FIT
                    ranks.append(None)
                    continue
                missed, out, more = choice
                in_order = stage == rung
                rung += missed + 1
                ranks.append(rung)
                if before is None:
                    off, spread, sides = rung - leaf.number, LOWEST_SIGMA, 1.0
                else:
                    off, spread = missed + 1 - (leaf.number - before.number), sigma
                    sides = alternation(before.side, leaf.side, missed + 1)
                fit = np.exp(-0.5 * (off / spread) ** 2) + STRAY
                weight *= leaf.real * MISSED**missed * (1 - MISSED) * fit * sides
                if out:
                    weight *= leaf.out * in_order
                    stage = rung
                elif in_order:
                    weight *= (1 - leaf.out) / (missed + 1)
                    stage += more
                else:
                    weight *= (1 - leaf.out) * (more == 0)
            yield weight, stage, first, tuple(ranks)


@settings(max_examples=40, deadline=None)
@given(st.lists(CUES, max_size=3), st.floats(0.3, 1.0))
def test_the_chain_sums_over_every_way(cues, sigma):
    rungs = [Rung(*cue) for cue in cues]
    weights = np.zeros(13)
    for weight, stage, _, _ in every_way(rungs, sigma):
        weights[min(stage, 12)] += weight
    got = stage_on_ladder(rungs, LOST, sigma)
    np.testing.assert_allclose(got, weights / weights.sum(), atol=1e-9)


@settings(max_examples=25, deadline=None)
@given(st.lists(CUES, max_size=2), st.floats(0.3, 1.0), st.none() | st.integers(0, 9))
def test_the_numbers_are_those_of_the_likeliest_way_to_the_stage(cues, sigma, stage):
    rungs = [Rung(*cue) for cue in cues]
    ways = [way for way in every_way(rungs, sigma) if way[0] > 0]
    there = [way for way in ways if way[1] == stage] or ways
    got = number_leaves(rungs, LOST, sigma, stage)
    best = max(way[0] for way in there)
    assert max(way[0] for way in there if way[2:] == (got.below, got.ranks)) == pytest.approx(best)


@settings(max_examples=200, deadline=None)
@given(st.lists(CUES, max_size=12), st.floats(0.3, 1.5), st.integers(0, 12))
def test_numbers_rise_from_the_leaves_lost_and_stop_where_the_stage_lets_them(cues, sigma, stage):
    rungs = [Rung(*cue) for cue in cues]
    got = number_leaves(rungs, LOST, sigma, stage)
    known = [rank for rank in got.ranks if rank is not None]
    assert known == sorted(set(known))
    assert all(rank > got.below for rank in known)
    assert list(got.filled) == sorted(got.filled)
    # A stage that the chain believes possible is reached: no leaf lost beyond it, and of the
    # leaves that it counts no more than MOST_MISSED in a row without a number.
    if stage < 12 and stage_on_ladder(rungs, LOST, sigma)[stage] > 0:
        assert got.below <= stage
        counted = [got.below, *(rank for rank in known if rank <= stage), stage]
        assert max(b - a for a, b in itertools.pairwise(counted)) <= MOST_MISSED + 1


def test_numbers_lead_to_the_stage_asked_for_however_well_others_fit():
    # Steady sides make weights above 1: another stage's way is still not this one's.
    outs = (0.97, 0.97, 0.97, 0.97, 0.97, 0.97, 0.03, 0.03)
    reals = (0.78, 0.93, 0.96, 0.73, 0.83, 0.82, 0.71, 0.93)
    numbers = (3.01, 3.93, 5.15, 6.0, 7.09, 8.06, 9.21, 9.92)
    sides = (1, -1) * 4
    rungs = [Rung(*rung) for rung in zip(reals, outs, numbers, sides, strict=True)]
    below = np.array([0.01, 0.01, 0.6, 0.25, 0.1, 0.05]) / 1.02
    assert number_leaves(rungs, below, 0.4, 8) == Numbers(2, (3, 4, 5, 6, 7, 8, 9, 10))
    assert number_leaves(rungs, below, 0.4, 7) == Numbers(2, (None, 3, 4, 5, 6, 7, 8, 9))
    assert number_leaves(rungs, below, 0.4, 9) == Numbers(3, (4, 5, 6, 7, 8, 9, 10, 11))
