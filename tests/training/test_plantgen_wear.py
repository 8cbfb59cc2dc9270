"""Wear: the coleoptile goes, and never looks like a collar; lower leaves go from the bottom up."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from training.plantgen.botany import MAX_COLLARS, grow
from training.plantgen.shape import TILES
from training.plantgen.textures import stalk_atlas
from training.plantgen.wear import COLEOPTILE_LEFT, coleoptile_mm


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
