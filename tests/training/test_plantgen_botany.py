"""The generator's plants against published maize: sizes, collars, tips and heights by stage."""

from __future__ import annotations

import functools
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from training.plantgen import truth
from training.plantgen.botany import (
    FIRST_LEAF_LENGTH_MM,
    MAX_COLLARS,
    blade_area_mm2,
    blade_length_mm,
    blade_width_mm,
    emerged_fractions,
    grow,
)
from training.plantgen.plantparts import Plant
from training.plantgen.shape import build
from training.plantgen.wear import first_leaf_truth

PLANTS = 200
MM_PER_INCH = 25.4


@functools.cache
def plants(stage_v: int, lost: int = 0) -> tuple[Plant, ...]:
    return tuple(
        grow(np.random.default_rng([7, stage_v, i]), stage_v, lost=lost) for i in range(PLANTS)
    )


@functools.cache
def arch_heights_in(stage_v: int) -> np.ndarray:
    """Soil to the governing arch in inches, of those plants that have one."""
    standing = SimpleNamespace(label={"layout": "standing"})
    heights = []
    for i, plant in enumerate(plants(stage_v)):
        arch = truth._arch(standing, build(plant, np.random.default_rng(i)))
        if arch is not None:
            heights.append(arch[2] / MM_PER_INCH)
    return np.array(heights)


def visible_tips(plant: Plant) -> int:
    return sum(leaf.status != "gone" for leaf in plant.leaves)


def uppermost_drooping(plant: Plant) -> int:
    """Rank of the uppermost leaf at least 40 % out whose tip points below the horizontal."""
    return max(
        (f.rank for f in plant.leaves if f.emerged >= 0.4 and f.droop_rad > np.pi / 2), default=0
    )


# --- sizes of full-grown blades ---


@pytest.mark.parametrize(
    ("rank", "length_cm"),
    [(1, 10.7), (2, 15.1), (3, 20.7), (4, 27.7), (5, 36.1), (6, 45.7), (8, 66.3)],
)
def test_blade_length_by_rank(rank, length_cm):
    # Fournier & Andrieu 1998, Ann. Bot., p. 242, worked out for 18 leaves and a longest of 90 cm.
    assert blade_length_mm(rank, 18, 900.0) / 10 == pytest.approx(length_cm, abs=0.05)


@pytest.mark.parametrize(
    ("rank", "area_cm2"),
    [(1, 4.4), (2, 11.6), (3, 27.1), (4, 57.1), (5, 108), (6, 186), (8, 413)],
)
def test_blade_area_by_rank(rank, area_cm2):
    # Muchow & Carberry; Muchow 1990, with 750 cm2 at rank 12.
    assert blade_area_mm2(rank) / 100 == pytest.approx(area_cm2, rel=0.01)


def test_the_longest_blade_is_as_long_as_said():
    # By the formula's own form it is Lmax at nm = 5.93 + 0.33 N (Fournier & Andrieu 1998).
    for final_leaves in (16, 18, 20, 22):
        lengths = [blade_length_mm(rank, final_leaves) for rank in range(1, final_leaves + 1)]
        assert 0.99 * 900 < max(lengths) <= 900
        assert int(np.argmax(lengths)) + 1 == round(5.93 + 0.33 * final_leaves)


def test_blade_widths():
    # Width 0.106 x length, area 0.75 x length x width (Fournier & Andrieu 1998).
    assert blade_width_mm(8, 663.0) == pytest.approx(70.3, abs=0.1)
    length = blade_length_mm(4, 18)
    assert 0.75 * length * blade_width_mm(4, length) == pytest.approx(5710, rel=0.01)


def test_final_leaf_number():
    # 16 to 22 (CIMMYT).
    assert {plant.final_leaves for plant in plants(3)} == set(range(16, 23))


# --- the first leaf ---


def test_first_leaf_is_as_long_as_published():
    # 1.5-1.75 in (Mississippi State Univ. Extension 2024); about 5 cm (Ledent & Mouraux 1990).
    lengths = np.array([plant.leaves[0].length_mm for plant in plants(3)])
    assert 1.5 * MM_PER_INCH <= np.median(lengths) <= 50.0
    assert FIRST_LEAF_LENGTH_MM[0] < 1.5 * MM_PER_INCH
    assert FIRST_LEAF_LENGTH_MM[1] > 50.0


