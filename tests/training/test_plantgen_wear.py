"""Wear: the coleoptile goes, and never looks like a collar; lower leaves go from the bottom up."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from training.plantgen.botany import MAX_COLLARS, grow
from training.plantgen.shape import BLADE_COLUMNS, BLADE_ROWS, TILES, build
from training.plantgen.textures import TILE_PX, blade_atlas, stalk_atlas
from training.plantgen.wear import COLEOPTILE_LEFT, DRIED, DRY_MM, RAGGED, coleoptile_mm, tear_of


def shown(stage_v: int) -> float:
    """Share of 400 plants of a stage whose coleoptile stands over the soil."""
    rng = np.random.default_rng(stage_v)
    return float(np.mean([coleoptile_mm(rng, stage_v, 18.0) > 0 for _ in range(400)]))


def test_the_coleoptile_is_gone_by_v4():
    shares = [shown(stage) for stage in range(7)]
    assert shares[:4] == pytest.approx(COLEOPTILE_LEFT, abs=0.07)
    assert shares == sorted(shares, reverse=True)
    assert shares[4:] == [0.0, 0.0, 0.0]


def test_the_coleoptile_has_no_pale_rim():
    """A band at a sheath's upper edge is what a collar is told by."""

    def step_at_rim(tile: np.ndarray) -> float:
        below, edge = tile[150:200].mean((0, 1)), tile[222:230].mean((0, 1))
        return float(np.abs(edge - below).max() / below.mean())

    sleeves, sheaths = [], []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        tiles = np.split(stalk_atlas(grow(rng, 3), rng, 0.3), TILES, axis=1)
        sleeves.append(step_at_rim(tiles[TILES - 2]))
        sheaths.append(step_at_rim(tiles[2]))
    assert np.median(sleeves) < 0.12
    assert np.median(sheaths) > 1.5 * np.median(sleeves)


@pytest.mark.parametrize("stage_v", range(MAX_COLLARS + 1))
def test_every_stage_can_be_painted(stage_v):
    """VE has no sheath that ends in a collar; a painter that counts on one leaves the stage out."""
    for seed in range(12):
        rng = np.random.default_rng([stage_v, seed])
        atlas = stalk_atlas(grow(rng, stage_v), rng, 0.3)
        assert np.isfinite(atlas).all()


def test_one_band_may_be_wide():
    """A sheath that pales towards its collar, on some plants: two edges, one collar."""
    deep = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        plant = grow(rng, 5)
        tile = np.split(stalk_atlas(plant, rng, 0.3), TILES, axis=1)[4].mean(1)
        rim, low = tile[228:234].mean(0), tile[60:140].mean(0)
        share = np.clip((tile - low) @ (rim - low) / ((rim - low) @ (rim - low)), 0, 1)
        deep.append(float((share[:234] > 0.4).sum() / 234))
    assert np.quantile(deep, 0.25) < 0.1
    assert np.quantile(deep, 0.9) > 0.15


@settings(derandomize=True, max_examples=40, deadline=None)
@given(st.integers(0, 999), st.integers(2, 10), st.integers(0, 3))
def test_leaves_are_lost_from_the_bottom_up(seed: int, stage_v: int, lost: int):
    plant = grow(np.random.default_rng(seed), stage_v, lost=lost)
    gone = [leaf.status == "gone" for leaf in plant.leaves]
    assert gone == [rank < lost for rank in range(len(gone))]


def torn_plants(count: int) -> list:
    """Plants of five collars whose first leaf is torn."""
    return [grow(np.random.default_rng(seed), 5, lower_status="torn") for seed in range(count)]


def test_a_torn_end_is_ragged_and_mostly_dry():
    tears = [tear_of(plant.leaves[0], BLADE_COLUMNS) for plant in torn_plants(300)]
    for tear in tears:
        assert tear.back.min() == 0.0  # somewhere the blade is as long as it is torn
        assert RAGGED[0] <= tear.back.max() <= RAGGED[1]
    dry = [tear.dry_mm for tear in tears if tear.dry_mm]
    assert len(dry) / len(tears) == pytest.approx(DRIED, abs=0.08)
    assert DRY_MM[0] <= min(dry)
    assert max(dry) <= DRY_MM[1]


def test_a_torn_blade_is_drawn_back_at_its_end_alone():
    for plant in torn_plants(20):
        leaf = plant.leaves[0]
        blades = build(plant, np.random.default_rng(1)).blades
        first = blades.vertices[: BLADE_ROWS * BLADE_COLUMNS]
        grid = first.reshape(BLADE_ROWS, BLADE_COLUMNS, 3)
        steps = np.linalg.norm(np.diff(grid, axis=0), axis=2)
        assert steps.min() > 0.0  # no row falls on another: a flat triangle has no normal
        lengths = steps.sum(0)
        assert np.ptp(lengths) > 0.05 * leaf.width_mm
        assert lengths.min() > 0.3 * leaf.visible_length_mm * leaf.torn_at


def test_a_dried_tear_is_paler_or_browner_than_the_blade_and_the_rest_is_as_it_was():
    told = 0
    for seed, plant in enumerate(torn_plants(40)):
        leaf = plant.leaves[0]
        whole = replace(plant, leaves=[replace(leaf, torn_at=1.0), *plant.leaves[1:]])
        torn, before = (
            blade_atlas(each, np.random.default_rng(seed))[:, :TILE_PX] for each in (plant, whole)
        )
        end = round(len(torn) * leaf.torn_at)
        inner = round(end - len(torn) * 3.5 * DRY_MM[1] / leaf.length_mm)
        if inner > 0:
            assert np.array_equal(torn[:inner], before[:inner])
        changed = np.abs(torn[end - 2 : end] - before[end - 2 : end]).mean()
        if tear_of(leaf, 2).dry_mm:
            told += changed > 0.03
        else:
            assert changed == 0.0
    assert told >= 20
