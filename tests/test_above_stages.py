"""Stages from above: the published tables decide, and ranges cover what they promise."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collarvision.above.calibration import (
    MOST_COUNT_DOUBT,
    AboveCalibration,
    load_above_calibration,
)
from collarvision.above.stages import (
    LEANS,
    LEVEL_LEANS,
    MOST_TIPS,
    learn_leans,
    stage_probabilities,
    tips_given_collars,
)
from collarvision.above.values import interval_90, stage_range
from collarvision.leafwords import leaf_probabilities
from collarvision.network import ModelError

SHARP = AboveCalibration(spread=(0.3, 0.6), inflation=(1.0, 1.0), shared=(0.1, 0.1))


@pytest.mark.parametrize(
    ("tips", "collars"),
    [
        (6, 3),  # seed-company agronomy note 2011, a pictured plant
        (6, 4),  # Ohio State Univ. Extension AGF-127
        (7, 4),  # ARVALIS glossary, a pictured plant (BBCH 16)
        (9, 7),  # Univ. of Georgia 2018
    ],
)
def test_published_pairs_lie_in_the_range(tips: int, collars: int) -> None:
    """A field of such plants: the pair's stage lies in every plant's range."""
    found = stage_probabilities(np.full(40, float(tips)), 2.0, SHARP)
    low, high = stage_range(found[0], 0.9)
    assert low <= collars <= high
    assert high - low <= 2


def test_leans_together_are_the_tables() -> None:
    for collars in range(13):
        mean = sum(
            weight * tips_given_collars(lean)[collars]
            for weight, lean in zip(LEVEL_LEANS, LEANS, strict=True)
        )
        level = leaf_probabilities(collars, "visible tips")
        told = {tips: mean[tips] for tips in range(MOST_TIPS + 1) if mean[tips] > 0}
        assert told == pytest.approx(level)


def field_of(rng: np.random.Generator, error: float, count: int = 120) -> tuple[np.ndarray, ...]:
    """True collars of a field's plants and their estimated tips."""
    mean, spread = rng.uniform(2, 6), rng.choice([0.4, 0.7, 1.0])
    collars = np.clip(np.round(rng.normal(mean, spread, count)), 0, 12).astype(int)
    table = tips_given_collars(float(rng.choice(LEANS)))
    tips = np.array([rng.choice(MOST_TIPS + 1, p=table[c]) for c in collars])
    return collars, tips + rng.normal(0, error, count)


@pytest.mark.parametrize("error", [0.4, 0.8, 1.2])
def test_ranges_cover_and_widen_with_the_error(error: float) -> None:
    rng = np.random.default_rng(7)
    calibration = AboveCalibration(spread=(error, error), inflation=(1.0, 1.0), shared=(0.0, 0.0))
    covered, wide = [], []
    for _ in range(80):
        collars, tips = field_of(rng, error)
        for c, p in zip(collars, stage_probabilities(tips, 3.0, calibration), strict=True):
            low, high = stage_range(p, 0.9)
            covered.append(low <= c <= high)
            wide.append(high - low + 1)
    assert np.mean(covered) >= 0.88
    assert np.mean(wide) == pytest.approx({0.4: 2.6, 0.8: 3.2, 1.2: 3.7}[error], abs=0.4)


def test_coarser_photos_say_less() -> None:
    calibration = AboveCalibration()
    tips = np.random.default_rng(0).normal(6.5, 1.0, 200)
    widths = []
    for mm_per_px in (2.0, 4.5, 6.0, 9.0):
        found = stage_probabilities(tips, mm_per_px, calibration)
        entropy = -(found * np.log(found + 1e-12)).sum(1).mean()
        widths.append(entropy)
    assert widths == sorted(widths)


def test_neighbours_help_and_a_stray_keeps_its_own_stage() -> None:
    blurred = AboveCalibration(spread=(1.0, 1.0), inflation=(1.0, 1.0))
    alone = stage_probabilities(np.array([6.5]), 3.0, blurred)[0]
    among = stage_probabilities(
        np.r_[6.5, np.random.default_rng(0).normal(6.5, 1.0, 200)], 3, blurred
    )
    assert among[0].max() > alone.max()
    late = stage_probabilities(np.r_[2.0, np.full(200, 8.5)], 3.0, SHARP)
    assert stage_range(late[0])[1] <= 2


def test_counting_on_the_ground_teaches_the_lean() -> None:
    rng = np.random.default_rng(3)
    collars = rng.choice([4, 5], 200)
    for lean, best in ((0.0, 0), (1.0, 2)):
        table = tips_given_collars(lean)
        tips = np.array([rng.choice(MOST_TIPS + 1, p=table[c]) for c in collars])
        found = learn_leans(LEVEL_LEANS, tips + rng.normal(0, 0.3, 200), 2.0, collars[:20], SHARP)
        assert sum(found) == pytest.approx(1.0)
        assert int(np.argmax(found)) == best
        before = stage_probabilities(tips.astype(float), 2.0, SHARP)
        after = stage_probabilities(tips.astype(float), 2.0, SHARP, found)
        right = np.arange(200), collars
        assert after[right].mean() > before[right].mean()
    assert learn_leans((1, 1, 2), np.zeros(0), 2.0, [3], SHARP) == (0.25, 0.25, 0.5)
    assert learn_leans((0, 0, 1), np.full(9, 6.0), 2.0, [9, 9], SHARP) == (0.0, 0.0, 1.0)