def test_first_leaf_is_about_13_mm_wide_and_the_only_rounded_one():
    # "Use 4-5 cm x 1.3 cm": from the published area of leaf 1 and its length. The rounded leaf is
    # leaf 1 (R.L. Nielsen, Purdue Univ. 2019).
    widths = [plant.leaves[0].width_mm for plant in plants(3)]
    assert np.median(widths) == pytest.approx(13.0, abs=1.0)
    for plant in plants(6):
        assert [leaf.rank for leaf in plant.leaves if leaf.rounded] == [1]


def test_collar_of_leaf_1_sits_low():
    # Below 2 cm over the soil (Ledent & Mouraux 1990).
    heights = [plant.leaves[0].exit_height_mm for plant in plants(4)]
    assert np.median(heights) < 20.0


def test_collars_of_leaves_5_and_6():
    # Above 10 cm, and 20-30 cm (Ledent & Mouraux 1990), on plants that have outgrown them.
    fifth = [plant.leaves[4].exit_height_mm for plant in plants(7)]
    sixth = [plant.leaves[5].exit_height_mm for plant in plants(8)]
    assert np.quantile(fifth, 0.05) > 100.0
    assert 200.0 <= np.median(sixth) <= 300.0


# --- what is seen at a stage ---


@pytest.mark.parametrize(
    ("stage_v", "lost", "fewest", "most"),
    [
        (3, 0, 5, 6),  # V3: 6 on a pictured plant (agronomy note, 2011), 5 common practice
        (4, 0, 6, 7),  # V4: about 6 (Ohio State Univ. AGF-127), 7 (ARVALIS, BBCH 16)
        # V7: 9 (Univ. of Georgia 2018), leaf 1 being lost by V5-V6 (Mississippi State 2024).
        (7, 1, 9, 9),
    ],
)
def test_visible_tips_by_stage(stage_v, lost, fewest, most):
    counts = [visible_tips(plant) for plant in plants(stage_v, lost)]
    assert fewest <= np.median(counts) <= most


@pytest.mark.parametrize(
    ("stage_v", "lowest", "highest"),
    [
        # V4: collars + 1 to 2 (Ohio State Univ. AGF-127); V5: 6-7 (Univ. of Nebraska, hail);
        # V6: 7 (Iowa State Univ. 2008), 8 (Univ. of Kentucky 2007). Method: uppermost leaf
        # 40-50 % out with its tip below the horizontal (AGF-127; FCIC-25080).
        (4, 5, 6),
        (5, 6, 7),
        (6, 7, 8),
    ],
)
def test_uppermost_drooping_leaf_by_stage(stage_v, lowest, highest):
    ranks = [uppermost_drooping(plant) for plant in plants(stage_v)]
    assert lowest <= np.median(ranks) <= highest


@pytest.mark.parametrize(
    ("stage_v", "low_in", "high_in"),
    [
        (2, 2, 4),
        (3, 5, 8),  # up to 8: common practice
        (5, 10, 17),  # up to 17: common practice
        (6, 14, 20),
    ],
)
def test_height_to_the_arch_by_stage(stage_v, low_in, high_in):
    # Mississippi State Univ. Extension 2024: V3 5-7, V5 10-14, V6 14-20 in (V2: 2-4, a weak
    # source). It doesn't say what is measured; taken to the arch, as this project does. The
    # median of a sample may miss the range by its own sampling error (2 standard errors).
    heights = arch_heights_in(stage_v)
    error = 2 * 1.25 * heights.std() / np.sqrt(len(heights))
    assert low_in - error <= np.median(heights) <= high_in + error


def test_leaves_alternate_at_180_degrees():
    # CIMMYT. The spread (10-20 degrees) is from memory.
    turns = np.concatenate(
        [np.diff([leaf.azimuth_rad for leaf in plant.leaves]) for plant in plants(6)]
    )
    opposite = np.angle(np.exp(1j * (turns - np.pi)))
    assert np.degrees(np.abs(np.median(opposite))) < 2.0
    assert 10 < np.degrees(opposite.std() / np.sqrt(2)) < 20


