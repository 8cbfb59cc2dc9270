"""Plant: leaves in order along the stalk, from drawn plants whose answer is known.

Counting rules: R.L. Nielsen, Purdue University, "Determining corn leaf stages", May 2019 (a leaf
counts when its collar is visible; the rounded leaf is leaf 1; whorl leaves are not counted).
Alternate sides: CIMMYT (leaves alternate at 180 degrees).
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from drawn_plants import draw, with_collar, without_collar
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment

from collarvision.lost import Signs, first_leaf_numbered, lost_leaves
from collarvision.pairing import cheapest_assignment
from collarvision.parts import CollarPeak, Point
from collarvision.plant import assemble
from collarvision.stage import believe


def px(drawn, cells):
    return np.asarray(cells) * drawn.parts.px_per_map_px + drawn.parts.photo_from_map[:, 2]


@pytest.mark.parametrize("stage", range(1, 10))
@pytest.mark.parametrize("angle_deg", [0.0, 90.0, -70.0, 180.0])
def test_counts_the_collared_leaves_whichever_way_the_plant_lies(stage, angle_deg):
    drawn = draw(stage, whorl=2, angle_deg=angle_deg)
    plant = assemble(drawn.parts)
    assert len(plant.collared) == stage
    assert [leaf.rank for leaf in plant.leaves] == list(range(1, stage + 3))
    assert [leaf.kind for leaf in plant.leaves] == ["paired"] * stage + ["whorl"] * 2
    found = np.array([(leaf.collar.x, leaf.collar.y) for leaf in plant.collared])
    np.testing.assert_allclose(found, px(drawn, drawn.collars[:stage]), atol=1e-6)
    tips = np.array([(leaf.tip.x, leaf.tip.y) for leaf in plant.leaves])
    np.testing.assert_allclose(tips, px(drawn, drawn.tips), atol=1e-6)


def test_a_plant_with_no_collar_is_still_a_plant():
    plant = assemble(draw(0, whorl=2).parts)
    assert plant.collared == ()
    assert len(plant.leaves) == 2


@settings(max_examples=40, deadline=None)
@given(st.integers(2, 8), st.integers(0, 3), st.integers(0, 10_000))
def test_noise_of_a_cell_does_not_change_the_pairs(stage, whorl, seed):
    clean = draw(stage, whorl)
    noisy = draw(stage, whorl, noise=0.8, seed=seed)
    plant = assemble(noisy.parts)
    assert len(plant.collared) == stage
    for leaf, tip in zip(plant.leaves, clean.tips, strict=True):
        assert np.hypot(leaf.tip.x - px(clean, tip)[0], leaf.tip.y - px(clean, tip)[1]) < 6 * 4.5


def test_midlines_run_from_the_stalk_to_the_tip_along_the_blade():
    drawn = draw(5, whorl=2)
    plant = assemble(drawn.parts)
    for leaf in plant.collared:
        np.testing.assert_allclose(leaf.midline[-1], (leaf.tip.x, leaf.tip.y), atol=1e-6)
        start = np.hypot(*(leaf.midline[0] - (leaf.collar.x, leaf.collar.y)))
        assert start < 8 * drawn.parts.px_per_map_px
        # A drawn blade arches: its midline must climb over the straight line to the tip.
        assert leaf.midline[:, 1].min() < min(leaf.collar.y, leaf.tip.y) - 6.0


def test_a_collar_hidden_behind_a_blade_still_counts_where_its_tip_says_so():
    drawn = without_collar(draw(5), 2)
    plant = assemble(drawn.parts)
    assert len(plant.collared) == 5
    third = plant.leaves[2]
    assert third.kind == "hidden"
    assert third.collar is None
    where = px(drawn, drawn.collars[2])
    assert np.hypot(third.hidden_collar.x - where[0], third.hidden_collar.y - where[1]) < 12


def test_two_peaks_of_one_collar_are_one_collar():
    drawn = draw(4)
    second = drawn.parts.collars[1]
    half = CollarPeak(second.x + 12.0, second.y + 3.0, 0.45, second.rank + 0.1)
    plant = assemble(with_collar(drawn, half).parts)
    assert len(plant.collared) == 4
    assert plant.merged == 1


@pytest.mark.parametrize(("score", "kept"), [(0.2, 0), (0.6, 1)])
def test_a_clear_peak_right_over_a_collar_may_be_one_that_has_just_cleared(score, kept):
    drawn = draw(4)
    top = drawn.parts.collars[3]
    twin = CollarPeak(top.x + 6.0, top.y - 9.0, score, top.rank + 0.1)
    with_twin = with_collar(drawn, twin).parts
    plant = assemble(with_twin)
    assert sum(leaf.kind == "twin" for leaf in plant.leaves) == kept
    assert plant.merged == 1 - kept
    alone = believe(assemble(drawn.parts), drawn.parts)
    both = believe(plant, with_twin)
    if kept:
        # It isn't known whether it is one: the higher stage gains, and the stage is less sure.
        assert both.probabilities[5] > 1.5 * alone.probabilities[5]
    else:
        assert both.probabilities[5] == pytest.approx(alone.probabilities[5], rel=0.05)


def test_two_collars_close_together_with_their_own_tips_stay_two():
    drawn = draw(5)
    collars = list(drawn.parts.collars)
    fourth, fifth = collars[3], collars[4]
    # The top collar has only just cleared the one below: two map cells.
    close = replace(fifth, y=fourth.y - 12.0)
    tips = tuple(
        replace(t, collar_x=close.x, collar_y=close.y) if round(t.rank) == 5 else t
        for t in drawn.parts.tips
    )
    parts = replace(drawn.parts, collars=(*collars[:4], close), tips=tips)
    assert len(assemble(parts).collared) == 5


def test_a_collar_far_off_the_stalk_is_dropped():
    drawn = draw(4)
    speck = CollarPeak(drawn.parts.base.x + 240.0, drawn.parts.base.y - 300.0, 0.4, 3.0)
    plant = assemble(with_collar(drawn, speck).parts)
    assert plant.stray == 1
    assert len(plant.collared) == 4


def test_sides_alternate_and_a_break_is_told():
    plant = assemble(draw(6).parts)
    assert [leaf.side for leaf in plant.collared] == ["right", "left"] * 3
    assert plant.side_breaks == 0
    assert assemble(draw(4, same_side=True).parts).side_breaks >= 2


def test_a_pointed_lowest_leaf_means_lost_leaves_and_shifts_the_ranks():
    plant = assemble(draw(6, lost=2).parts)
    assert int(plant.lost.argmax()) == 2
    assert plant.lost.sum() == pytest.approx(1.0)
    assert [leaf.rank for leaf in plant.collared] == [3, 4, 5, 6]
    assert plant.first_leaf < 0.2
    assert "Lowest leaf pointed, so leaf 1 is lost." in plant.evidence


def test_a_rounded_lowest_leaf_is_leaf_1():
    plant = assemble(draw(5).parts)
    assert plant.lost[0] > 0.9
    assert plant.leaves[0].shape == "rounded"
    assert plant.first_leaf > 0.8
    assert "Lowest leaf rounded, so it is leaf 1." in plant.evidence


@pytest.mark.parametrize(("height_mm", "rank"), [(18.0, 1), (110.0, 5), (250.0, 6)])
def test_height_of_the_lowest_collar_moves_the_belief_towards_the_published_rank(height_mm, rank):
    # Ledent & Mouraux 1990 (10.1051/agro:19900208): leaf 1 under 2 cm, leaf 5 over 10 cm,
    # leaf 6 20-30 cm above the soil.
    flat = np.full(4, 0.25)
    without, _, _ = lost_leaves(Signs(flat, 0.5))
    with_height, _, _ = lost_leaves(Signs(flat, 0.5, collar_mm=height_mm))
    index = min(rank - 1, 3)
    assert with_height[index] > without[index]
    assert with_height.argmax() == index


@pytest.mark.parametrize(("length_mm", "lost"), [(38.0, 0), (50.0, 0), (120.0, 1), (277.0, 3)])
def test_length_of_the_lowest_blade_tells_its_rank(length_mm, lost):
    # Leaf 1: 1.5-1.75 in (Mississippi State 2024), about 5 cm (Ledent & Mouraux 1990). Rank 4:
    # 27.7 cm (Fournier & Andrieu 1998, formula for 18 leaves); rank 2: 15.1 cm by the formula,
    # which reads high for low ranks; 12 cm is our own choice.
    flat = np.full(4, 0.25)
    p, _, _ = lost_leaves(Signs(flat, 0.5, blade_mm=length_mm))
    assert p.argmax() == lost


@pytest.mark.parametrize("sign", ["collar_mm", "blade_mm", "blade_ratio"])
def test_no_single_size_shifts_the_odds_of_lost_leaves_by_more_than_ninety_to_one(sign):
    """A clod may hide any height, a torn blade has any length: e^4.5 is our own choice."""
    network = np.array([0.9, 0.06, 0.03, 0.01])
    without, _, _ = lost_leaves(Signs(network, 0.95, 0.95, 1.0))
    for size in np.geomspace(1e-2, 1e5, 71):
        lost, _, _ = lost_leaves(Signs(network, 0.95, 0.95, 1.0, **{sign: float(size)}))
        shifted = np.log(lost / lost[0]) - np.log(without / without[0])
        assert np.ptp(shifted) <= 4.5 + 1e-9


def test_a_blade_that_was_measured_is_not_weighed_against_the_next_as_well():
    # Both say how long it is: once is enough, and the measure is the surer.
    network = np.array([0.6, 0.3, 0.1, 0.0])
    measured, _, _ = lost_leaves(Signs(network, 0.6, blade_mm=45.0))
    both, _, _ = lost_leaves(Signs(network, 0.6, blade_mm=45.0, blade_ratio=0.9))
    ratio, _, _ = lost_leaves(Signs(network, 0.6, blade_ratio=0.9))
    np.testing.assert_allclose(both, measured)
    assert np.abs(ratio - measured).max() > 0.1


@pytest.mark.parametrize("size", [float("nan"), float("inf")])
def test_what_is_no_size_says_nothing_of_lost_leaves(size):
    network = np.array([0.9, 0.1, 0.0, 0.0])
    without, _, _ = lost_leaves(Signs(network, 0.9, 0.9, 1.0))
    for sign in ({"collar_mm": size}, {"blade_mm": size}, {"blade_ratio": size}):
        lost, below, _ = lost_leaves(Signs(network, 0.9, 0.9, 1.0, **sign))
        np.testing.assert_allclose(lost, without)
        assert np.isfinite(below).all()


def test_a_foot_past_the_boards_horizon_is_measured_by_nothing():
    drawn = draw(3)
    past = SimpleNamespace(mm_per_px_at=lambda x, y: float("inf"))
    plant, without = assemble(drawn.parts, past), assemble(drawn.parts)
    np.testing.assert_allclose(plant.lost, without.lost)
    assert plant.evidence == without.evidence


def test_a_short_lowest_blade_overrules_a_tip_that_looks_pointed():
    # Leaf 1 seen from its edge looks pointed; its length and its low collar give it away.
    network = np.array([0.2, 0.75, 0.04, 0.01])
    p, _, said = lost_leaves(
        Signs(network, 0.2, rounded=0.2, rank=1.9, collar_mm=20.0, blade_mm=48.0)
    )
    assert p.argmax() == 0
    assert said[0].startswith("Lowest leaf taken as leaf 1")


def test_a_photo_with_nothing_in_it_gives_an_empty_plant():
    drawn = draw(3)
    bare = replace(
        drawn.parts,
        classes=np.zeros_like(drawn.parts.classes),
        collars=(),
        tips=(),
        base=None,
        arch=None,
    )
    plant = assemble(bare)
    assert plant.leaves == ()
    assert len(plant.stalk) == 0
    assert plant.base is None


def test_without_a_stalk_or_a_base_the_leaves_are_still_counted():
    drawn = draw(4)
    classes = drawn.parts.classes.copy()
    classes[classes == 2] = 0
    plant = assemble(replace(drawn.parts, classes=classes, base=None))
    assert len(plant.collared) == 4
    no_anchor = assemble(replace(drawn.parts, classes=classes, base=None, collars=()))
    assert len(no_anchor.leaves) == 6


def test_a_base_off_by_a_little_keeps_the_stalk():
    drawn = draw(4)
    base = drawn.parts.base
    plant = assemble(replace(drawn.parts, base=Point(base.x + 15, base.y + 10, 0.3)))
    assert len(plant.collared) == 4
    np.testing.assert_allclose(plant.stalk[0], (base.x + 15, base.y + 10), atol=1e-6)


@pytest.mark.parametrize("seed", range(20))
def test_assignment_costs_what_scipy_says(seed):
    # Reference: scipy.optimize.linear_sum_assignment.
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 25))
    cost = rng.normal(size=(n, n))
    columns = cheapest_assignment(cost)
    assert sorted(columns) == list(range(n))
    rows, best = linear_sum_assignment(cost)
    assert cost[np.arange(n), columns].sum() == pytest.approx(cost[rows, best].sum())


@given(st.floats(0.0, 1.0), st.integers(0, 5))
def test_the_first_leaf_is_there_exactly_where_no_leaf_is_below(first_leaf, below):
    """A record that says both "none lost" and "leaf 1 is gone" of one plant helps nobody."""
    said = first_leaf_numbered(first_leaf, below)
    assert (said >= 0.5) == (below == 0)
    assert abs(said - first_leaf) <= 0.501
