"""Scoring and calibration from above, on drawn scenes whose right answer is known."""

from __future__ import annotations

import json
import math
from pathlib import Path

import cv2
import numpy as np
import pytest
from drawn_field import TIP_COUNT, draw, plant, write_above_stand_in

from collarvision.above.calibration import AboveCalibration, load_above_calibration
from collarvision.above.finding import nothing_found
from collarvision.above.network import ABOVE_MODEL_VARIABLE
from training.above import calibrate, evaluate
from training.above.scoring import (
    Scene,
    Scored,
    doubles,
    for_calibration,
    for_scoring,
    pairs,
    plant_counts,
    scenes,
)

SIDE = 640


def write_scene(folder: Path, number: int, mm_per_px: float) -> None:
    """A drawn scene with a truth line as the renderer writes it."""
    planted = plant(SIDE * mm_per_px / 1000, SIDE * mm_per_px / 1000, seed=number, doubled=0.1)
    rgb = draw(planted, SIDE, SIDE, mm_per_px, seed=number)
    name = f"{number:05d}.jpg"
    cv2.imwrite(str(folder / name), rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 95])
    px = 1000 / mm_per_px
    away = np.hypot(planted.x[:, None] - planted.x, planted.y[:, None] - planted.y)
    np.fill_diagonal(away, 9.0)
    rng = np.random.default_rng(number)
    plants = [
        {
            "x": SIDE / 2 + x * px,
            "y": SIDE / 2 - y * px,
            "stage": int(rng.choice([3, 4])),
            "inside": True,
            "whole": bool(max(abs(x), abs(y)) < SIDE / 2 / px - 0.08),
            "seen_px": 200,
            "tips_shown": int(rng.choice([6, 7])),
            "double": bool(away[k].min() <= 0.06),
        }
        for k, (x, y) in enumerate(zip(planted.x, planted.y, strict=True))
    ]
    truth = {
        "file": name,
        "mm_per_px": mm_per_px,
        "tilt_deg": 0.0,
        "focal_px": 900.0,
        "kind": "corn",
        "mean_stage": 3.5,
        "plants": plants,
    }
    with open(folder / "truth.jsonl", "a", encoding="utf-8") as file:
        file.write(json.dumps(truth) + "\n")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    where = tmp_path_factory.mktemp("scenes") / "part-1"
    where.mkdir()
    for number in range(12):
        write_scene(where, number, 3.0 if number % 4 else 6.0)
    return where.parent