def test_the_whorl_holds_no_collar():
    # Leaves in the whorl aren't counted (R.L. Nielsen, Purdue Univ. 2019).
    for stage_v in range(MAX_COLLARS + 1):
        for plant in plants(stage_v)[:40]:
            assert [leaf.rank for leaf in plant.leaves if leaf.collared] == list(
                range(1, stage_v + 1)
            )
            assert any(not leaf.collared for leaf in plant.leaves)


# --- hard cases, lost and worn leaves ---


def test_collars_rise_with_rank():
    for stage_v in (2, 5, 10):
        for hard_case in ("none", "just_cleared", "about_to_clear"):
            for seed in range(40):
                plant = grow(np.random.default_rng(seed), stage_v, hard_case=hard_case)
                heights = [leaf.exit_height_mm for leaf in plant.leaves if leaf.collared]
                assert np.all(np.diff(heights) > 2.0)


def test_a_just_cleared_collar_is_only_millimetres_above_the_one_below():
    gaps = []
    for seed in range(200):
        plant = grow(np.random.default_rng(seed), 5, hard_case="just_cleared")
        gaps.append(plant.leaves[4].exit_height_mm - plant.leaves[3].exit_height_mm)
    assert min(gaps) >= 2.5
    assert max(gaps) <= 11.25
    # In every other one two opposite blades leave the stalk at nearly one place.
    assert 0.4 <= np.mean(np.array(gaps) <= 6.25) <= 0.8


def test_a_leaf_about_to_clear_is_nearly_out():
    for seed in range(40):
        plant = grow(np.random.default_rng(seed), 5, hard_case="about_to_clear")
        assert not plant.leaves[5].collared
        assert plant.leaves[5].emerged > 0.95


def test_lost_leaves_still_count():
    # Mississippi State Univ. Extension 2024.
    plant = grow(np.random.default_rng(3), 6, lost=2)
    assert (plant.stage_v, plant.lost) == (6, 2)
    assert [leaf.status for leaf in plant.leaves[:2]] == ["gone", "gone"]
    assert first_leaf_truth(plant)["present"] is False


@pytest.mark.parametrize("status", ["withered", "torn"])
def test_lowest_leaf_worn(status):
    plant = grow(np.random.default_rng(3), 6, lost=1, lower_status=status)
    assert plant.leaves[1].status == status
    assert (plant.leaves[1].torn_at < 1.0) == (status == "torn")


def test_a_torn_first_leaf_has_no_rounded_tip():
    plant = grow(np.random.default_rng(3), 4, lower_status="torn")
    assert first_leaf_truth(plant) == {
        "present": True,
        "rounded": False,
        "status": "torn",
        "collared": True,
    }


@pytest.mark.parametrize("stage_v", [-1, 11])
def test_stages_beyond_the_model_are_refused(stage_v):
    with pytest.raises(ValueError, match="stage_v"):
        grow(np.random.default_rng(0), stage_v)


@settings(derandomize=True, max_examples=60, deadline=None)
@given(progress=st.floats(0, 1), step=st.floats(0.25, 0.45), collars=st.integers(0, MAX_COLLARS))
def test_each_further_leaf_is_less_out(progress, step, collars):
    fractions = emerged_fractions(progress, step, collars)
    assert fractions
    assert all(0 < fraction <= 1 for fraction in fractions)
    assert np.all(np.diff(fractions) < 0)


@settings(derandomize=True, max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), stage_v=st.integers(0, MAX_COLLARS))
def test_a_seed_is_a_plant(seed, stage_v):
    one = grow(np.random.default_rng(seed), stage_v)
    assert one == grow(np.random.default_rng(seed), stage_v)
    for leaf in one.leaves:
        assert leaf.length_mm > leaf.width_mm > 0
        assert 0 < leaf.emerged <= 1
        assert leaf.insertion_rad <= leaf.droop_rad <= np.pi
        assert leaf.stalk_radius_mm > 0
        assert leaf.exit_height_mm > 0
