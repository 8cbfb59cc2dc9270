"""Counts from above: what photos usually miss is added, and intervals hold what they promise."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collarvision.above.calibration import AboveCalibration
from collarvision.above.finding import nothing_found
from training.above.counting import MOST_GROWTH, count_held, counted, fit_counts
from training.above.scoring import Scene, Scored

START = AboveCalibration(mm_per_px=(3.0, 6.0), count_bias=(0.0, 0.0), count_error=(0.0, 0.0))


def photo(told: int, true: int, mm_per_px: float, tips: float = 6.0) -> Scored:
    """A photo with so many plants told and true, all of them off its edge."""
    none, yes = np.zeros(told), np.ones(true, bool)
    columns = dict.fromkeys(("x", "y", "double", "canopy_mm2", "other"), none)
    found = replace(nothing_found(), score=none + 0.9, tip_count=none + tips, **columns)
    truth = {"mm_per_px": mm_per_px, "kind": "corn", "mean_stage": 4}
    place = np.zeros(true)
    return Scored(
        Scene(Path("a.jpg"), truth), found, place, place, yes, yes, np.full(true, 4), place + tips,
        yes, ~yes, np.ones(told, bool),
    )  # fmt: skip


def photos(rng: np.random.Generator, number: int) -> list[Scored]:
    """Photos of which a tenth of the plants is missed at 3 mm and a third at 6 mm."""
    out = []
    for k in range(number):
        mm_per_px, seen = ((3.0, 0.9), (6.0, 0.67))[k % 2]
        true = int(rng.integers(15, 300))
        mine = float(np.clip(seen * np.exp(rng.normal(0, 0.08)), 0, 1))
        out.append(photo(int(rng.binomial(true, mine)), true, mm_per_px))
    return out


def test_what_is_usually_missed_is_added_and_the_interval_holds_nine_in_ten() -> None:
    rng = np.random.default_rng(4)
    fitted = fit_counts(photos(rng, 120), START)
    assert fitted.count_factor(3.0) == pytest.approx(1 / 0.9, rel=0.03)
    assert fitted.count_factor(6.0) == pytest.approx(1 / 0.67, rel=0.05)
    fresh = photos(rng, 400)
    held = [count_held(one, fitted) for one in fresh]
    assert None not in held
    assert 0.85 <= np.mean([bool(one) for one in held]) <= 0.97
    # Not by being wide: without what is added it holds far fewer.
    bare = replace(fitted, count_bias=(0.0, 0.0))
    assert np.mean([bool(count_held(one, bare)) for one in fresh]) < 0.6


def test_scales_with_few_photos_take_the_finer_ones_numbers() -> None:
    only_fine = [one for one in photos(np.random.default_rng(1), 60) if one.scene.mm_per_px == 3.0]
    fitted = fit_counts(only_fine, START)
    assert fitted.count_bias[1] == fitted.count_bias[0]
    assert fit_counts(only_fine[:2], START) == START
    # With next to nothing to go by no count is taken for sure.
    cautious = replace(AboveCalibration(), mm_per_px=(2.0, 3.0, 6.0))
    assert fit_counts([], cautious).count_error == (0.3, 0.3, 0.3)
    assert count_held(photo(2, 40, 3.0), fitted) is None


def test_crowded_plants_make_a_count_less_sure() -> None:
    rng = np.random.default_rng(2)
    every = photos(rng, 80)
    for _ in range(80):
        true = int(rng.integers(40, 200))
        told = int(np.clip(true * 0.9 * np.exp(rng.normal(0, 0.35)), 5, 400))
        every.append(photo(told, true, 3.0, tips=11.0))
    fitted = fit_counts(every, START)
    assert fitted.count_doubt(100, 11.0, 3.0) > 2 * fitted.count_doubt(100, 6.0, 3.0)


def test_one_crowded_photo_counted_far_too_low_leaves_counts_of_its_like_of_use() -> None:
    like = [photo(told, 110, 3.0, tips=8.1) for told in range(90, 120)]
    every = [*photos(np.random.default_rng(2), 80), *like, photo(60, 180, 3.0, tips=8.6)]
    fitted = fit_counts(every, START)
    assert fitted.count_growth <= MOST_GROWTH
    assert fitted.count_doubt(100, 9.0, 3.0) < 2.0


@given(st.floats(1, 1e4), st.floats(0, 14), st.floats(0.5, 20))
def test_doubt_of_a_count_falls_with_plants_and_grows_with_tips_and_coarseness(
    plants: float, tips: float, mm_per_px: float
) -> None:
    calibration = AboveCalibration()
    doubt = calibration.count_doubt(plants, tips, mm_per_px)
    assert doubt > 0
    assert calibration.count_doubt(2 * plants, tips, mm_per_px) < doubt
    assert calibration.count_doubt(plants, tips + 1, mm_per_px) >= doubt
    assert calibration.count_doubt(plants, tips, 2 * mm_per_px) >= doubt
    assert calibration.count_factor(mm_per_px) == pytest.approx(1.0)


def test_counted_is_told_true_and_tips() -> None:
    one = photo(7, 9, 3.0, tips=5.0)
    one.found.double[:2] = 0.5
    assert counted(one) == (8.0, 9.0, 5.0)