@pytest.mark.parametrize("mm_per_px", [2.0, 3.5])
@pytest.mark.parametrize("calibration", [SHARP, load_above_calibration()])
def test_more_tips_are_never_younger(mm_per_px: float, calibration: AboveCalibration) -> None:
    """Up to past the last stage's: V12 has 13 to 16 tips, and 18 are V12 or more."""
    means, lows = [], []
    for tips in np.arange(6.0, 25.0, 0.5):
        found = stage_probabilities(np.full(200, tips), mm_per_px, calibration)[0]
        means.append(float(found @ np.arange(13)))
        lows.append(stage_range(found, 0.9)[0])
    assert (np.diff(means) > -0.01).all()
    assert (np.diff(lows) >= 0).all()
    assert lows[-1] == 12


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(-3.0, 25.0), max_size=30),
    st.floats(0.5, 20.0),
    st.tuples(*[st.floats(0.01, 1.0)] * 3),
)
def test_probabilities_are_probabilities(
    tips: list[float], mm_per_px: float, leans: tuple[float, float, float]
) -> None:
    found = stage_probabilities(np.array(tips), mm_per_px, AboveCalibration(), leans)
    assert found.shape == (len(tips), 13)
    assert np.isfinite(found).all()
    assert found.sum(1) == pytest.approx(np.ones(len(tips)), abs=1e-4)


# --------------------------------------------------------------------------- ranges, calibration


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(0.0, 1.0), min_size=13, max_size=13), st.floats(0.3, 0.99))
def test_a_range_is_the_shortest_that_holds_enough(weights: list[float], level: float) -> None:
    p = np.array(weights) + 1e-6
    p /= p.sum()
    low, high = stage_range(p, level)
    assert p[low : high + 1].sum() >= level - 1e-6
    shorter = high - low
    if shorter:
        sums = [p[k : k + shorter].sum() for k in range(13 - shorter + 1)]
        assert max(sums) < level + 1e-6


def test_a_range_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one stage"):
        stage_range([])


def test_the_calibration_is_read_back(tmp_path: Path) -> None:
    path = tmp_path / "above_calibration.json"
    wanted = replace(AboveCalibration(), version=3, spread=(0.7, 1.1), inflation=(0.9, 1.0))
    path.write_text(json.dumps(wanted.record() | {"measured": {"tips_rmse": 0.8}}))
    assert load_above_calibration(path) == wanted
    assert load_above_calibration(tmp_path / "none.json") == AboveCalibration()


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[1]",
        '{"spread": "x"}',
        '{"spread": [1.0]}',
        '{"mm_per_px": [6.0, 3.0]}',
        '{"range_levels": [0.9]}',
    ],
)
def test_a_broken_calibration_is_said(text: str, tmp_path: Path) -> None:
    path = tmp_path / "above_calibration.json"
    path.write_text(text)
    with pytest.raises(ModelError, match="Install the package again"):
        load_above_calibration(path)


@pytest.mark.parametrize(
    ("stages", "level"), [([1], 0.6), ([3], 0.6), ([3, 4], 0.7), ([4], 0.8), ([7, 8], 0.8)]
)
def test_young_plants_are_asked_for_by_a_level_of_their_own(
    stages: list[int], level: float
) -> None:
    calibration = AboveCalibration(range_levels=(0.6, 0.8))
    p = np.zeros(13)
    p[stages] = 1 / len(stages)
    assert calibration.range_level(p) == pytest.approx(level)
    assert calibration.range_level(5 * p) == pytest.approx(level)  # counts do as well


def test_errors_are_interpolated_and_grow_beyond() -> None:
    calibration = AboveCalibration(
        mm_per_px=(3.0, 6.0), spread=(0.6, 1.0), spread_slope=(0.1, 0.1), inflation=(1.0, 1.0)
    )
    tips = np.array([6.0, 8.0])
    assert calibration.error(tips, 2.0)[1] == pytest.approx([0.6, 0.8])
    assert calibration.error(tips, 4.5)[1] == pytest.approx([0.8, 1.0])
    assert calibration.error(tips, 12.0)[1] == pytest.approx([2.0, 2.4])


@pytest.mark.parametrize("tips", [9.5, 11.0, 12.5, 18.0])
def test_a_count_of_crowded_plants_is_in_doubt_within_bounds(tips: float) -> None:
    """By the packed calibration, whose doubt grows sevenfold with each tip."""
    calibration = load_above_calibration()
    doubt = calibration.count_doubt(1e6, tips, 2.0)
    assert doubt == pytest.approx(MOST_COUNT_DOUBT, rel=1e-3)
    low, high = interval_90(6.0, doubt)
    assert 1.5 < low < 2.5
    assert 15.0 < high < 24.0
    assert calibration.count_doubt(1.0, tips, 2.0) > doubt
    assert calibration.count_doubt(1e6, 7.0, 2.0) < 0.1
    assert calibration.count_doubt(1e6, 7.0, 500.0) == pytest.approx(MOST_COUNT_DOUBT, rel=1e-3)


def test_an_error_that_a_photo_shares_widens_however_many_plants_it_has() -> None:
    tips = np.random.default_rng(0).normal(6.5, 0.5, 2000)
    alone, shared = (
        stage_probabilities(tips, 3.0, AboveCalibration(shared=(error, error)))
        for error in (0.0, 0.8)
    )
    assert shared.max(1).mean() < alone.max(1).mean() - 0.05
    calibration = AboveCalibration(mm_per_px=(3.0, 6.0), shared=(0.4, 0.8), inflation=(1.0, 1.5))
    assert calibration.shared_error(2.0) == pytest.approx(0.4)
    assert calibration.shared_error(12.0) == pytest.approx(2 * 0.8 * 1.5)
    assert calibration.double_probability(np.array([0.0, 0.5, 1.0])) == pytest.approx(
        [0.0, 0.5, 1.0], abs=1e-3
    )