@pytest.fixture
def model(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "above.onnx"
    write_above_stand_in(path)
    monkeypatch.setenv(ABOVE_MODEL_VARIABLE, str(path))
    return path


def test_no_scene_is_fitted_and_scored_on(folder: Path) -> None:
    every = scenes(folder)
    fitted, scored = (
        {one.path.name for one in chosen(every)} for chosen in (for_calibration, for_scoring)
    )
    assert not fitted & scored
    assert len(fitted | scored) == len(every) == 12


def test_calibrated_on_some_scenes_and_scored_on_the_others(
    folder: Path, model: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "above_calibration.json"
    assert calibrate.main([str(folder), "--model", str(model), "--out", str(out)]) == 0
    fitted = load_above_calibration(out)
    # The stand-in says the same of every plant: half a tip off on average, and told so.
    assert fitted.bias[0] == pytest.approx(TIP_COUNT - 6.5, abs=0.2) or fitted.bias_slope[0] < -0.5
    assert fitted.count_factor(3.0) == pytest.approx(1.0, abs=0.1)
    assert 0.0 < fitted.count_doubt(30, 6.0, 3.0) < 0.2
    scores_file = tmp_path / "scores.json"
    words = [str(folder), "--model", str(model), "--calibration", str(out)]
    assert evaluate.main([*words, "--out", str(scores_file)]) == 0
    scores = json.loads(scores_file.read_text())
    fine = scores["by_mm_per_px"]["0-3.01"]
    assert fine["plant_f1"] > 0.95
    assert fine["doubles_said"] == pytest.approx(fine["doubles_true"], abs=4)
    assert fine["tips_rmse"] == pytest.approx(math.sqrt(0.5**2 + 0.1**2), abs=0.12)
    assert fine["covered"] >= 0.85
    assert fine["place_error_mm"] < 3.0
    assert "plant_f1" in capsys.readouterr().out
    # What was found in every scene, kept, takes the pictures' place and says the same.
    kept, again = tmp_path / "kept.json.gz", tmp_path / "again.json"
    more = ["--keep", str(kept), "--out", str(again)]
    assert calibrate.main([str(folder), "--model", str(model), *more]) == 0
    assert load_above_calibration(again) == fitted
    assert calibrate.main([str(kept), "--out", str(again)]) == 0
    assert load_above_calibration(again).range_levels == fitted.range_levels
    words = [str(kept), "--calibration", str(again), "--out", str(scores_file)]
    assert evaluate.main(words) == 0
    fine_again = json.loads(scores_file.read_text())["by_mm_per_px"]["0-3.01"]
    assert fine_again["plant_f1"] == pytest.approx(fine["plant_f1"], abs=1e-3)
    assert fine_again["doubles_said"] == pytest.approx(fine["doubles_said"], abs=0.3)
    assert fine_again["covered"] == pytest.approx(fine["covered"], abs=0.02)


def scored(found_xy: list[tuple[float, float]], true_xy: list[tuple[float, float]]) -> Scored:
    """A scene with plants found and true ones, working px."""
    some = np.array(found_xy, float).reshape(-1, 2)
    true = np.array(true_xy, float).reshape(-1, 2)
    blank = np.zeros(len(some))
    found = nothing_found()
    columns = dict.fromkeys(("tip_count", "double", "canopy_mm2", "other"), blank)
    from dataclasses import replace

    found = replace(found, x=some[:, 0], y=some[:, 1], score=blank + 0.9, **columns)
    yes = np.ones(len(true), bool)
    return Scored(
        Scene(Path("a.jpg"), {"mm_per_px": 3.0, "kind": "corn", "mean_stage": 4}),
        found,
        true[:, 0],
        true[:, 1],
        yes,
        yes.copy(),
        np.full(len(true), 4),
        np.full(len(true), 6.0),
        yes,
        ~yes,
        np.ones(len(some), bool),
    )


def test_right_wrong_and_missed_are_counted() -> None:
    # 40 mm are 13.3 working px: the second is near enough, the third too far.
    one = scored([(10, 10), (60, 22), (120, 25)], [(10, 10), (60, 10), (120, 10)])
    assert plant_counts(one) == (2, 1, 1)
    assert sorted(pairs(one)) == [(0, 0), (1, 1)]
    assert plant_counts(scored([], [(1, 1)])) == (0, 0, 1)
    assert plant_counts(scored([(1, 1)], [])) == (0, 1, 0)
    # One true plant has one match: the second is wrong.
    assert plant_counts(scored([(10, 10), (12, 10)], [(10, 10)])) == (1, 1, 0)


def test_a_centre_said_to_be_two_counts_as_two() -> None:
    one = scored([(10, 10)], [(8, 10), (14, 10)])
    assert plant_counts(one) == (1, 0, 1)
    one.found.double[0] = 0.8
    assert plant_counts(one) == (2, 0, 0)
    one.double[:] = True
    said, true = doubles(one)
    assert (said, true) == (pytest.approx(0.8), 1)
    alone = scored([(10, 10)], [(10, 10)])
    alone.found.double[0] = 0.8
    assert plant_counts(alone) == (1, 1, 0)


def test_a_double_at_the_edge_counts_half_either_way() -> None:
    one = scored([(10, 10), (20, 10)], [(10, 10), (20, 10)])
    one.double[:] = True
    assert doubles(one) == (1.0, 1.0)
    one.asked[0], one.inner[0] = False, False
    assert doubles(one) == (0.5, 0.5)
    one.shown[0] = False  # nobody could have seen two
    assert doubles(one)[1] == 0.0


def test_plants_that_nobody_asks_for_are_not_held_against_it() -> None:
    one = scored([(10, 10), (60, 10)], [(10, 10), (60, 10)])
    one.asked[1] = False
    assert plant_counts(one) == (1, 0, 0)


def test_ranges_are_fitted_to_cover() -> None:
    rng = np.random.default_rng(1)
    every = []
    for _ in range(12):
        xy = [(20 * k, 0) for k in range(40)]
        one = scored(xy, xy)
        stage = rng.choice([3, 4, 5], 40, p=[0.25, 0.5, 0.25])
        tips = stage + rng.choice([2, 3], 40)
        one.stage[:] = stage
        one.tips[:] = tips
        one.found.tip_count[:] = tips + 0.3 + rng.normal(0, 0.6, 40)
        every.append(one)
    fitted = calibrate.calibrate(every, AboveCalibration())
    assert fitted.bias[0] == pytest.approx(0.3, abs=0.15)
    assert fitted.spread[0] == pytest.approx(0.6, abs=0.15)
    share, wide, count = calibrate.coverage(every, fitted)[0]
    assert count == 480
    assert 0.9 <= share <= 0.97
    assert wide < 3.2


def test_young_plants_and_others_each_get_the_level_that_covers() -> None:
    def plants(stage: int, beside: float, count: int) -> calibrate.StagedPlants:
        """Of ten plants one is a stage older; the answers know it as well as `beside` says."""
        p = np.zeros(13)
        p[[stage - 1, stage, stage + 1]] = 0.02, 0.98 - beside, beside
        return [(p, stage + (k % 10 > 7)) for k in range(count)]

    # A range of the likeliest stage alone, 0.73 or 0.82 of the belief, holds 8 plants of 10.
    start = AboveCalibration()
    fitted = calibrate.fit_levels(plants(2, 0.25, 200) + plants(5, 0.16, 200), start)
    assert fitted.range_levels == (0.74, 0.84)
    few = calibrate.fit_levels(plants(2, 0.25, 200) + plants(5, 0.16, 20), start)
    assert few.range_levels == (0.74, 0.74)


def test_shared_errors_and_doubles_are_fitted() -> None:
    rng = np.random.default_rng(5)
    rests = [rng.normal(0, 0.5, 30) + rng.normal(0, 0.4) for _ in range(200)]
    assert calibrate.shared_error(rests) == pytest.approx(0.4, abs=0.06)
    assert calibrate.shared_error([rng.normal(0, 0.5, 30) for _ in range(50)]) < 0.15
    assert calibrate.shared_error(rests[:2]) == AboveCalibration().shared[0]
    # Said 0.3 of every centre, true of one in ten: brought down to a tenth.
    every = []
    for _ in range(40):
        xy = [(60.0 * k, 0.0) for k in range(10)]
        one = scored(xy, [*xy, (5.0, 0.0)])
        one.found.double[:] = 0.3
        every.append(one)
    slope, offset = calibrate.double_line(every)
    fitted = AboveCalibration(double_slope=slope, double_offset=offset)
    assert fitted.double_probability(np.array([0.3]))[0] == pytest.approx(0.1, abs=0.02)
    assert calibrate.double_line(every[:2]) == (1.0, 0.0)
